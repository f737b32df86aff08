"""How one shift's rate is said, in figures, tables and charts."""

from datetime import tzinfo

from models.rates import Rate
from models.sheet.looked_words import count_words
from models.shift_rates import ShiftRate
from webapp.figures.axes import per_1000

__all__ = ["no_rate_words", "rate_words", "shift_name"]


def shift_name(shift: ShiftRate, zone: tzinfo) -> str:
    """Name, crew and begin of a shift."""
    crew = f", crew {shift.crew}" if shift.crew else ""
    return f"{shift.name}{crew}, {shift.begin.astimezone(zone).strftime('%a %d %b %H:%M')}"


def no_rate_words(shift: ShiftRate) -> str:
    """What stands where a shift has no rate: unknown, or not looked at; never a count of none."""
    return count_words(0, shift.looked_fraction)


def rate_words(shift: ShiftRate, rate: Rate | None, zone: tzinfo) -> str:
    """One shift's rate of one kind as a sentence, and what of the shift is not in it.

    rate : None for a shift without any
    """
    if rate is None or rate.per_m2 is None or rate.low_per_m2 is None or rate.high_per_m2 is None:
        said = no_rate_words(shift)
    else:
        said = (
            f"{rate.count} in {rate.area_m2:.0f} m², {per_1000(rate.per_m2)} per 1000 m² "
            f"({per_1000(rate.low_per_m2)} to {per_1000(rate.high_per_m2)})"
        )
    return "; ".join((f"{shift_name(shift, zone)}: {said}", *shift.apart.words))
