"""The parametric renderer: patterns after domain parameters that are drawn anew for every photo.

Domain randomisation: each photo first draws how bubbles, stones, scratches, dust, fibres, pen and smears look
in it, how strong they are, how the glass is lit and what the camera does; the single things then keep to
these parameters with a modest spread. Over many photos the looks overlap broadly, within one photo they do
not, so the networks have to lean on what holds everywhere: a bubble's ring is symmetric and drawn out along
y, a stone is an opaque core in a disturbed zone, dust is irregular and has none.

Left out: perspective and lens distortion, depth, polarisation, things that overlap optically.
"""

from vision.synthetic.parametric.field import ParametricPhoto, draw_field

__all__ = ["ParametricPhoto", "draw_field"]
