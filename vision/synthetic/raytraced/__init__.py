"""The ray-traced renderer: photos with perspective, lens and traced light, for tests, training, benches and
the demo.

    scene = random_scene(np.random.default_rng(7), lighting="bright_field", megapixels=2)
    shot = render(scene, np.random.default_rng(8))
    data = encode(shot, scene.sensor.jpeg_quality)

The model. Bright field: tubes behind a diffuser; a bubble is an ellipsoid of gas through which the view is
traced onto the lamp panel (a dark rim by total reflection, a bright middle), or shaded by wall slope; a stone
is an opaque, grainy, irregular core in a weak lens of other glass; a scratch is a groove that sends light
aside. Dark field: light scattered where wall slopes face the lamps, so bubbles show double arcs, stones
bright cores, scratches lines whose strength depends on how they lie to the light. On the sheet: dust, fibres,
writing, dried drops, finger marks, suction rings, reflections, a chipped cut edge with what lies beyond.
Camera: tilt, radial distortion, defocus, motion, vignetting, flicker, noise, tone curve, a phone's smoothing
and sharpening, JPEG.

`Rendered.truth` holds "defects" (kind, place and sizes in mm, place in px, `visible` with the ratios of
signal to noise it follows from; see `visibility.py`) and "not_glass" (what, place, box). `length_mm` of a
bubble is its cavity's long axis, of a stone its core's caliper at half depth, of a scratch its arc length.

What the model leaves out: parallax of oblique view through a feature's depth and the mirror image in the back
face; polarisation and colour fringes; tempered or coated glass; interaction of overlapping features; ream,
knots and other lens-like faults without a core; cracks round stones; raw sensor patterns and demosaicing
beyond correlated grain; HDR stacking and local tone mapping of phones; moving glass. Lamp panels are flat and
even along their tubes.
"""

from vision.synthetic.point_spread import Blur
from vision.synthetic.raytraced.compose import encode, render, set_up
from vision.synthetic.raytraced.draw import random_scene
from vision.synthetic.raytraced.populate import STYLES
from vision.synthetic.raytraced.scene import (
    Camera,
    Clutter,
    DarkLight,
    Defect,
    LampPanel,
    Rendered,
    SceneSpec,
    Sensor,
    Tag,
)

__all__ = [
    "STYLES",
    "Blur",
    "Camera",
    "Clutter",
    "DarkLight",
    "Defect",
    "LampPanel",
    "Rendered",
    "SceneSpec",
    "Sensor",
    "Tag",
    "encode",
    "random_scene",
    "render",
    "set_up",
]
