"""What the booth's forms send, read and checked before anything is called with it."""

import math
from collections.abc import Mapping
from typing import Any

from models.errors import BadValue

SIZE_FIELDS = ("length_mm", "width_mm", "detection_distance_mm")

Point = tuple[float, float]


def number(form: Mapping[str, str], name: str, words: str) -> float | None:
    """A number typed with a decimal point or comma; None where the field is empty. Raises BadValue."""
    text = form.get(name, "").strip()
    if not text:
        return None
    try:
        value = float(text.replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        msg = f"{words}: {text[:40]!r} is no number; expected millimetres such as 0.85"
        raise BadValue(msg)
    return value


def changes(form: Mapping[str, str]) -> dict[str, Any]:
    """What a correction changes: kind and sizes that were filled in. Raises BadValue."""
    changed: dict[str, Any] = {}
    kind = form.get("kind") or form.get("finer_kind")
    if kind:
        changed["kind"] = kind
    for name in SIZE_FIELDS:
        value = number(form, name, name.removesuffix("_mm").replace("_", " "))
        if value is not None:
            changed[name] = value
    return changed


def taps(text: str) -> list[Point]:
    """The two ends touched on a photo, "x,y x,y" in pixels of the upright photo; empty when typed. Raises
    BadValue."""
    try:
        points = [(float(x), float(y)) for x, y in (pair.split(",") for pair in text.split())]
    except ValueError:
        points = []
    if (text.strip() and len(points) != 2) or not all(math.isfinite(v) for point in points for v in point):
        msg = "place on the photo: expected two touches, one at each end of the defect"
        raise BadValue(msg)
    return points


def whole(text: str | None) -> int | None:
    """A record's number from a form; None where there is none."""
    return int(text) if text and text.isascii() and text.isdigit() else None
