"""Pictures of every stage, so that anybody can see why something was found or set aside.

1_light.png        the light without defects (with what the mask leaves out darkened)
2_noise.png        noise of a pixel at each place, brighter = noisier, with its range written in
3_flat.png         the photo with light and noise taken out: grey = as expected, 12 sd to black or white
4_candidates.png   all that stood out, each box with its height in sd
5_set_aside.png    what is not a defect of the glass, with the reason and its probability
6_finds.png        what is reported
stages.json        the same in numbers
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np

from vision.detection.detections import Detection
from vision.detection.detector import Places
from vision.pictures.overlay import draw_finds, draw_text
from vision.results import BackgroundSubtracted, ByteImage, Inspection

SHOWN_SD = 12.0
GREY_OF_NOTHING = 128.0
MOST_LABELS = 400


class StageSink(Protocol):
    """Somewhere to put the pictures.

    wants_whole : it needs a very large photo in one piece; else that is looked at in parts, as ever.
    """

    wants_whole: bool

    def background(self, grey: ByteImage, subtracted: BackgroundSubtracted) -> None:
        """Take the background, noise and background-subtracted signal of a photo."""

    def detections(
        self,
        grey: ByteImage,
        subtracted: BackgroundSubtracted,
        places: Places,
        detections: list[Detection],
        result: Inspection,
    ) -> None:
        """Take what was found, what was set aside and the result."""


class StageFolder:
    """Writes the pictures of one photo into a folder, which is made when it does not exist."""

    wants_whole = True

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        self.numbers: dict[str, Any] = {}

    def background(self, grey: ByteImage, subtracted: BackgroundSubtracted) -> None:
        h, w = grey.shape
        level = subtracted.background_patch(0, 0, w, h)
        shown = np.clip(level, 0, 255).astype(np.uint8)
        shown[subtracted.mask == 0] //= 3
        self._write("1_light.png", shown)
        noise = subtracted.noise_of_grey[np.clip(level, 0, 255).astype(np.uint8)]
        low, high = float(noise.min()), float(noise.max())
        scaled = (40 + 200 * (noise - low) / max(high - low, 1e-6)).astype(np.uint8)
        picture = cv2.cvtColor(scaled, cv2.COLOR_GRAY2RGB)
        draw_text(picture, f"noise {low:.2f} to {high:.2f} grey values", (0.01, 0.05))
        self._write("2_noise.png", picture)
        self._write("3_flat.png", subtracted_picture(subtracted))
        self.numbers["noise_of_level"] = [round(float(v), 3) for v in subtracted.noise_of_grey]

    def detections(
        self,
        grey: ByteImage,
        subtracted: BackgroundSubtracted,
        places: Places,
        detections: list[Detection],
        result: Inspection,
    ) -> None:
        base = cv2.cvtColor(subtracted_picture(subtracted), cv2.COLOR_GRAY2RGB)
        seen = places.spots
        boxes = [tuple(int(v) for v in box) for box in seen.box_px[:MOST_LABELS]]
        picture = base.copy()
        for box, peak in zip(boxes, seen.peak[:MOST_LABELS], strict=True):
            _box(picture, (box[0], box[1], box[2], box[3]), f"{float(peak):.0f}")
        for line in places.lines:
            points = np.round(line.path_px * 16).astype(np.int32)
            cv2.polylines(picture, [points], False, (255, 255, 255), 1, cv2.LINE_AA, 4)
        self._write("4_candidates.png", picture)
        picture = base.copy()
        for detection in detections:
            if detection.artefact is not None:
                share = detection.kind_scores.get("not_glass", 0.0)
                _box(picture, detection.box_px, f"{detection.artefact} {share:.2f}")
        self._write("5_set_aside.png", picture)
        self._write("6_finds.png", draw_finds(cv2.cvtColor(grey, cv2.COLOR_GRAY2RGB), result))
        self.numbers["candidates"] = [
            {"box_px": box, "peak_sd": round(float(peak), 2)}
            for box, peak in zip(boxes, seen.peak, strict=False)
        ]
        self.numbers["set_aside"] = [
            {
                "box_px": list(s.box_px),
                "why": s.artefact,
                "kind_scores": {k: round(v, 4) for k, v in s.kind_scores.items()},
                "not_glass_scores": {k: round(v, 4) for k, v in s.artefact_scores.items()},
            }
            for s in detections
            if s.artefact is not None
        ]
        text = json.dumps(self.numbers, indent=1, ensure_ascii=False)
        (self.folder / "stages.json").write_text(text, encoding="utf-8")

    def _write(self, name: str, picture: ByteImage) -> None:
        shown = picture[..., ::-1] if picture.ndim == 3 else picture
        done, data = cv2.imencode(".png", shown, [cv2.IMWRITE_PNG_COMPRESSION, 3])
        if done:
            (self.folder / name).write_bytes(data.tobytes())


def subtracted_picture(subtracted: BackgroundSubtracted) -> ByteImage:
    """The background-subtracted signal as grey values: nothing = middle grey,
    `SHOWN_SD` to black or white, masked places black."""
    picture = cv2.convertScaleAbs(
        np.clip(subtracted.signal, -SHOWN_SD, SHOWN_SD) + SHOWN_SD, alpha=GREY_OF_NOTHING / SHOWN_SD
    )
    picture[subtracted.mask == 0] = 0
    return picture


def _box(picture: ByteImage, box: tuple[int, int, int, int], text: str) -> None:
    x, y, w, h = box
    cv2.rectangle(picture, (x - 3, y - 3), (x + w + 2, y + h + 2), (255, 235, 170), 1)
    cv2.putText(
        picture, text, (x + w + 4, y + h), cv2.FONT_HERSHEY_SIMPLEX, 0.4, (255, 235, 170), 1, cv2.LINE_AA
    )
