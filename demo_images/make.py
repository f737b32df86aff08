"""Make the demo photos: python demo_images/make.py [--only NAME] [--out DIR]

Every photo is a rendering; no glass, no camera and no person was involved. Each one grows from fixed seeds,
so that making it again with the same versions of numpy and OpenCV gives the same bytes.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from scenes import all_stories  # noqa: E402
from stories import Story  # noqa: E402

from vision.synthetic.raytraced import encode, render  # noqa: E402


def make(story: Story) -> tuple[bytes, dict[str, Any], dict[str, Any]]:
    """JPEG bytes, set-up and truth of one photo."""
    shot = render(story.scene, np.random.default_rng([story.scene.camera.width_px, len(story.name)]))
    return encode(shot, story.quality), shot.setup, shot.truth


def entry(story: Story) -> dict[str, Any]:
    """What the demo plant needs to attach the photo to a sheet."""
    scene = story.scene
    width, length = scene.sheet_mm
    return {
        "photo": f"{story.name}.jpg",
        "title": story.title,
        "story": story.story,
        "lighting": scene.lighting,
        "grade": story.grade,
        "sheet": {"width_mm": width, "length_mm": length, "thickness_mm": scene.thickness_mm},
        "use": "stock" if width > 3000 else "cut_size",
    }


def main() -> int:
    parser = argparse.ArgumentParser(description="Make the demo photos with set-up and truth beside each.")
    parser.add_argument("--only", help="name of one photo, without .jpg")
    parser.add_argument(
        "--out", type=Path, default=HERE, help="folder to write to (default: beside this program)"
    )
    wanted = parser.parse_args()
    stories = [story for story in all_stories() if wanted.only in (None, story.name)]
    if not stories:
        print(f"no demo photo is called {wanted.only!r}", file=sys.stderr)
        return 2
    wanted.out.mkdir(parents=True, exist_ok=True)
    total = 0
    for story in stories:
        data, setup, truth = make(story)
        (wanted.out / f"{story.name}.jpg").write_bytes(data)
        _write(wanted.out / f"{story.name}.setup.json", setup)
        _write(wanted.out / f"{story.name}.truth.json", truth)
        total += len(data)
        size = f"{story.scene.camera.width_px} x {story.scene.camera.height_px}"
        print(f"{story.name}: {size} pixels, {len(data) / 1e6:.2f} MB", flush=True)
    if wanted.only is None:
        _write(wanted.out / "index.json", {"photos": [entry(story) for story in stories]})
    print(f"{len(stories)} photos, {total / 1e6:.2f} MB")
    return 0


def _write(path: Path, content: dict[str, Any]) -> None:
    path.write_text(json.dumps(content, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
