"""A third renderer for the training set: stamps after the habits of a world drawn anew for every photo.

Each photo first draws how bubbles, stones, scratches, dust, fibres, pen and smears look in it, how strong
they are, how the glass is lit and what the camera does; the single things then keep to these habits with a
modest spread. Over many photos the looks overlap broadly, within one photo they do not, so the learner has to
lean on what holds in every world: a bubble's ring is symmetric and drawn out along y, a stone is an opaque
core in a disturbed zone, dust is irregular and has none.

Left out: perspective and lens distortion, depth, polarisation, things that overlap optically.
"""

from vision.train.stamped.field import Stamped, stamp_field

__all__ = ["Stamped", "stamp_field"]
