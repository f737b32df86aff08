"""What is fixed about the demo plant: line, furnace, rolls, and the story of its three weeks.

Days and hours count from the start of the three weeks.
"""

from __future__ import annotations

from dataclasses import dataclass

PLANT, LINE, TIME_ZONE = "Eschenfurt", "L1", "Europe/Berlin"
DAYS = 21
FIRST_METRE = 1_284_000.0
GROSS_MM, NET_MM, SHEET_MM = 3500.0, 3210.0, 6000.0
X_LEFT_MM = (GROSS_MM - NET_MM) / 2
DENSITY = 2.5
PULL_T_PER_DAY = 512.0

FIGURES = {
    "melter_mass_t": 1480.0,
    "melter_plug_fraction": 0.32,
    "melter_tanks_in_series": 3.0,
    "refiner_mass_t": 260.0,
    "refiner_plug_fraction": 0.45,
    "refiner_tanks_in_series": 2.0,
    "density_t_per_m3": DENSITY,
    "gross_width_mm": GROSS_MM,
    "net_width_mm": NET_MM,
    "melter_mass_rel_tolerance": 0.04,
    "melter_plug_tolerance": 0.03,
    "melter_tanks_low": 2.6,
    "melter_tanks_high": 3.5,
    "refiner_mass_rel_tolerance": 0.05,
}

LAYOUT_M = {
    "bath_inlet": 208.0,
    "bath_bay_2": 188.0,
    "bath_outlet": 152.0,
    "lehr_inlet": 145.0,
    "lehr_outlet": 26.0,
    "inspection": 0.0,
    "cutter": -31.0,
}

#: name, diameter mm, metres upstream of inspection
ROLLS = (
    ("lift-out roll 1", 254.0, 151.0),
    ("lift-out roll 2", 256.4, 149.5),
    ("lehr roll 5", 300.2, 139.0),
    ("lehr roll 17", 302.6, 121.0),
    ("lehr roll 31", 305.1, 93.0),
    ("lehr roll 48", 298.7, 59.0),
    ("conveyor roll 3", 152.4, 14.0),
    ("conveyor roll 9", 153.9, -8.0),
)


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch of days made in one thickness for one grade."""

    from_day: float
    thickness_mm: float
    grade_id: str


RUNS = (
    Run(0.0, 4.0, "eschenfurt-window"),
    Run(4.4, 4.0, "eschenfurt-mirror"),
    Run(6.8, 6.0, "eschenfurt-window"),
    Run(10.2, 5.0, "eschenfurt-garden"),
    Run(12.6, 4.0, "eschenfurt-window"),
    Run(17.2, 6.0, "eschenfurt-mirror"),
    Run(19.1, 4.0, "eschenfurt-window"),
)
#: after a change of thickness the ribbon goes to cullet for so long
CHANGE_H = 2.5
#: the last minutes of ribbon are left for the sheets that the demo photos show
LEFT_FOR_PHOTOS_S = 600.0
#: hours without sheets for another reason: (from day, hours)
CULLET = ((11.35, 3.0),)
#: shifts in which nobody inspected, by number from the start
NOT_INSPECTED_SHIFTS = (17, 38)


@dataclass(frozen=True, slots=True)
class Happening:
    """An entry of the plant's diary; hours None: a moment."""

    event_id: str
    day: float
    hours: float | None
    kind: str
    text: str


STONE_EVENT = Happening(
    "E-118",
    8.30,
    11.0,
    "melter",
    "Hot repair of the crown over bay 3; refractory dust seen on the melt below",
)
STREET_EVENT = Happening("E-123", 14.60, None, "bath", "Cooler exchanged in bath bay 2, right side")
HAPPENINGS = (
    Happening("E-113", 1.10, None, "batch", "New delivery of dolomite, same supplier"),
    Happening("E-114", 3.42, 2.0, "melter", "Burner pair 4 off for cleaning"),
    Happening("E-115", 4.40, 2.5, "line", "Grade changed to mirror"),
    Happening("E-116", 6.80, 2.5, "line", "Thickness 4 to 6 mm"),
    Happening("E-117", 7.55, None, "batch", "Cullet share 22 to 26 %"),
    STONE_EVENT,
    Happening("E-119", 10.20, 2.5, "line", "Thickness 6 to 5 mm"),
    Happening("E-120", 11.35, 3.0, "cold_end", "Cutter bridge stopped, ribbon to cullet"),
    Happening("E-121", 12.60, 2.5, "line", "Thickness 5 to 4 mm"),
    Happening("E-122", 13.20, 0.5, "bath", "Hydrogen flow low alarm, acknowledged"),
    STREET_EVENT,
    Happening("E-124", 17.20, 2.5, "line", "Thickness 4 to 6 mm, grade mirror"),
    Happening("E-125", 17.90, None, "lehr", "Lehr roll 17: noise at the bearing, greased"),
    Happening("E-126", 18.75, 1.0, "cold_end", "Paper dust blown out at the stacker"),
    Happening("E-127", 19.10, 2.5, "line", "Thickness 6 to 4 mm, grade window"),
)

#: stones per m2 added while all glass comes from the upset, as a multiple of the background
STONE_STRENGTH = 34.0
#: the street in the bath: ribbon mm, spread mm, bubbles per metre, from day, to day
STREET_X_MM, STREET_SD_MM, STREET_PER_M = 2604.0, 16.0, 0.028
STREET_FROM, STREET_TO = 14.62, 16.70
#: marks of a lehr roll: which, ribbon mm, from day, to day, share seen
MARK_ROLL, MARK_X_MM = "lehr roll 17", 1182.0
MARK_FROM, MARK_TO, MARK_SEEN = 18.05, 18.42, 0.55

#: background per m2 of glass, at a crew that sees everything
RATES_PER_M2 = {"bubble": 0.042, "stone": 0.0062, "scratch": 0.0085}
#: how much of what is there each crew sees
SHARPNESS = {"A": 1.0, "B": 0.86, "C": 0.58, "D": 0.94}
#: part of the sheets that is inspected
INSPECTED_SHARE = 0.26
