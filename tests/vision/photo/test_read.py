"""Photos read from bytes: every orientation, every usual format, and files that lie."""

from __future__ import annotations

import hashlib
import io
import struct
import sys
import zlib

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from vision import PhotoError, PhotoSetup, inspect_photo
from vision.photo.read import read_colour, read_header, read_photo


@pytest.fixture(scope="module")
def picture() -> Image.Image:
    rng = np.random.default_rng(5)
    noise = rng.integers(0, 256, (96, 132, 3), dtype=np.uint8)
    return Image.fromarray(cv2.GaussianBlur(noise, (0, 0), 4))


def coded(picture: Image.Image, form: str, **options: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, form, **options)
    return out.getvalue()


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("orientation", range(1, 9))
def test_photo_is_turned_upright_for_each_exif_orientation(
    picture: Image.Image, form: str, orientation: int
) -> None:
    """The reference is Pillow's own exif_transpose."""
    exif = Image.Exif()
    exif[0x0112] = orientation
    data = coded(picture, form, exif=exif)
    upright = ImageOps.exif_transpose(Image.open(io.BytesIO(data)))
    grey = read_photo(data, "x").grey
    expected = np.asarray(upright.convert("L"))
    assert grey.shape == expected.shape
    assert np.abs(grey.astype(int) - expected).max() <= 2
    colour = read_colour(data, "x")
    assert np.abs(colour.astype(int) - np.asarray(upright.convert("RGB"))).max() <= 3


def test_hash_is_that_of_the_file(picture: Image.Image) -> None:
    data = coded(picture, "PNG")
    assert read_photo(data, "x").sha256 == hashlib.sha256(data).hexdigest()


@pytest.mark.parametrize("bits", [10, 12, 16])
def test_deep_samples_are_spread_over_the_bits_in_use(bits: int) -> None:
    """A 12-bit camera stores 0..4095 in 16 bits; half of its range has to become middle grey."""
    top = (1 << bits) - 1
    deep = np.full((80, 80), top // 2, np.uint16)
    deep[0, 0] = top
    _, data = cv2.imencode(".png", deep)
    grey = read_photo(data.tobytes(), "x").grey
    assert grey[40, 40] in (127, 128)
    assert grey[0, 0] == 255


@pytest.mark.parametrize("mode", ["L", "RGBA", "P", "CMYK"])
def test_other_colour_modes_are_read(picture: Image.Image, mode: str) -> None:
    form = "JPEG" if mode == "CMYK" else "PNG"
    assert read_photo(coded(picture.convert(mode), form), "x").grey.shape == (96, 132)


@pytest.mark.parametrize("form", ["JPEG", "PNG", "WEBP"])
@pytest.mark.parametrize("share", [0.99, 0.9, 0.5, 0.05])
def test_cut_off_file_is_refused_in_one_sentence(
    picture: Image.Image, form: str, share: float, capfd: pytest.CaptureFixture[str]
) -> None:
    data = coded(picture, form)
    with pytest.raises(PhotoError, match="damaged or cut short; expected a whole photo") as caught:
        read_photo(data[: int(share * len(data))], "cut.jpg")
    assert str(caught.value).startswith("cut.jpg: ")
    assert "\n" not in str(caught.value)
    assert form != "PNG" or capfd.readouterr().err == ""


def test_a_png_cut_between_chunks_and_ended_is_refused() -> None:
    """Every chunk left is intact, checksum and all; the picture's own stream ends early."""
    noise = np.random.default_rng(3).integers(0, 256, (400, 500), dtype=np.uint8)
    data = coded(Image.fromarray(noise), "PNG")
    starts = [at for at in range(8, len(data)) if data[at + 4 : at + 8] == b"IDAT"]
    assert len(starts) > 2
    for start in starts[1:]:
        with pytest.raises(PhotoError, match="the PNG file is damaged or cut short"):
            read_photo(data[:start] + data[-12:], "cut.png")


@pytest.mark.parametrize("lossless", [False, True])
@pytest.mark.parametrize("share", [0.3, 0.6, 0.9, 0.99])
def test_a_webp_cut_short_whose_lengths_were_made_to_fit_is_refused(lossless: bool, share: float) -> None:
    """RIFF: the length of the file at byte 4, that of its first chunk at byte 16, both little-endian."""
    noise = np.random.default_rng(3).integers(0, 256, (200, 300, 3), dtype=np.uint8)
    data = bytearray(coded(Image.fromarray(cv2.GaussianBlur(noise, (0, 0), 2)), "WEBP", lossless=lossless))
    del data[int(share * len(data)) & ~1 :]
    for at, behind in ((4, 8), (16, 20)):
        data[at : at + 4] = struct.pack("<I", len(data) - behind)
        with pytest.raises(PhotoError, match="the WebP file is damaged or cut short"):
            read_photo(bytes(data), "cut.webp")


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "the file is empty"),
        (b"Dear Sir,\nplease find attached\n", "not a photo but text"),
        (b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n", "a PDF document"),
        (b"GIF89a\x01\x00\x01\x00", "a GIF picture"),
        (bytes(range(256)) * 4, "this is not a photo"),
        (b"\xff\xd8\xff\xe0", "damaged or cut short"),
    ],
)
def test_what_is_no_photo_is_called_by_its_name(data: bytes, says: str) -> None:
    with pytest.raises(PhotoError, match=says):
        read_photo(data, "x.jpg")


def header_only(width_px: int, height_px: int) -> bytes:
    """A PNG file that promises a picture of this size and has no picture data worth the name."""

    def chunk(kind: bytes, content: bytes) -> bytes:
        check = zlib.crc32(content, zlib.crc32(kind))
        return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)

    size = struct.pack(">IIBBBBB", width_px, height_px, 8, 0, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", size) + chunk(b"IDAT", b"") + chunk(b"IEND", b"")


def test_two_hundred_megapixels_are_refused_before_decoding() -> None:
    """The header alone is enough."""
    with pytest.raises(PhotoError, match=r"200 megapixels \(20000 x 10000\); expected at most 100"):
        read_photo(header_only(20_000, 10_000), "huge.png")


@pytest.mark.parametrize(("width", "height"), [(32_767, 100), (100, 32_767), (65_000, 64), (70, 1_000_000)])
def test_a_side_too_long_to_be_read_between_pixels_is_refused_before_decoding(
    width: int, height: int
) -> None:
    says = f"strip.png: the photo has {width} x {height} pixels; expected at most 32766 pixels on each side"
    with pytest.raises(PhotoError, match=says):
        read_photo(header_only(width, height), "strip.png")


@pytest.mark.parametrize("lighting", ["bright_field", None])
@pytest.mark.parametrize(("width", "height"), [(32_766, 100), (100, 32_766)])
def test_the_longest_photo_is_inspected_in_parts_and_at_once(
    width: int, height: int, lighting: str | None
) -> None:
    """Stones and a scratch, the last of them by the far end; workers of the booth take a photo at once."""
    grey = np.random.default_rng(9).normal(150, 2, (100, 32_766))
    for x in range(500, 32_700, 2000):
        grey[46:52, x : x + 6] -= 70
    grey[30:32, 32_400:32_700] -= 40
    grey = grey if width > height else grey.T
    setup = None
    if lighting is not None:
        said = {"lighting": lighting, "mm_per_px": 0.1, "field_mm": [0, 0, width * 0.1, height * 0.1]}
        setup = PhotoSetup.from_dict(said, where="set-up")
    data = cv2.imencode(".png", np.clip(grey, 0, 255).astype(np.uint8))[1].tobytes()
    for stages in (None, Unwatched()):
        result = inspect_photo(data, setup, name="strip.png", stages=stages)
        places = sorted(max(find.x_px, find.y_px) for find in result.finds if find.not_glass is None)
        assert len(places) >= 15
        assert places[0] < 600
        assert places[-1] > 32_400


class Unwatched:
    """Stands where pictures of the stages go, and keeps none."""

    wants_whole = True

    def background(self, *_: object) -> None: ...

    def detections(self, *_: object) -> None: ...


def test_a_thumbnail_is_refused() -> None:
    with pytest.raises(PhotoError, match="only 20 x 10 pixels"):
        read_header(coded(Image.new("L", (20, 10)), "PNG"), "x.png")


def test_orientation_behind_the_picture_data_is_found(picture: Image.Image) -> None:
    """PNG allows eXIf after IDAT; looking for it must not decode the picture."""
    exif = Image.Exif()
    exif[0x0112] = 6
    data = coded(picture, "PNG")
    content = exif.tobytes().removeprefix(b"Exif\x00\x00")
    chunk = struct.pack(">I", len(content)) + b"eXIf" + content
    chunk += struct.pack(">I", zlib.crc32(content, zlib.crc32(b"eXIf")))
    assert read_header(data[:-12] + chunk + data[-12:], "x").orientation == 6


def test_heic_without_its_package_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    with pytest.raises(PhotoError, match=r"need the optional package \(pip install lehrbook\[heic\]\)"):
        read_photo(b"\0\0\0\x18ftypheic" + bytes(100), "phone.heic")
