"""What stands round a drawn sheet: the way it travels, its edges' names, the scale."""

from webapp.figures.sheet_shapes import Box, Line, Shape, Words

__all__ = ["frame", "scale_mm"]

#: lengths that a scale bar may have
_BARS_MM = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000)
#: a scale bar is at most this part of what is drawn
_BAR_PART = 0.45


def scale_mm(width_mm: float) -> int:
    """The scale bar for a drawing of so many mm across; the shortest is 1 mm."""
    return max((mm for mm in _BARS_MM if mm <= _BAR_PART * width_mm), default=_BARS_MM[0])


def frame(glass: Box, per_mm: float, letter: float, window_mm: Box) -> tuple[Shape, ...]:
    """The words and lines round the glass.

    glass : its box in the drawing.
    window_mm : what of the sheet is drawn; its edges have names where they are the sheet's own.
    """
    x0, y0, x1, y1 = glass
    middle = (x0 + x1) / 2
    head, tip, wing = y0 - 1.3 * letter, y0 - 2.6 * letter, 0.4 * letter
    bar_mm = scale_mm(window_mm[2] - window_mm[0])
    bar, foot = bar_mm * per_mm, y1 + 1.3 * letter
    shapes: list[Shape] = [
        Line(
            "travel",
            (
                ((middle, head), (middle, tip)),
                ((middle - wing, tip + 1.4 * wing), (middle, tip), (middle + wing, tip + 1.4 * wing)),
            ),
        ),
        Words("edge-name", middle + letter, tip + letter, "travel"),
        Words(
            "edge-name", x0, y0 - 0.4 * letter, "leading edge" if window_mm[1] <= 0.0 else "part of the sheet"
        ),
        Line(
            "axis",
            (((x0, foot - 0.4 * letter), (x0, foot), (x0 + bar, foot), (x0 + bar, foot - 0.4 * letter)),),
        ),
        Words(
            "tick", x0 + bar + 0.6 * letter, foot, f"{bar_mm} mm" if bar_mm < 1000 else f"{bar_mm // 1000} m"
        ),
    ]
    if window_mm[0] <= 0.0:
        shapes.append(Words("edge-name", x0 - 0.6 * letter, y0, "left side", "end", turned=True))
    return tuple(shapes)
