"""How each kind of defect is told apart: by shape and letter, never by colour alone."""

from dataclasses import dataclass

__all__ = ["MARKS", "NOT_GLASS", "Mark", "mark_for"]


@dataclass(frozen=True, slots=True)
class Mark:
    """One kind's sign.

    shape  : "ring", "diamond", "bar" or "dotted"
    letter : one capital, printed beside the shape
    label  : the word shown in legends
    """

    kind: str
    shape: str
    letter: str
    label: str


MARKS = {
    "bubble": Mark("bubble", "ring", "B", "bubble"),
    "stone": Mark("stone", "diamond", "S", "stone"),
    "scratch": Mark("scratch", "bar", "K", "scratch"),
}
NOT_GLASS = Mark("not_glass", "dotted", "N", "not glass")

# The finer words that plants and imports use hang under the three kinds.
_FINER = {
    "seed": "bubble",
    "open bubble": "bubble",
    "blister": "bubble",
    "knot": "stone",
    "tin speck": "stone",
    "top speck": "stone",
    "dross": "stone",
    "ream": "scratch",
    "roll mark": "scratch",
    "rub": "scratch",
    "chip": "scratch",
}


def mark_for(kind: str) -> Mark:
    """The sign of a kind; a finer kind takes its parent's shape and letter and keeps its own label.

    A word that nobody has placed yet gets the stone's shape and its own first letter, so that it is
    drawn and read rather than lost.
    """
    name = kind.replace("_", " ")
    if name in MARKS:
        return MARKS[name]
    if name == "not glass":
        return NOT_GLASS
    parent = _FINER.get(name)
    if parent is not None:
        return Mark(kind, MARKS[parent].shape, MARKS[parent].letter, name)
    return Mark(kind, "diamond", name[:1].upper() or "?", name)
