"""What is in the photo, in sheet mm and in pixels, and whether it can be seen: computed, not guessed.

For each pixel the clean change that a defect makes is divided by the noise there (shot, read, rounding to 8
bits, and for dark field the mottle of the ground). `snr` is the largest such ratio, `snr_total` the root of
the sum of squares: what a filter of exactly the right shape would reach. A spot is `visible` from SPOT_PEAK
and SPOT_TOTAL on, if its middle lies inside field, sheet and picture and under no tag. A scratch is judged
by the median over its length of the best pixel across it, and by its total.
"""

from __future__ import annotations

import numpy as np

from vision.synthetic.raytraced import sensor
from vision.synthetic.raytraced.canvas import Canvas
from vision.synthetic.raytraced.light import local_light
from vision.synthetic.raytraced.scene import Defect, Floats, Plane, SceneSpec
from vision.synthetic.truth import LINE_PEAK, LINE_TOTAL, SPOT_PEAK, SPOT_TOTAL, DefectTruth

LEAST_SCRATCH_PX = 8.0


def noise_sd(spec: SceneSpec, light: Floats | Plane, gain: float) -> Plane:
    """Standard deviation of one pixel of the sensor's signal (1 = full scale) over a given scene light."""
    signal = np.maximum(np.asarray(light, dtype=np.float64) * gain, 1e-6)
    rounding = 0.5 * spec.sensor.gamma * np.clip(signal, 1e-4, 1) ** (1 - 1 / spec.sensor.gamma) / 255
    mottle = spec.dark.cloth * signal * 0.15 if spec.lighting == "dark_field" else 0.0
    return np.asarray(
        np.sqrt(sensor.noise_variance(spec.sensor, signal) + rounding**2 + mottle**2), dtype=np.float32
    )


def spot_snr(spec: SceneSpec, before: Plane, change: Plane, place_px: Floats) -> dict[str, float]:
    """Signal to noise of one spot from the green light before it and the change it makes, both (h, w)."""
    gain = sensor.local_gain(spec, float(place_px[0]), float(place_px[1]))
    clipped = np.clip((before + change) * gain, 0, 1) - np.clip(before * gain, 0, 1)
    ratio = np.abs(clipped) / noise_sd(spec, before, gain)
    return {
        "snr": float(ratio.max(initial=0.0)),
        "snr_total": float(np.sqrt((ratio.astype(float) ** 2).sum())),
    }


def line_snr(spec: SceneSpec, laid: dict[str, Floats], before: Floats, place_px: Floats) -> dict[str, float]:
    """Signal to noise of a scratch: the median along it of the best pixel across it, and the total."""
    gain = sensor.local_gain(spec, float(place_px[0]), float(place_px[1]))
    ratio = np.abs(laid["change"]) * gain / noise_sd(spec, before, gain)
    bins = np.clip((laid["along"] * 100).astype(int), 0, 99)
    best = np.zeros(100)
    np.maximum.at(best, bins, ratio)
    return {"snr": float(np.median(best)), "snr_total": float(np.sqrt((ratio.astype(float) ** 2).sum()))}


def defect_truth(
    canvas: Canvas,
    defect: Defect,
    spec: SceneSpec,
    sizes: tuple[float, float, float],
    halo_mm: float | None,
    snr: dict[str, float],
) -> DefectTruth:
    """One entry of truth["defects"]; `sizes` are length and width in mm and the direction in degrees."""
    place = canvas.projection.mm_to_px([(defect.x_mm, defect.y_mm)])[0]
    mm_per_px = canvas.projection.mm_per_px_at((defect.x_mm, defect.y_mm))
    seen = _in_sight(canvas, defect, spec, place)
    if defect.kind == "scratch":
        visible = snr["snr"] >= LINE_PEAK and snr["snr_total"] >= LINE_TOTAL
        visible = visible and sizes[0] >= LEAST_SCRATCH_PX * mm_per_px
    else:
        visible = snr["snr"] >= SPOT_PEAK and snr["snr_total"] >= SPOT_TOTAL
    return {
        "kind": defect.kind,
        "style": defect.style,
        "x_mm": round(defect.x_mm, 4),
        "y_mm": round(defect.y_mm, 4),
        "length_mm": round(sizes[0], 4),
        "width_mm": round(sizes[1], 4),
        "halo_mm": None if halo_mm is None else round(halo_mm, 3),
        "angle_deg": round(sizes[2] % 180, 2),
        "path_mm": _rounded(np.asarray(defect.path_mm)),
        "path_px": _rounded(canvas.projection.mm_to_px(defect.path_mm)) if defect.path_mm else None,
        "x_px": round(float(place[0]), 3),
        "y_px": round(float(place[1]), 3),
        "length_px": round(sizes[0] / mm_per_px, 3),
        "mm_per_px": round(mm_per_px, 6),
        "visible": bool(visible and seen),
        "snr": round(snr["snr"], 2),
        "snr_total": round(snr["snr_total"], 2),
    }


def _rounded(path: Floats) -> list[list[float]] | None:
    return [[round(float(x), 3), round(float(y), 3)] for x, y in path] if path.size else None


def _in_sight(canvas: Canvas, defect: Defect, spec: SceneSpec, place: Floats) -> bool:
    x0, y0, x1, y1 = spec.field_mm
    if not (x0 <= defect.x_mm <= x1 and y0 <= defect.y_mm <= y1):
        return False
    if not (0 <= defect.x_mm <= spec.sheet_mm[0] and 0 <= defect.y_mm <= spec.sheet_mm[1]):
        return False
    if not (0 <= place[0] <= canvas.width and 0 <= place[1] <= canvas.height):
        return False
    for tag in spec.tags:
        corners = np.asarray(tag.corners_mm)
        side = float(np.hypot(*(corners[1] - corners[0])))
        if float(np.abs(corners.mean(axis=0) - [defect.x_mm, defect.y_mm]).max()) < 0.65 * side:
            return False
    return local_light(spec, defect.x_mm, defect.y_mm) > 0
