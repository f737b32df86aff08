"""How large the letters of wide drawings are, so that layouts keep room for them.

A wide drawing has WIDTH units across. On a tablet held upright and on paper it shrinks to two thirds; there
the style sheet draws its letters in LETTER units, which come out at 12 px. Layouts reckon with these.
"""

__all__ = ["LETTER", "WIDTH", "room_for"]

WIDTH = 1100.0
LETTER = 17.6
#: width of an average letter against its size, for the widest of the system fonts
ASPECT = 0.62


def room_for(text: str) -> float:
    """Drawing units that a text takes at most."""
    return len(text) * LETTER * ASPECT
