"""The kinds of defect and how the finer ones hang under the broad ones.

A rule that names a kind takes in every kind under it: a rule for `bubble` judges a `seed`. The broad kinds
`point` and `linear` gather what standards call point blemishes or spot faults, and linear blemishes.
"""

from __future__ import annotations

from functools import cache

_PARENT: dict[str, str | None] = {
    "point": None,
    "spot": "point",
    "bubble": "point",
    "seed": "bubble",
    "blister": "bubble",
    "open bubble": "bubble",
    "long bubble": "bubble",
    "foreign": "point",  # any point fault that holds no gas
    "stone": "foreign",
    "inclusion": "stone",
    "refractory stone": "stone",
    "batch stone": "stone",
    "devitrification": "stone",
    "nickel sulfide": "stone",
    "knot": "foreign",
    "dirt": "foreign",
    "tin speck": "foreign",
    "top speck": "foreign",
    "dross": "foreign",
    "crush": "foreign",
    "pinhole": "point",
    "coating spot": "point",
    "residue": "point",
    "distortion point": "point",
    "roll mark": "point",
    "crater": "bubble",
    "crater drip": "foreign",
    "tin pickup": "dross",
    "azs stone": "refractory stone",
    "metal": "stone",
    "linear": None,
    "scratch": "linear",
    "hairline scratch": "scratch",
    "palpable scratch": "scratch",
    "rub": "linear",
    "dig": "linear",
    "ream": "linear",
    "cord": "ream",
    "string": "ream",
    "edge": None,
    "chip": "edge",
    "v chip": "chip",
    "shell": "chip",
    "bump": "edge",
    "missing corner": "edge",
    "crack": None,
    "star damage": "crack",
    "area": None,
    "stain": "area",
    "bloom": "area",
    "colour difference": "area",
}

KINDS: tuple[str, ...] = tuple(_PARENT)
"""Every kind a rule or a defect may name."""


_SHORT = {
    "hairline": "hairline scratch",
    "edge chip": "chip",
    "spot fault": "spot",
    "top tin": "top speck",
    "tin pick up": "tin pickup",
}


def tidy(kind: str) -> str:
    """The house spelling of a kind: lower case, words parted by one blank, and the usual short forms in
    full.
    """
    name = " ".join(kind.replace("_", " ").replace("-", " ").lower().split())
    return _SHORT.get(name, name)


def known(kind: str) -> bool:
    """Whether `kind`, in house spelling, is one of KINDS."""
    return kind in _PARENT


@cache
def family(kind: str) -> frozenset[str]:
    """`kind` and every broader kind above it; a kind that is not in the list stands alone."""
    names = set()
    step: str | None = kind
    while step is not None:
        names.add(step)
        step = _PARENT.get(step)
    return frozenset(names)


def is_line(kind: str) -> bool:
    """Whether the kind has a length along a line rather than a diameter."""
    return "linear" in family(kind)
