"""Recall, false calls and size error of `lehrbook inspect` on every demo photo, against the truth beside it.

    python tests/bench/demo_photos.py

Runs the command itself and reads the JSON it writes. Out-of-focus and too coarse photos are listed like the
others: there, finding without sizing is right.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parent))

from detection_scores import Call, Shot, link

DEMO = Path(__file__).resolve().parents[2] / "demo_images"


def inspect_all(photos: list[Path], out: Path) -> None:
    """Run the command on all photos; its own words go to standard error."""
    command = [sys.executable, "-c", "import sys; from webapp.cli import main; sys.exit(main())", "inspect"]
    home = out / "home"
    done = subprocess.run(
        [*command, *(str(path) for path in photos), "--out", str(out)],
        check=False,
        capture_output=True,
        text=True,
        env={"LEHRBOOK_HOME": str(home), "PATH": "/usr/bin:/bin"},
    )
    if done.returncode:
        sys.exit(f"lehrbook inspect ended with {done.returncode}: {done.stderr.strip()}")


def shot_of(path: Path, result: dict) -> Shot:
    """Truth and calls of one photo; things called not glass are no calls."""
    truth = json.loads(path.with_suffix(".truth.json").read_text(encoding="utf-8"))
    for defect in truth["defects"]:
        if defect["path_px"] is not None:
            defect["path_px"] = np.asarray(defect["path_px"])
    calls = []
    for find in result["finds"]:
        if find["not_glass"] is not None:
            continue
        course = np.asarray(find["path_px"]) if find.get("path_px") else None
        calls.append(
            Call(
                find["x_px"],
                find["y_px"],
                find["length_px"],
                find["score"],
                find["kind"],
                course,
                find["length_mm"],
                find.get("length_sd_mm"),
                find["x_mm"],
                find["y_mm"],
            )
        )
    shot = Shot(truth["defects"], calls, 1.0)
    link(shot)
    return shot


def row_of(name: str, shot: Shot, result: dict) -> tuple[list[str], list[float]]:
    """One line of the table, and the relative length errors behind it."""
    seen = [j for _, j in shot.links if shot.defects[j]["visible"]]
    visible = sum(d["visible"] for d in shot.defects)
    kinds = sum(shot.calls[i].kind == shot.defects[j]["kind"] for i, j in shot.links)
    errors = [
        abs(shot.calls[i].length_mm / shot.defects[j]["length_mm"] - 1)
        for i, j in shot.links
        if shot.calls[i].length_mm is not None
    ]
    smallest = result["smallest_sized_mm"]
    cells = [
        name,
        f"{len(seen)} of {visible}" if visible else "none there",
        str(int(shot.false.sum())),
        f"{kinds} of {len(shot.links)}" if shot.links else "–",
        f"{100 * np.median(errors):.1f} % / {100 * max(errors):.1f} %" if errors else "not sized",
        f"{smallest:.2f}" if smallest else "–",
        str(sum(find["not_glass"] is not None for find in result["finds"])),
        f"{sum(result['timings_s'].values()):.2f}",
    ]
    return cells, errors


def main() -> int:
    photos = sorted(DEMO.glob("*.jpg"))
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder)
        inspect_all(photos, out)
        results = {
            path: json.loads((out / f"{path.stem}.json").read_text(encoding="utf-8")) for path in photos
        }
    head = [
        "photo",
        "visible found",
        "false calls",
        "kind right",
        "length error, median / largest",
        "sizes from mm",
        "not glass",
        "s",
    ]
    lines, errors = [head, ["---"] * len(head)], []
    found = visible = false = 0
    for path, result in results.items():
        shot = shot_of(path, result)
        cells, some = row_of(path.stem, shot, result)
        lines.append(cells)
        errors += some
        found += sum(shot.defects[j]["visible"] for _, j in shot.links)
        visible += sum(d["visible"] for d in shot.defects)
        false += int(shot.false.sum())
    print("\n".join("| " + " | ".join(cells) + " |" for cells in lines))
    share = f"{100 * np.median(errors):.1f} %" if errors else "–"
    print(f"\n{found} of {visible} visible defects found, {false} false calls, median length error {share}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
