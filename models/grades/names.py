"""How a sentence names faults: a defect by its number, a find that is not decided yet by two of them."""

from __future__ import annotations

from collections.abc import Sequence


def called(names: Sequence[str]) -> str:
    """Faults by name, shortened: `defects 1, 4 and 9`, `find 2-7`, `defect 4 and finds 1-2 and 1-3`.

    names : as the caller names them; one with a hyphen (photo and number) is a find, not yet a defect.
    """
    defects = [name for name in names if "-" not in name]
    finds = [name for name in names if "-" in name]
    return " and ".join(
        f"{noun if len(some) == 1 else noun + 's'} {listing(some)}"
        for noun, some in (("defect", defects), ("find", finds))
        if some
    )


def listing(names: Sequence[str]) -> str:
    """Names as a sentence lists them, shortened after eight."""
    if len(names) > 8:
        return f"{', '.join(names[:6])} ... ({len(names)})"
    if len(names) > 1:
        return f"{', '.join(names[:-1])} and {names[-1]}"
    return "".join(names)
