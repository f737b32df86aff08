"""Large photos in parts give what the whole gives: no mark lost, none twice, lines whole."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from vision import PhotoSetup, inspect_photo
from vision.detection import tiles
from vision.detection.tiles import own_ground, parts_of

SETUP = PhotoSetup("bright_field", field_mm=(0.0, 0.0, 480.0, 360.0), mm_per_px=0.3)
LINE_PX = (np.array([200.3, 210.0]), np.array([1400.0, 820.7]))


@pytest.mark.parametrize("size", [(11_600, 8_600), (12_000, 3_000), (5_000, 20_000), (7_000, 7_000)])
def test_parts_tile_the_photo_with_aligned_starts(size: tuple[int, int]) -> None:
    parts = parts_of(*size)
    assert len(parts) > 1
    area = 0.0
    for part in parts:
        assert part[0] % 8 == part[1] % 8 == 0
        assert (part[2] - part[0]) * (part[3] - part[1]) <= 1.15 * tiles.LARGEST_PART_PX
        x0, y0, x1, y1 = own_ground(part, *size)
        area += (x1 - x0) * (y1 - y0)
    assert area == pytest.approx(size[0] * size[1])


def test_a_usual_photo_is_one_part() -> None:
    assert parts_of(4000, 3000) == [(0, 0, 4000, 3000)]


@pytest.fixture(scope="module")
def photo() -> bytes:
    """1600 x 1200 px with 40 dark discs of 7 px and one line of 1346 px that slants across all parts."""
    rng = np.random.default_rng(31)
    fine = 4
    light = np.full((1200 * fine, 1600 * fine), 0.6, np.float32)
    for x, y in zip(rng.uniform(40, 1560, 40), rng.uniform(40, 1160, 40), strict=True):
        centre = (round((x * fine - 0.5) * 16), round((y * fine - 0.5) * 16))
        cv2.circle(light, centre, round(3.5 * fine * 16), 0.15, -1, cv2.LINE_8, 4)
    ends = [tuple(int(v) for v in np.round((end * fine - 0.5) * 16)) for end in LINE_PX]
    cv2.line(light, ends[0], ends[1], 0.3, 3, cv2.LINE_8, 4)
    small = cv2.GaussianBlur(cv2.resize(light, (1600, 1200), interpolation=cv2.INTER_AREA), (0, 0), 0.8)
    grey = np.clip(255 * small ** (1 / 2.2) + rng.normal(0, 1.5, small.shape) + 0.5, 0, 255)
    return cv2.imencode(".png", grey.astype(np.uint8), [cv2.IMWRITE_PNG_COMPRESSION, 1])[1].tobytes()


def test_parts_give_what_the_whole_gives(photo: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = inspect_photo(photo, SETUP, name="x")
    monkeypatch.setattr(tiles, "LARGEST_PART_PX", 600_000)
    monkeypatch.setattr(tiles, "OVERLAP_PX", 192)
    assert len(parts_of(1600, 1200)) >= 6
    parts = inspect_photo(photo, SETUP, name="x")
    spots = [
        np.array([(f.x_px, f.y_px) for f in result.finds if f.path_px is None]) for result in (whole, parts)
    ]
    for some, others in (spots, spots[::-1]):
        gaps = np.sqrt(((some[:, None] - others[None]) ** 2).sum(axis=2)).min(axis=1)
        assert (gaps < 1.5).mean() > 0.94
    twins = np.sqrt(((spots[1][:, None] - spots[1][None]) ** 2).sum(axis=2))
    assert (twins[~np.eye(len(twins), dtype=bool)] > 3).all()


def test_a_line_through_all_parts_stays_one(photo: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(tiles, "LARGEST_PART_PX", 600_000)
    monkeypatch.setattr(tiles, "OVERLAP_PX", 192)
    result = inspect_photo(photo, SETUP, name="x")
    long = [find for find in result.finds if find.path_px is not None and find.length_px > 100]
    assert len(long) == 1
    assert long[0].length_px == pytest.approx(float(np.hypot(*(LINE_PX[1] - LINE_PX[0]))), rel=0.03)
