"""How well photos are inspected, beside general-purpose libraries, on rendered photos of unseen seeds.

    python tests/bench/detection.py --photos 24 --megapixels 12 --seed 500000 --rivals

Prints a table in Markdown: recall of visible defects at 1, 3 and 10 false calls per square metre, by size
band and for scratches, length errors, kinds, uncertainties, false calls on clean photos, and cost as a ratio
to OpenCV's colour decoding of the same file (processor time of the one thread that works, so that other work
on the machine does not count). No absolute time is a promise: read the ratios.
"""

from __future__ import annotations

import argparse
import sys
import time
from pathlib import Path

import cv2
import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from detection_rivals import rivals, timed
from detection_scores import (
    BANDS,
    Call,
    Shot,
    in_band,
    is_scratch,
    length_errors,
    link,
    pairs,
    recall,
    threshold_at,
)

from vision import PhotoSetup, inspect_photo
from vision.synthetic.raytraced import SceneSpec, encode, random_scene, render
from vision.synthetic.raytraced.camera import Projection

RATES = (1.0, 3.0, 10.0)
OURS = "lehrbook"


def truth_of(scene: SceneSpec, truth: dict) -> list[dict]:
    """Defects of the truth with the course of scratches in px."""
    projection = Projection(scene.camera)
    for defect in truth["defects"]:
        if defect["path_mm"]:
            defect["path_px"] = projection.mm_to_px(defect["path_mm"])
    return truth["defects"]


def inspected(data: bytes, setup: dict) -> tuple[list[Call], float]:
    """Our calls on one photo, and seconds."""
    told = PhotoSetup.from_dict(setup, where="bench")
    start = time.thread_time()
    result = inspect_photo(data, told, name="bench")
    seconds = time.thread_time() - start
    calls = [
        Call(
            find.x_px,
            find.y_px,
            find.length_px,
            find.score,
            None if find.not_glass else find.kind,
            None if find.path_px is None else np.asarray(find.path_px),
            find.length_mm,
            find.length_sd_mm,
            find.x_mm,
            find.y_mm,
        )
        for find in result.finds
    ]
    return calls, seconds


def glass(scene: SceneSpec) -> tuple[np.ndarray, float]:
    """Mask of the glass inside the field without the tags, uint8, and its area in square metres."""
    camera, projection = scene.camera, Projection(scene.camera)
    x0, y0, x1, y1 = scene.field_mm
    x0, y0, x1, y1 = max(x0, 0), max(y0, 0), min(x1, scene.sheet_mm[0]), min(y1, scene.sheet_mm[1])
    t = np.linspace(0, 1, 40)[:-1]
    rim = np.concatenate(
        [
            np.column_stack([x0 + (x1 - x0) * t, np.full(39, y0)]),
            np.column_stack([np.full(39, x1), y0 + (y1 - y0) * t]),
            np.column_stack([x1 - (x1 - x0) * t, np.full(39, y1)]),
            np.column_stack([np.full(39, x0), y1 - (y1 - y0) * t]),
        ]
    )
    mask = np.zeros((camera.height_px, camera.width_px), np.uint8)
    cv2.fillPoly(mask, [np.round(projection.mm_to_px(rim)).astype(np.int32)], 255)
    mask = cv2.erode(mask, np.ones((9, 9), np.uint8))
    for tag in scene.tags:
        corners = np.asarray(tag.corners_mm)
        wide = corners.mean(axis=0) + (corners - corners.mean(axis=0)) * 1.5
        cv2.fillPoly(mask, [np.round(projection.mm_to_px(wide)).astype(np.int32)], 0)
    return mask, (x1 - x0) * (y1 - y0) / 1e6


def decode_seconds(data: bytes) -> float:
    """Median of three colour decodings by OpenCV."""
    raw, times = np.frombuffer(data, np.uint8), []
    for _ in range(3):
        start = time.thread_time()
        cv2.imdecode(raw, cv2.IMREAD_COLOR)
        times.append(time.thread_time() - start)
    return float(np.median(times))


def measure(
    photos: int, megapixels: float, seed: int, with_rivals: bool, clean: int
) -> dict[str, list[Shot]]:
    """Shots of each detector; clean photos come as the list "clean"."""
    others = rivals() if with_rivals else {}
    shots: dict[str, list[Shot]] = {name: [] for name in [OURS, *others]}
    shots["clean"] = []
    for number in range(photos + clean):
        rng = np.random.default_rng([seed, number])
        is_clean = number >= photos
        lighting = ("bright_field", "dark_field")[number % 2]
        scene = random_scene(
            rng,
            lighting=lighting,
            megapixels=megapixels,
            difficulty=float(rng.uniform(0, 1)),
            defects=(0, 0, 0) if is_clean else None,
        )
        shot = render(scene, rng)
        data = encode(shot, scene.sensor.jpeg_quality)
        defects = truth_of(scene, shot.truth)
        mask, area = glass(scene)
        decode, size = decode_seconds(data), shot.image.shape[0] * shot.image.shape[1] / 1e6
        if not number:
            inspected(data, shot.setup)  # the first photo of a process also loads what all photos share
        calls, seconds = inspected(data, shot.setup)
        shots["clean" if is_clean else OURS].append(Shot(defects, calls, area, seconds, decode, size))
        if not is_clean:
            grey = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
            for name, detect in others.items():
                calls, seconds = timed(detect, grey, mask, lighting == "dark_field")
                shots[name].append(Shot(defects, calls, area, seconds, decode, size))
        print(f"photo {number + 1} of {photos + clean}", file=sys.stderr, flush=True)
    for group in shots.values():
        for shot in group:
            link(shot)
    return shots


def percent(found: int, total: int) -> str:
    """A share with its count, or a dash where there is nothing to count."""
    return f"{100 * found / total:.0f} % ({found}/{total})" if total else "–"


def comparison(shots: dict[str, list[Shot]]) -> list[str]:
    """The table of all detectors, in Markdown."""
    names = [name for name in shots if name != "clean"]
    rows = [["", *names], ["---"] * (len(names) + 1)]
    limits = {name: {rate: threshold_at(shots[name], rate) for rate in RATES} for name in names}
    for rate in RATES:
        found = [percent(*recall(shots[n], limits[n][rate])) for n in names]
        rows.append([f"visible defects found at {rate:g} false calls per m²", *found])
    for low, high in BANDS:
        label = (
            f"spots under {high:g} px"
            if low == 0
            else f"spots of {low:g} px up" + (f" to {high:g}" if high < 99 else "")
        )
        rows.append(
            [
                f"{label}, at 3",
                *(percent(*recall(shots[n], limits[n][3.0], in_band(low, high))) for n in names),
            ]
        )
    rows.append(["scratches, at 3", *(percent(*recall(shots[n], limits[n][3.0], is_scratch)) for n in names)])
    for label, wanted in (("spots over 3 px", in_band(3, np.inf)), ("scratches", is_scratch)):
        errors = [length_errors(pairs(shots[n], limits[n][3.0], wanted)) for n in names]
        cells = [
            f"{100 * np.median(e):.1f} / {100 * np.percentile(e, 90):.0f} %" if len(e) else "–"
            for e in errors
        ]
        rows.append([f"length error of {label}, median / 90th percentile", *cells])
    ratios = [np.median([s.seconds / s.decode_s for s in shots[n]]) for n in names]
    rows.append(["cost, in colour decodings of the same file", *(f"{r:.1f}" for r in ratios)])
    per_mp = [np.median([s.seconds / s.megapixels for s in shots[n]]) for n in names]
    rows.append(["seconds per megapixel on this machine", *(f"{v:.4f}" for v in per_mp)])
    return ["| " + " | ".join(row) + " |" for row in rows]


def ours_alone(shots: list[Shot], clean: list[Shot]) -> list[str]:
    """What only our pipeline gives: kinds, places, uncertainties, what it reports on clean photos."""
    limit = threshold_at(shots, 3.0)
    everything = pairs(shots, limit, lambda d: True)
    named = [(call, d) for call, d in everything if call.kind is not None]
    right = sum(call.kind == d["kind"] for call, d in named)
    out = [f"- kind right: {percent(right, len(named))}; {', '.join(_per_kind(named))}"]
    reported = sum(
        call.kind is not None and bool(f) for s in shots for call, f in zip(s.calls, s.false, strict=True)
    )
    area = sum(s.glass_m2 for s in shots)
    hits = sum(s.calls[i].kind is not None and s.defects[j]["visible"] for s in shots for i, j in s.links)
    total = sum(d["visible"] for s in shots for d in s.defects)
    out.append(
        f"- as delivered (no threshold moved): {percent(hits, total)} found, "
        f"{reported} false calls on {area:.1f} m² in {len(shots)} photos"
    )
    if clean:
        false = [sum(call.kind is not None for call in s.calls) for s in clean]
        out.append(f"- clean photos with dirt about: {sum(false)} false calls in {len(clean)} photos")
    spots = [(c, d) for c, d in everything if d["kind"] != "scratch"]
    if spots:
        gaps = np.array([np.hypot(c.x_px - d["x_px"], c.y_px - d["y_px"]) for c, d in spots])
        far = np.percentile(gaps, 90)
        out.append(f"- place of spots: median {np.median(gaps):.2f} px, 90th percentile {far:.2f} px")
    on_sheet = [(c, d) for c, d in spots if c.x_mm is not None and c.y_mm is not None]
    if on_sheet:
        gaps = np.array([np.hypot(c.x_mm - d["x_mm"], c.y_mm - d["y_mm"]) for c, d in on_sheet])
        fine = np.mean(
            [g <= max(0.1, 0.3 * d["mm_per_px"]) for g, (_, d) in zip(gaps, on_sheet, strict=True)]
        )
        near = f"{100 * fine:.0f} %"
        out.append(f"- place on the sheet: median {np.median(gaps):.3f} mm; within 0.1 mm or 0.3 px: {near}")
    sized = [(c, d) for c, d in spots if c.length_mm and c.length_sd_mm]
    if sized:
        z = np.abs([(c.length_mm - d["length_mm"]) / c.length_sd_mm for c, d in sized])
        one, two = (f"{100 * np.mean(z < k):.0f} %" for k in (1, 2))
        out.append(f"- length within 1 and 2 standard uncertainties: {one} and {two}")
    return out


def _per_kind(named: list[tuple[Call, dict]]) -> list[str]:
    out = []
    for kind in ("bubble", "stone", "scratch"):
        of_kind = [call for call, defect in named if defect["kind"] == kind]
        out.append(f"{kind} {percent(sum(call.kind == kind for call in of_kind), len(of_kind))}")
    return out


def main() -> int:
    parser = argparse.ArgumentParser(description="Measure the detector on rendered photos of unseen seeds.")
    parser.add_argument("--photos", type=int, default=12, help="photos with defects (default 12)")
    parser.add_argument("--clean", type=int, default=4, help="photos without defects (default 4)")
    parser.add_argument("--megapixels", type=float, default=12.0)
    parser.add_argument("--seed", type=int, default=500_000, help="other seeds give other photos")
    parser.add_argument(
        "--rivals", action="store_true", help="measure general-purpose libraries as well (slow)"
    )
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    shots = measure(asked.photos, asked.megapixels, asked.seed, asked.rivals, asked.clean)
    total = sum(d["visible"] for s in shots[OURS] for d in s.defects)
    print(
        f"{asked.photos} rendered photos of {asked.megapixels:g} megapixels, seed {asked.seed}, "
        f"{total} visible defects, {sum(s.glass_m2 for s in shots[OURS]):.1f} m² of glass, one thread\n"
    )
    print("\n".join(comparison(shots)))
    print()
    print("\n".join(ours_alone(shots[OURS], shots["clean"])))
    return 0


if __name__ == "__main__":
    sys.exit(main())
