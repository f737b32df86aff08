"""The smallest size a blur allows, and the uncertainty of what no network sizes."""

import pytest

from vision.detection.uncertainty import line_length_sd_px, line_width_sd_px, smallest_sized_px


def test_smallest_size_grows_with_blur_and_refuses_nonsense() -> None:
    sizes = [smallest_sized_px(blur) for blur in (0, 0.5, 1.0, 3.0)]
    assert sizes == sorted(sizes)
    assert sizes[0] == pytest.approx(2.0)
    with pytest.raises(ValueError, match="expected a standard deviation"):
        smallest_sized_px(-0.1)


def test_a_faint_or_long_scratch_is_less_sure_in_length() -> None:
    assert line_length_sd_px(100, 1000) == pytest.approx((1.01**2 + 1) ** 0.5)
    assert line_length_sd_px(100, 8) > line_length_sd_px(100, 80)
    assert line_length_sd_px(1000, 80) > line_length_sd_px(100, 80)


def test_the_width_of_a_scratch_below_the_blur_is_as_unsure_as_what_is_seen() -> None:
    assert line_width_sd_px(0.05, 2.4) == pytest.approx(1.2, abs=0.02)
    assert line_width_sd_px(6.0, 6.2) < line_width_sd_px(1.0, 6.2)
    assert line_width_sd_px(6.0, 4.0) == 0.3
