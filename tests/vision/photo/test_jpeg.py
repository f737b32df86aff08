"""JPEG files that were cut, patched or damaged: none may pass for a whole photo.

OpenCV's own copy of libjpeg-turbo is the reference: for the picture, and for what a decoder complains of. It
says that on standard error only, once a file.
"""

from __future__ import annotations

import functools
import io
import os
import random
import tempfile
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from vision import PhotoError, PhotoSetup, inspect_photo
from vision.photo.jpeg import Scan, decode_jpeg, read_scans
from vision.photo.read import read_colour, read_photo

DEMO = sorted((Path(__file__).parents[3] / "demo_images").glob("*.jpg"))
END = b"\xff\xd9"
REFUSED = "damaged or cut short; expected a whole photo"
CODINGS: dict[str, dict[str, object]] = {
    "baseline": {},
    "optimised": {"optimize": True},
    "restarts": {"restart_marker_rows": 1},
    "many restarts": {"restart_marker_blocks": 3},
    "progressive": {"progressive": True},
    "progressive with restarts": {"progressive": True, "restart_marker_rows": 1},
}


def coded(picture: Image.Image, **options: object) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", **{"quality": 90, **options})
    return out.getvalue()


@functools.cache
def demo(coding: str) -> bytes:
    """A part of a demo photo, 800 x 600 pixels, in this coding."""
    with Image.open(DEMO[0]) as photo:
        return coded(photo.crop((400, 300, 1200, 900)), **CODINGS[coding])


def reference(data: bytes) -> tuple[np.ndarray | None, str]:
    """OpenCV's picture and what its decoder says on standard error."""
    with tempfile.TemporaryFile() as said:
        before = os.dup(2)
        os.dup2(said.fileno(), 2)
        try:
            flags = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
            picture = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
        finally:
            os.dup2(before, 2)
            os.close(before)
        said.seek(0)
        return picture, said.read().decode()


def picture_data(scan: Scan) -> tuple[int, int]:
    return scan.intervals[0][0], scan.intervals[-1][1]


def refused(data: bytes) -> bool:
    try:
        decode_jpeg(data, "photo.jpg")
    except PhotoError as error:
        return str(error) == f"photo.jpg: the JPEG file is {REFUSED}"
    return False


@pytest.mark.parametrize("path", DEMO, ids=lambda path: path.stem)
def test_a_good_photo_is_decoded_as_before(path: Path) -> None:
    data = path.read_bytes()
    picture, said = reference(data)
    assert said == ""
    assert (decode_jpeg(data, path.name) == picture).all()


@settings(max_examples=150, deadline=None)
@given(
    st.integers(64, 200),
    st.integers(64, 200),
    st.sampled_from(["noise", "smooth", "flat", "black", "white", "two-valued"]),
    st.sampled_from(["L", "RGB", "CMYK"]),
    st.integers(1, 100),
    st.integers(0, 2),
    st.booleans(),
    st.booleans(),
    st.sampled_from(["", "restart_marker_rows", "restart_marker_blocks"]),
    st.integers(1, 20),
    st.sampled_from([b"", b"\xff", b"\xff\xff\xff"]),
    st.sampled_from([b"", b"\0" * 100, b"a second picture \xff\xd8\xff"]),
)
def test_every_honest_file_is_taken(
    w, h, content, mode, quality, subsampling, optimize, progressive, restart, every, fill, behind
):  # type: ignore[no-untyped-def]
    """Flat pictures look like what a decoder fills in; they are whole all the same."""
    rng = np.random.default_rng(w * h)
    pixels = {
        "noise": lambda: rng.integers(0, 256, (h, w)),
        "smooth": lambda: np.add.outer(np.arange(h), np.arange(w)) / 2,
        "flat": lambda: np.full((h, w), quality + 100),
        "black": lambda: np.zeros((h, w)),
        "white": lambda: np.full((h, w), 255),
        "two-valued": lambda: np.where(np.arange(w) < w // 2, 10, 250) * np.ones((h, 1)),
    }[content]()
    picture = Image.fromarray(np.clip(pixels, 0, 255).astype(np.uint8)).convert(mode)
    options = {restart: every} if restart else {}
    data = coded(
        picture,
        quality=quality,
        subsampling=subsampling,
        optimize=optimize,
        progressive=progressive,
        **options,
    )
    assert data.endswith(END)
    data = data[:-2] + fill + END + behind
    expected, _ = reference(data)
    grey = decode_jpeg(data, "x")
    assert np.abs(grey.astype(int) - expected).max() <= (2 if mode == "CMYK" else 0)


@pytest.mark.parametrize("path", DEMO, ids=lambda path: path.stem)
def test_a_photo_cut_anywhere_and_ended_is_refused(path: Path) -> None:
    """A hundred places of each; the decoder alone takes every one of them and fills the rest with grey."""
    data = path.read_bytes()
    start, end = picture_data(read_scans(data)[1][0])
    for at in np.linspace(start + 1, end - 16, 100).astype(int):
        assert refused(data[:at] + END), at


@pytest.mark.parametrize("coding", CODINGS)
def test_what_stands_behind_the_cut_does_not_help(coding: str) -> None:
    data, rng = demo(coding), random.Random(6)
    start = picture_data(read_scans(data)[1][0])[0]
    for _ in range(60):
        cut = rng.randrange(start, len(data) - 16)
        noise = rng.randbytes(2000).replace(b"\xff", b"\xfe")
        for behind in (b"", b"\0" * (len(data) - cut), noise, data[start:cut].replace(b"\xff", b"")):
            assert refused(data[:cut] + behind + END), (cut, behind[:1])


@pytest.mark.parametrize("coding", CODINGS)
def test_the_last_bytes_are_known_to_four_blocks(coding: str) -> None:
    """Some of the last ten bytes may be missed; then no more than four blocks differ (see vision/jpeg)."""
    data = demo(coding)
    whole = decode_jpeg(data, "x").astype(int)
    for bytes_missing in range(1, 11):
        cut = data[: -2 - bytes_missing] + END
        if not refused(cut):
            differs = np.abs(decode_jpeg(cut, "x") - whole) > 0
            blocks = differs.reshape(whole.shape[0] // 8, 8, -1, 8).any(axis=(1, 3))
            assert blocks.sum() <= 4


@pytest.mark.parametrize("coding", ["progressive", "progressive with restarts"])
def test_a_progressive_photo_without_its_last_scans_is_refused(coding: str) -> None:
    """Whole, but coarse: the decoder itself has nothing to complain of."""
    data = demo(coding)
    scans = read_scans(data)[1]
    assert len(scans) > 4
    for scan in scans[:-1]:
        coarse = data[: picture_data(scan)[1]] + END
        assert reference(coarse)[1] == ""
        assert refused(coarse)


def test_restart_intervals_cannot_be_left_out_or_changed_over() -> None:
    data = demo("restarts")
    intervals = read_scans(data)[1][0].intervals
    assert len(intervals) == 38
    for (a, _), (b, _), (c, _) in zip(intervals, intervals[1:], intervals[2:], strict=False):
        assert refused(data[:a] + data[b:])
        assert refused(data[:a] + data[b:c] + data[a:b] + data[c:])
    # eight of them leave the numbers of the markers in order
    assert refused(data[: intervals[4][0]] + data[intervals[12][0] :])
    assert refused(data[: intervals[20][0]] + END)


@pytest.mark.parametrize("coding", ["baseline", "optimised", "restarts"])
def test_of_a_thousand_damaged_bytes_all_that_the_decoder_complains_of_is_refused(coding: str) -> None:
    """One byte changed at a time. After a bad code the end may be right by chance: then nothing is filled."""
    data, rng = demo(coding), random.Random(7)
    start, end = picture_data(read_scans(data)[1][0])
    complaints = caught = bad_codes = 0
    for _ in range(1000):
        at = rng.randrange(start, end)
        damaged = data[:at] + bytes([(data[at] + rng.randrange(1, 256)) % 256]) + data[at + 1 :]
        picture, said = reference(damaged)
        complained, is_refused = said != "" or picture is None, refused(damaged)
        complaints += complained
        caught += complained and is_refused
        bad_codes += complained and not is_refused and "bad Huffman code" in said
    assert complaints > 200
    assert caught + bad_codes == complaints
    assert bad_codes < 0.1 * complaints


def test_a_restart_marker_behind_the_last_interval_does_no_harm() -> None:
    data = demo("restarts")
    assert (decode_jpeg(data[:-2] + b"\xff\xd5" + END, "x") == decode_jpeg(data, "x")).all()
    assert refused(data[:-2] + b"\xff\xd6" + END)


def test_the_cut_photo_is_no_inspection_and_no_coverage() -> None:
    path = next(path for path in DEMO if path.stem == "seedy-window-bright")
    data, setup = path.read_bytes(), PhotoSetup.from_file(path.with_suffix(".setup.json"))
    for given_setup in (setup, None):
        with pytest.raises(PhotoError, match=REFUSED):
            inspect_photo(data[: len(data) * 6 // 10] + END, given_setup, name="cut.jpg")


def test_a_damaged_photo_that_was_once_taken_can_still_be_seen() -> None:
    data = demo("baseline")
    cut = data[: len(data) * 6 // 10] + END
    assert read_colour(cut, "cut.jpg").shape == (600, 800, 3)


@pytest.mark.parametrize("kind", [0xC3, 0xC9, 0xCA])
def test_a_kind_that_cannot_be_checked_is_refused_as_such(kind: int) -> None:
    """Lossless and arithmetic coding (T.81, table B.1)."""
    data = demo("baseline").replace(b"\xff\xc0", bytes([0xFF, kind]), 1)
    with pytest.raises(PhotoError, match="coded in a rare way; expected a JPEG as cameras write it"):
        read_photo(data, "x.jpg")


@pytest.mark.parametrize(
    "data",
    [
        b"\xff\xd8\xff\xe0\0\x01" + END,
        b"\xff\xd8" + END,
        b"\xff\xd8\xff\xda\0\x08\x01\x01\0\0\x3f\0" + END,
        b"\xff\xd8\xff\xc0\0\x03\x08" + END,
        b"\xff\xd8\xff\xff\xff",
        b"\xff\xd8\xff\xdd\0\x02" + END,
    ],
)
def test_markers_that_lead_nowhere_are_damage(data: bytes) -> None:
    assert refused(data)


def test_pictures_inside_the_header_do_not_count() -> None:
    """A small picture in the header has scans and an end marker of its own."""
    small, data = coded(Image.new("L", (160, 120), 90)), demo("baseline")
    note = b"\xff\xe1" + (len(small) + 2).to_bytes(2, "big") + small
    assert (decode_jpeg(data[:2] + note + data[2:], "x") == decode_jpeg(data, "x")).all()
    assert refused(data[:2] + note + data[2 : len(data) // 2] + END)
