"""Detections on the sheet: directions and sizes follow the frame."""

import numpy as np
import pytest

from tests.vision.tag_photo import draw
from vision.detection.on_sheet import stretch


def test_direction_and_stretch_follow_the_frame() -> None:
    """A photo on its side: along its x axis runs the sheet's y."""
    photo = draw(np.random.default_rng(14))
    along, across, angle = stretch(photo.frame.jacobian_at([(600, 450)])[0], 0.0)
    assert (along, across) == pytest.approx((0.25, 0.25), rel=1e-6)
    assert min(angle, 180 - angle) == pytest.approx(0, abs=1e-6)
