"""Whether the detector's scores are probabilities: stated score against how often it is right, as table and
plot.

    python -m tests.bench.reliability [--photos 60] [--out webapp/guides/pictures/reliability.svg]

Photos as they come from a line, of each family of renderings, seeds that nobody trained or chose on. Of
several finds on one defect the surest stands for it; finds on a defect that nobody can see count neither way.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import cv2
import numpy as np

from vision import Find, PhotoSetup, inspect_photo
from vision.synthetic.photos import TESTING, Shot, shot_of

FAMILIES = ("raytraced", "sprites", "parametric")
BINS = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0001])
SIDE, MARGIN, Z = 420, 60, 1.0  # plot in px; bars of one standard error (Wilson)
MARKS = {
    "raytraced": '<circle cx="{x:.1f}" cy="{y:.1f}" r="5" fill="none" stroke="#111" stroke-width="2"/>',
    "sprites": '<rect x="{l:.1f}" y="{t:.1f}" width="9" height="9" fill="#111"/>',
    "parametric": '<path d="M{x:.1f} {t:.1f}l6 10h-12z" fill="#777" stroke="#111"/>',
}


def _to_path(x: float, y: float, path: np.ndarray) -> float:
    a, step = path[:-1], np.diff(path, axis=0)
    t = np.clip(((x - a[:, 0]) * step[:, 0] + (y - a[:, 1]) * step[:, 1]) / (step**2).sum(1), 0, 1)
    return float(np.hypot(x - a[:, 0] - t * step[:, 0], y - a[:, 1] - t * step[:, 1]).min())


def stands_on(find: Find, shot: Shot) -> list[int]:
    """The defects of the truth at a find's place."""
    out = []
    for k, row in enumerate(shot.defects):
        if row["kind"] == "scratch":
            near = _to_path(find.x_px, find.y_px, np.asarray(row["path_px"])) < 5
        else:
            gap = np.hypot(find.x_px - row["x_px"], find.y_px - row["y_px"])
            near = gap < max(2.0, 0.5 * row["length_px"]) + 1
        if near:
            out.append(k)
    return out


def stated_and_true(family: str, photos: int) -> tuple[np.ndarray, np.ndarray]:
    """Scores of all finds that count, and whether each is a defect."""
    score, true = [], []
    for seed in range(TESTING.start + 50_000, TESTING.start + 50_000 + photos):
        shot = shot_of(seed, family, 2.2, crowded=False)
        result = inspect_photo(shot.data, PhotoSetup.from_dict(shot.setup, where="bench"), name="bench")
        taken: set[int] = set()
        for find in sorted(result.finds, key=lambda f: -f.score):
            on = stands_on(find, shot)
            if any(k in taken or not shot.defects[k]["visible"] for k in on):
                continue
            taken.update(on)
            score.append(find.score)
            true.append(bool(on))
        print(f"{family}: photo {seed - TESTING.start - 49_999} of {photos}", file=sys.stderr, flush=True)
    return np.array(score), np.array(true)


def wilson(found: int, total: int) -> tuple[float, float]:
    """Interval of a share (E. B. Wilson, J. Amer. Statist. Assoc. 22 (1927))."""
    p, z2 = found / total, Z**2
    middle = (p + z2 / (2 * total)) / (1 + z2 / total)
    half = Z * np.sqrt(p * (1 - p) / total + z2 / (4 * total**2)) / (1 + z2 / total)
    return middle - half, middle + half


def binned(score: np.ndarray, true: np.ndarray) -> list[tuple[float, int, int]]:
    """Mean score, right ones and all, of each bin that holds at least five finds."""
    place = np.digitize(score, BINS) - 1
    some = [place == k for k in range(len(BINS) - 1)]
    return [(float(score[s].mean()), int(true[s].sum()), int(s.sum())) for s in some if s.sum() >= 5]


def plot(rows: dict[str, list[tuple[float, int, int]]]) -> str:
    """SVG: the diagonal is an honest score; marks with bars, one shape a family."""

    def at(x: float, y: float) -> tuple[float, float]:
        return MARGIN + x * SIDE, MARGIN / 2 + (1 - y) * SIDE

    wide, high = SIDE + MARGIN * 1.5, SIDE + MARGIN * 1.6
    out = [
        (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {wide:.0f} {high:.0f}" width="{wide:.0f}" '
            f'height="{high:.0f}" font-family="sans-serif" font-size="14">'
        ),
        f"<title>Stated score and share of defects</title><rect width='{wide}' height='{high}' fill='#fff'/>",
    ]
    for v in (0, 0.2, 0.4, 0.6, 0.8, 1.0):
        (x, y), (x0, y0), (x1, y1) = at(v, v), at(0, 0), at(1, 1)
        out.append(f'<path d="M{x} {y0}V{y1}M{x0} {y}H{x1}" stroke="#ddd"/>')
        out.append(f'<text x="{x}" y="{y0 + 20}" text-anchor="middle">{v:g}</text>')
        out.append(f'<text x="{x0 - 8}" y="{y + 5}" text-anchor="end">{v:g}</text>')
    (x0, y0), (x1, y1) = at(0, 0), at(1, 1)
    out.append(f'<path d="M{x0} {y0}L{x1} {y1}" stroke="#111" stroke-dasharray="6 4"/>')
    out.append(f'<text x="{(x0 + x1) / 2}" y="{y0 + 42}" text-anchor="middle">stated score</text>')
    out.append(
        f'<text transform="translate(18 {(y0 + y1) / 2}) rotate(-90)" text-anchor="middle">defects among '
        "the finds</text>"
    )
    for k, (family, points) in enumerate(rows.items()):
        for stated, found, total in points:
            (x, y), (_, low), (_, top) = at(stated, found / total), *(at(0, v) for v in wilson(found, total))
            out.append(f'<path d="M{x:.1f} {low:.1f}V{top:.1f}" stroke="#111"/>')
            out.append(MARKS[family].format(x=x, y=y, l=x - 4.5, t=y - 5))
        x, y = at(0.04, 0.94 - 0.06 * k)
        out.append(MARKS[family].format(x=x, y=y, l=x - 4.5, t=y - 5))
        out.append(f'<text x="{x + 14}" y="{y + 5}">{family}</text>')
    return "\n".join([*out, "</svg>\n"])


def main() -> int:
    parser = argparse.ArgumentParser(description="Compare stated scores with how often they are right.")
    parser.add_argument("--photos", type=int, default=60, help="photos of each family")
    parser.add_argument("--out", type=Path, help="SVG file to write")
    asked = parser.parse_args()
    cv2.setNumThreads(1)
    rows = {}
    for family in FAMILIES:
        score, true = stated_and_true(family, asked.photos)
        rows[family] = binned(score, true)
        off = sum(abs(s - f / n) * n for s, f, n in rows[family]) / max(sum(n for *_, n in rows[family]), 1)
        cells = ", ".join(f"{s:.2f}: {f}/{n}" for s, f, n in rows[family])
        print(f"{family}: mean distance of stated and found {off:.3f}; {cells}")
    if asked.out is not None:
        asked.out.write_text(plot(rows), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
