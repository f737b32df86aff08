"""How each kind of defect is told apart: by shape and letter, never by colour alone."""

from dataclasses import dataclass

from models.grades.kinds import family, known, tidy

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

    @property
    def plural(self) -> str:
        """The word for several of them."""
        ending = "es" if self.label.endswith(("s", "x", "ch", "sh")) else "s"
        return self.label + ending


MARKS = {
    "bubble": Mark("bubble", "ring", "B", "bubble"),
    "stone": Mark("stone", "diamond", "S", "stone"),
    "scratch": Mark("scratch", "bar", "K", "scratch"),
}
NOT_GLASS = Mark("not_glass", "dotted", "N", "not glass")


def mark_for(kind: str) -> Mark:
    """The sign of a kind; a finer kind takes shape and letter of the kind it hangs under.

    A word that hangs under none of them gets the stone's shape and its own first letter, so that it is
    drawn and read rather than lost.
    """
    name = tidy(kind)
    if name in MARKS:
        return MARKS[name]
    if name == "not glass":
        return NOT_GLASS
    above = family(name) if known(name) else frozenset()
    for broad, like in (("bubble", "bubble"), ("foreign", "stone"), ("linear", "scratch")):
        if broad in above:
            return Mark(kind, MARKS[like].shape, MARKS[like].letter, name)
    return Mark(kind, "diamond", name[:1].upper() or "?", name)
