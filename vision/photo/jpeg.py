"""JPEG pictures, decoded only where their own bytes reach.

A decoder makes a picture of almost anything: where a scan's bytes end too early it fills the rest with grey,
and after a damaged byte it goes on at a wrong place. What it complains of stays inside the library. Here the
bytes are handed over scan by scan (and restart interval by restart interval), and the decoder is watched: it
has to want every byte of a scan and nothing more. The picture is decoded once, as it would be anyway.

What is caught: a scan that ends early, whatever stands behind the cut; scans of a progressive photo that are
missing, so that it would be whole but coarse; restart intervals that are missing or out of order; damage
after which the decoder comes out with too few or too many bytes.

What cannot be: JPEG has no checksum. A damaged byte that only changes values, or after which the decoder gets
back into step, leaves a picture like any other: some of it is wrong, none is filled in. In the refining scans
of a progressive photo that is common; what is wrong there is the last bit of values. And the decoder reads
8 bytes ahead, so that the end of a scan is known to four blocks of 8 x 8 pixels and no better.

Markers, scans and stuffed bytes: ITU-T T.81 (1992), annexes B, F and G.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from PIL import Image, JpegImagePlugin

from vision.errors import damaged, refused
from vision.results import ByteImage

SEQUENTIAL, PROGRESSIVE = (0xC0, 0xC1), (0xC2,)
FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}
RESTARTS = range(0xD0, 0xD8)
START, END, SCAN, RESTART_INTERVAL, TEMPORARY = 0xD8, 0xD9, 0xDA, 0xDD, 0x01
COEFFICIENTS = 64
#: Where a marker may begin: 0xFF 0x00 is a byte of picture data.
MARKER = re.compile(rb"\xff[^\x00]")
#: Eight ones. No code consists of ones only (T.81, annex C): the decoder makes least of them.
ONES = b"\xff\x00"
READ_AHEAD = 8  # bytes that the decoder wants to see behind the last one it needs
DONE = -1


@dataclass(frozen=True, slots=True)
class Frame:
    """What the picture consists of.

    sampling : of each component, by its identifier, the samples across and down that stand for the same part
    of the picture
    """

    kind: int
    width_px: int
    height_px: int
    sampling: dict[int, tuple[int, int]]

    def units(self, components: tuple[int, ...]) -> int:
        """Coded units in a scan of these components (T.81, A.2): blocks of one, or squares of several."""
        most_across, most_down = (max(values) for values in zip(*self.sampling.values(), strict=True))
        across, down = self.sampling[components[0]] if len(components) == 1 else (1, 1)
        width = -(-self.width_px * across // most_across)
        height = -(-self.height_px * down // most_down)
        return -(-width // 8) * -(-height // 8)


@dataclass(frozen=True, slots=True)
class Scan:
    """One pass over the picture, or a part of its components and coefficients.

    first, last : coefficients, 0..63; low_bit : the lowest bit of them that it gives
    restart : coded units between restart markers, 0 where there are none
    intervals : where its coded bytes begin and end in the file, between restart markers
    """

    components: tuple[int, ...]
    first: int
    last: int
    low_bit: int
    restart: int
    intervals: tuple[tuple[int, int], ...]


class _DamagedError(Exception):
    """The bytes are not a whole picture."""


def decode_jpeg(data: bytes, name: str) -> ByteImage:
    """The picture's grey values as stored, not turned: uint8, shape (H, W).

    Raises PhotoError when the file is damaged or cut short, as far as that can be told (see above), or coded
    in a way in which it cannot be told at all.
    """
    try:
        frame, scans = read_scans(data)
        if frame.kind in (*SEQUENTIAL, *PROGRESSIVE):
            return _decoded(data, frame, scans)
    except _DamagedError:
        raise damaged(name, "JPEG") from None
    raise refused(name, "the JPEG file is coded in a rare way", "a JPEG as cameras write it")


def read_scans(data: bytes) -> tuple[Frame, tuple[Scan, ...]]:
    """The frame and the scans of a file, from its markers alone."""
    frame, scans, interval = None, list[Scan](), 0
    at = 2
    while True:
        code, _, at = _marker(data, at)
        if code == END:
            break
        if code in RESTARTS or code in (START, TEMPORARY):
            continue
        length = int.from_bytes(data[at : at + 2], "big")
        content = data[at + 2 : at + length]
        if length < 2 or len(content) != length - 2:
            raise _DamagedError
        at += length
        try:
            if code == RESTART_INTERVAL:
                interval = content[0] << 8 | content[1]
            elif code in FRAMES:
                frame = _frame(code, content)
            elif code == SCAN:
                intervals, at = _intervals(data, at, interval > 0)
                scans.append(_scan(content, interval, intervals))
        except IndexError:
            raise _DamagedError from None
    if frame is None or not scans:
        raise _DamagedError
    return frame, tuple(scans)


def _marker(data: bytes, at: int) -> tuple[int, int, int]:
    """The next marker from `at` on: its code, where it begins (with its fill bytes), where it ends."""
    while found := MARKER.search(data, at):
        at = found.end() - 1
        while data[at : at + 1] == b"\xff":  # fill bytes may stand before a marker
            at += 1
        if data[at : at + 1] > b"\x00":
            return data[at], found.start(), at + 1
    raise _DamagedError


def _intervals(data: bytes, at: int, restarts: bool) -> tuple[tuple[tuple[int, int], ...], int]:
    """Where the coded bytes of a scan lie, and where the marker behind them begins."""
    found = []
    while True:
        code, end, behind = _marker(data, at)
        found.append((at, end))
        if not restarts or code not in RESTARTS:
            break
        if code - RESTARTS[0] != (len(found) - 1) % len(RESTARTS):
            raise _DamagedError  # an interval is missing, or in another's place
        at = behind
    if len(found) > 1 and found[-1][0] == found[-1][1]:
        found.pop()  # a restart marker behind the last interval does no harm
    return tuple(found), end


def _frame(kind: int, content: bytes) -> Frame:
    height, width = content[1] << 8 | content[2], content[3] << 8 | content[4]
    sampling = {
        content[6 + 3 * n]: (content[7 + 3 * n] >> 4, content[7 + 3 * n] & 15) for n in range(content[5])
    }
    if not width or not height or not sampling or not all(min(pair) for pair in sampling.values()):
        raise _DamagedError
    return Frame(kind, width, height, sampling)


def _scan(content: bytes, restart: int, intervals: tuple[tuple[int, int], ...]) -> Scan:
    count = content[0]
    components = tuple(content[1 + 2 * n] for n in range(count))
    first, last, bits = content[1 + 2 * count], content[2 + 2 * count], content[3 + 2 * count]
    return Scan(components, first, last, bits & 15, restart, intervals)


def _all_there(frame: Frame, scans: tuple[Scan, ...]) -> bool:
    """Whether the scans give every coefficient of every component down to its lowest bit, and all over."""
    missing = {(part, k) for part in frame.sampling for k in range(COEFFICIENTS)}
    for scan in scans:
        if not scan.components or not set(scan.components) <= set(frame.sampling):
            return False
        if scan.restart and len(scan.intervals) != -(-frame.units(scan.components) // scan.restart):
            return False
        whole = frame.kind in SEQUENTIAL
        given = range(COEFFICIENTS) if whole else range(scan.first, scan.last + 1)
        if whole or scan.low_bit == 0:
            missing -= {(part, k) for part in scan.components for k in given}
    return not missing


def _decoded(data: bytes, frame: Frame, scans: tuple[Scan, ...]) -> ByteImage:
    if not _all_there(frame, scans):
        raise _DamagedError
    picture = JpegImagePlugin.JpegImageFile(io.BytesIO(data))
    picture.draft("L", None)  # the luma that the file carries; colours are not worked out
    codec, extents, _, args = picture.tile[0]
    image = Image.new(picture.mode, picture.size)
    decoder = Image._getdecoder(picture.mode, codec, args, picture.decoderconfig)
    decoder.setimage(image.im, extents)
    at_once = frame.kind in SEQUENTIAL and len(scans[0].components) == len(frame.sampling)
    feed = _Feed(data, decoder)
    for interval, is_last in _with_last(scans[:1] if at_once else scans):
        feed.interval(*interval, ends_picture=at_once and is_last)
    if not at_once and feed.take(b"\xff\xd9") != DONE:
        raise _DamagedError
    return np.asarray(image if image.mode == "L" else image.convert("L"))


def _with_last(scans: tuple[Scan, ...]) -> Iterator[tuple[tuple[int, int], bool]]:
    every = [interval for scan in scans for interval in scan.intervals]
    for n, interval in enumerate(every, start=1):
        yield interval, n == len(every)


class _Feed:
    """Hands a file's bytes to the decoder, which stops where it lacks some and says how many it took.

    Inside a scan the decoder leaves bytes that it lacks the rest of; behind a scan it looks for the next
    marker and takes every other byte at once. A picture of one scan is done as soon as its last row is.
    """

    def __init__(self, data: bytes, decoder: Any) -> None:
        self._data = memoryview(data)
        self._decoder = decoder
        self._at = 0

    def take(self, some: bytes | memoryview) -> int:
        """How many of these bytes the decoder took, DONE when the picture is finished."""
        taken, fault = self._decoder.decode(some)
        if taken < 0 and fault < 0:
            raise _DamagedError
        return int(taken)

    def interval(self, start: int, end: int, *, ends_picture: bool) -> None:
        """Pass on the coded bytes from `start` to `end` and what stands before them.

        Raises _DamagedError when the decoder could do without the last byte or lacks one behind it.
        """
        stuffed = end - start > 2 and self._data[end - 2] == 0xFF
        short = end - 2 if stuffed else end - 1
        # all taken says nothing yet: the bytes may wait inside the decoder; one more would then be left
        if short > start and self._left(short) == 0 and self._left(end) == 0:
            raise _DamagedError
        rest = bytes(self._data[self._at : end]) + ONES * READ_AHEAD
        taken = self.take(rest)
        if ends_picture:
            if taken != DONE:
                raise _DamagedError
        elif taken != len(rest) or self.take(ONES) != len(ONES):
            raise _DamagedError
        self._at = end

    def _left(self, end: int) -> int:
        """Pass on the bytes up to `end`; how many of them the decoder left."""
        taken = self.take(self._data[self._at : end])
        if taken == DONE:
            raise _DamagedError  # before the bytes of its picture are at an end
        self._at += taken
        return end - self._at
