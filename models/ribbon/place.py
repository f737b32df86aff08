"""From a place on a sheet to a place on the ribbon, and back."""

from __future__ import annotations

from typing import TypeVar

import numpy as np

Number = TypeVar("Number", float, np.ndarray)


def ribbon_place(
    x_left_mm: Number, ribbon_start_m: Number, x_mm: Number, y_mm: Number
) -> tuple[Number, Number]:
    """Place of a point of a sheet on the ribbon.

    Parameters
    ----------
    x_left_mm : float or array, where the sheet's left side lies, from the ribbon's left gross edge
    ribbon_start_m : float or array, counter reading of the sheet's leading edge
    x_mm, y_mm : float or array, sheet coordinates: across the ribbon, and against its travel

    Returns
    -------
    (ribbon_x_mm, ribbon_m) : millimetres from the left gross edge, metres on the counter
    """
    return x_left_mm + x_mm, ribbon_start_m + y_mm / 1000.0
