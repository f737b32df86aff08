"""What kind, width and words say about the section before any counting (common practice, no source).

A narrow band points to bath or lehr, the full width to the melter, a surface mark to whatever touches the
glass. These are weights for an association, all of them well above 0: the data decide.
"""

from __future__ import annotations

import math

SECTIONS = ("melter", "refiner", "bath", "lehr", "cold_end")
SURFACE_KINDS = ("scratch", "rub", "roll mark", "roll", "chip", "dig", "shell", "crush", "imprint")
TIN_KINDS = ("tin", "dross", "bloom", "crater drip", "open bubble", "top speck")
COLD_KINDS = ("chip", "shell", "crush", "dig")

#            melter refiner bath  lehr  cold end
_GLASS_WIDE = (0.40, 0.27, 0.27, 0.03, 0.03)
_GLASS_BAND = (0.10, 0.30, 0.52, 0.05, 0.03)
_GLASS_NARROW = (0.01, 0.05, 0.80, 0.10, 0.04)
_SURFACE = (0.01, 0.02, 0.09, 0.58, 0.30)
_SURFACE_COLD = (0.01, 0.01, 0.03, 0.15, 0.80)
_TIN = (0.03, 0.04, 0.85, 0.05, 0.03)

WORDS = {
    "melter": (
        "melter", "melting", "batch", "cullet", "burner", "flame", "crown", "charger", "charging", "boost",
        "fining", "bubbler", "regenerator", "reversal", "furnace", "sand", "soda", "sulfate", "sulphate",
        "gas", "oxygen", "combustion", "doghouse", "glass level", "level", "feeder",
    ),
    "refiner": (
        "refiner", "working end", "conditioning", "stirrer", "waist", "neck", "throat", "canal", "cooler",
        "working", "cooling air",
    ),
    "bath": (
        "bath", "tin", "hydrogen", "nitrogen", "h2", "n2", "dew", "top roll", "lip", "tweel", "atmosphere",
        "bay", "heater", "spout", "dross", "drip", "roof",
    ),
    "lehr": ("lehr", "roll", "so2", "anneal", "lift-out", "liftout", "fan", "lift out"),
    "cold_end": ("cutter", "cutting", "washer", "stacker", "snap", "conveyor", "cold end", "powder"),
}  # fmt: skip


def kind_family(kind: str) -> str:
    """ "surface", "tin", "cold" or "glass" for a kind of defect."""
    word = kind.lower().replace("_", " ")
    if any(k in word for k in COLD_KINDS):
        return "cold"
    if any(k in word for k in SURFACE_KINDS):
        return "surface"
    if any(k in word for k in TIN_KINDS):
        return "tin"
    return "glass"


def section_prior(share_of_width: float, kind: str) -> dict[str, float]:
    """Prior probability of each section, by the share of the ribbon's width and the kind."""
    family = kind_family(kind)
    if family == "glass":
        if share_of_width > 0.75:
            row = _GLASS_WIDE
        elif share_of_width > 0.2:
            row = _GLASS_BAND
        else:
            row = _GLASS_NARROW
    else:
        row = {"surface": _SURFACE, "cold": _SURFACE_COLD, "tin": _TIN}[family]
    return dict(zip(SECTIONS, row, strict=True))


def section_log_prior(fit_section: str, share_of_width: float, kind: str) -> float:
    """Log prior of a fit: "sharp" stands for bath, lehr and cold end together."""
    prior = section_prior(share_of_width, kind)
    if fit_section == "sharp":
        return math.log(prior["bath"] + prior["lehr"] + prior["cold_end"])
    return math.log(prior[fit_section])


def words_fit(text: str, section: str) -> float:
    """How an event's words speak for a section: above 1 for it, below 1 for another, 1 for nothing said."""
    low = text.lower().replace("_", " ")
    named = {s for s, words in WORDS.items() if any(w in low for w in words)}
    if not named:
        return 1.0
    return 3.0 if section in named else 0.35
