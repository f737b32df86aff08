"""A photo's bytes: what they are, how large, which way up, and their grey values, decoded once.

Sizes are read from the header and checked before anything is decoded, because a file of 50 kB can unpack to
hundreds of megapixels. Grey is the luma that JPEG carries anyway; decoding it alone takes half the time of
colour.
"""

from __future__ import annotations

import hashlib
import io
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, JpegImagePlugin, PngImagePlugin, WebPImagePlugin

from vision.errors import damaged, refused
from vision.photo.jpeg import decode_jpeg
from vision.results import ByteImage

LARGEST_MEGAPIXELS = 100
SMALLEST_SIDE_PX = 64
#: OpenCV's remap keeps places in 16 bits: each side has to be shorter than SHRT_MAX, 32,767
LONGEST_SIDE_PX = 32_766
ORIENTATION_TAG = 0x0112
GREY = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_ANYDEPTH

HEIC_BRANDS = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")
KNOWN_FORMATS = "JPEG, PNG, WebP or HEIC"


@dataclass(frozen=True, slots=True)
class Header:
    """What the file says of itself. width_px, height_px : as stored, before turning upright."""

    form: str
    width_px: int
    height_px: int
    orientation: int


@dataclass(frozen=True, slots=True)
class Photo:
    """A decoded photo. grey : uint8, shape (H, W), upright; sha256 : of the file's bytes, hex."""

    name: str
    sha256: str
    grey: ByteImage
    form: str

    @property
    def width_px(self) -> int:
        return int(self.grey.shape[1])

    @property
    def height_px(self) -> int:
        return int(self.grey.shape[0])


def read_photo(data: bytes, name: str) -> Photo:
    """Decode to grey values, upright.

    Raises PhotoError when the bytes are empty, damaged, cut short, not a photo, larger than 100 megapixels or
    longer than 32,766 pixels on a side.
    """
    header = read_header(data, name)
    if max(header.width_px, header.height_px) > LONGEST_SIDE_PX:
        raise refused(
            name,
            f"the photo has {header.width_px} x {header.height_px} pixels",
            f"at most {LONGEST_SIDE_PX} pixels on each side; photograph the sheet in parts",
        )
    if header.form == "HEIC":
        grey = np.asarray(_heic_image(data, name).convert("L"))
    else:
        stored = decode_jpeg(data, name) if header.form == "JPEG" else _decode(data, name, header, GREY)
        grey = upright(stored, header.orientation)
    return Photo(name, hashlib.sha256(data).hexdigest(), grey, header.form)


def read_colour(data: bytes, name: str) -> ByteImage:
    """The photo in colour for drawing on: uint8, shape (H, W, 3), red green blue, upright. Raises PhotoError.

    What was once taken stays to be seen: a damaged JPEG or one too long to be inspected, which `read_photo`
    refuses, is shown as the decoder reads it.
    """
    header = read_header(data, name)
    if header.form == "HEIC":
        return np.asarray(_heic_image(data, name).convert("RGB"))
    return upright(_decode(data, name, header, cv2.IMREAD_COLOR_RGB), header.orientation)


def read_header(data: bytes, name: str) -> Header:
    """Format, stored size and orientation, without decoding. Raises PhotoError."""
    if not data:
        raise refused(name, "the file is empty (0 bytes)", f"a photo in {KNOWN_FORMATS}")
    if data[:3] == b"\xff\xd8\xff":
        header = _pillow_header(data, name, "JPEG")
    elif data[:8] == b"\x89PNG\r\n\x1a\n":
        header = _pillow_header(data, name, "PNG")
    elif data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        header = _pillow_header(data, name, "WebP")
    elif data[4:8] == b"ftyp" and data[8:12] in HEIC_BRANDS:
        width, height = _heic_image(data, name).size
        header = Header("HEIC", width, height, 1)
    else:
        raise refused(name, "this is not a photo" + _looks_like(data), f"a file in {KNOWN_FORMATS}")
    megapixels = header.width_px * header.height_px / 1e6
    if megapixels > LARGEST_MEGAPIXELS:
        raise refused(
            name,
            f"the photo has {megapixels:.0f} megapixels ({header.width_px} x {header.height_px})",
            f"at most {LARGEST_MEGAPIXELS} megapixels; photograph the sheet in parts",
        )
    if min(header.width_px, header.height_px) < SMALLEST_SIDE_PX:
        raise refused(
            name,
            f"the photo has only {header.width_px} x {header.height_px} pixels",
            f"at least {SMALLEST_SIDE_PX} pixels on each side",
        )
    return header


def upright(image: ByteImage, orientation: int) -> ByteImage:
    """Turn a stored picture the right way up.

    orientation : 1..8, as the Exif tag "Orientation" (CIPA DC-008, tag 0x0112) counts them; anything else is
    1.
    """
    if orientation == 2:
        return cv2.flip(image, 1)
    if orientation == 3:
        return cv2.rotate(image, cv2.ROTATE_180)
    if orientation == 4:
        return cv2.flip(image, 0)
    if orientation == 5:
        return cv2.transpose(image)
    if orientation == 6:
        return cv2.rotate(image, cv2.ROTATE_90_CLOCKWISE)
    if orientation == 7:
        return cv2.flip(cv2.transpose(image), -1)
    if orientation == 8:
        return cv2.rotate(image, cv2.ROTATE_90_COUNTERCLOCKWISE)
    return image


def _looks_like(data: bytes) -> str:
    head = data[:512]
    if head[:4] == b"%PDF":
        return " but a PDF document"
    if head[:6] in (b"GIF87a", b"GIF89a"):
        return " of a usable kind but a GIF picture"
    if head[:4] in (b"II*\0", b"MM\0*"):
        return " of a usable kind but a TIFF or raw picture"
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError:
        return ""
    return " but text" if text.isprintable() or "\n" in text or "\t" in text else ""


def _pillow_header(data: bytes, name: str, form: str) -> Header:
    """Pillow's own readers, called directly: they read the header only and do not guess the format."""
    readers: dict[str, Callable[[io.BytesIO], Image.Image]] = {
        "JPEG": JpegImagePlugin.JpegImageFile,
        "PNG": PngImagePlugin.PngImageFile,
        "WebP": WebPImagePlugin.WebPImageFile,
    }
    try:
        picture = readers[form](io.BytesIO(data))
        width, height = picture.size
    except Exception:  # noqa: BLE001 - a broken header makes Pillow raise almost anything
        raise damaged(name, form) from None
    orientation = 1
    try:
        if form == "PNG":
            exif = Image.Exif()
            exif.load(_png_exif(data))
        else:
            exif = picture.getexif()
        orientation = int(exif.get(ORIENTATION_TAG, 1))
    except Exception:  # noqa: BLE001 - a photo with unreadable Exif data is still a photo
        orientation = 1
    return Header(form, width, height, orientation if 1 <= orientation <= 8 else 1)


def _png_exif(data: bytes) -> bytes:
    """The eXIf chunk of a PNG, wherever it stands; Pillow alone
    would decode the picture to look behind it."""
    for kind, content in _png_chunks(data):
        if kind == b"eXIf":
            return content
    return b""


def _png_is_whole(data: bytes) -> bool:
    """Whether every chunk is there and intact; asked before
    decoding because libpng writes to standard error."""
    last = b""
    for kind, _ in _png_chunks(data):
        last = kind
    return last == b"IEND"


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Kind and content of each intact chunk (PNG specification,
    section 5.3); stops at the first broken one."""
    at = 8
    while at + 12 <= len(data):
        length, kind = struct.unpack(">I4s", data[at : at + 8])
        end = at + 8 + length
        content = data[at + 8 : end]
        if end + 4 > len(data) or struct.unpack(">I", data[end : end + 4])[0] != zlib.crc32(
            content, zlib.crc32(kind)
        ):
            return
        yield kind, content
        at = end + 4


def _decode(data: bytes, name: str, header: Header, flags: int) -> ByteImage:
    """The picture as stored, not turned, as OpenCV reads it.

    A PNG is checked by its checksums. WebP has none: its decoder refuses a picture that ends early, even
    where the lengths in the file were made to fit, but a damaged byte may leave a picture like any other.
    """
    if header.form == "PNG" and not _png_is_whole(data):
        raise damaged(name, header.form)
    try:
        image = cv2.imdecode(np.frombuffer(data, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error:
        image = None
    if image is None or image.shape[:2] != (header.height_px, header.width_px):
        raise damaged(name, header.form)
    return _to_bytes(image) if image.dtype == np.uint16 else image


def _to_bytes(deep: NDArray[np.uint16]) -> ByteImage:
    """16-bit samples to 8 bits. Cameras store 10, 12 or 14 bits
    in them; the peak tells how many are in use."""
    peak = int(deep.max())
    bits = next(bits for bits in (10, 12, 14, 16) if peak < 1 << bits)
    return cv2.convertScaleAbs(deep, alpha=255.0 / ((1 << bits) - 1))


def _heic_image(data: bytes, name: str) -> Image.Image:
    """Pillow picture of a HEIC file, already upright (the library applies the file's rotation)."""
    try:
        import pillow_heif
    except ImportError:
        raise refused(
            name,
            "HEIC photos need the optional package (pip install lehrbook[heic])",
            "JPEG, or that package",
        ) from None
    try:
        heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=True)
        width, height = heif.size
        if width * height <= LARGEST_MEGAPIXELS * 1e6:
            picture: Image.Image = heif.to_pillow()
            return picture
    except Exception:  # noqa: BLE001 - the library raises several kinds for damaged files
        raise damaged(name, "HEIC") from None
    raise refused(
        name,
        f"the photo has {width * height / 1e6:.0f} megapixels ({width} x {height})",
        f"at most {LARGEST_MEGAPIXELS} megapixels; photograph the sheet in parts",
    )
