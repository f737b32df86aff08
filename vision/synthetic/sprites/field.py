"""One photo: lamps, defects, clutter, lens, sensor and the phone's own processing."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.synthetic.sprites import clutter, primitives
from vision.synthetic.sprites.primitives import Array, Canvas
from vision.synthetic.truth import ArtefactTruth, DefectTruth


@dataclass(frozen=True)
class SpritePhoto:
    """grey : uint8 (H, W) as decoded from the JPEG; defects, artefacts : truth rows; blur_px : sd of the
    lens blur."""

    grey: Array
    lighting: str
    mm_per_px: float
    blur_px: float
    defects: list[DefectTruth]
    artefacts: list[ArtefactTruth]


def draw_field(
    rng: np.random.Generator,
    *,
    lighting: str,
    size: tuple[int, int] = (1400, 1400),
    defects: int = 40,
    specks: int = 40,
    dirt: float = 1.0,
) -> SpritePhoto:
    """Paint one field (H, W). `dirt` scales the number of fibres, strokes, drips, finger marks and
    reflections."""
    dark = lighting == "dark_field"
    mm = float(np.exp(rng.uniform(np.log(0.075), np.log(0.8))))
    h, w = size
    blur = float(
        rng.choice(
            [rng.uniform(0.45, 0.9), rng.uniform(0.6, 1.4), rng.uniform(1.0, 2.2)], p=[0.45, 0.45, 0.1]
        )
    )
    # brightness 0..1 of the sensor's range; noise of one pixel in the same unit at that level
    light = rng.uniform(0.01, 0.12) if dark else rng.uniform(0.25, 0.8)
    read, shot = rng.uniform(0.0008, 0.006), rng.uniform(0.001, 0.02)
    sigma = float(np.sqrt(read**2 + shot**2 * light))
    unit = sigma / (1.0 if dark else light)
    c = Canvas(h, w, dark, mm, blur, unit)

    def strength(length: float, low: float, high: float) -> float:
        """Depth of a shade (bright field) or height of a light (dark field): mostly what such a thing has,
        at times just enough to be seen.
        """
        if rng.random() < 0.7:
            value = rng.uniform(low, high) if not dark else np.exp(rng.uniform(np.log(low), np.log(high)))
            return float(value)
        fade = 1 + 1.2 * (blur**2 + 0.1) / max(length / 2, 0.3) ** 2
        return float(min(unit * fade * np.exp(rng.uniform(np.log(3), np.log(20))), 1.5 if dark else 0.97))

    truth: list[DefectTruth] = []
    artefacts: list[ArtefactTruth] = []
    spots = _places(rng, h, w, defects + specks, 26)
    least, most = max(0.05, 0.9 * mm), min(9.0, 42 * mm)
    for i, (x, y) in enumerate(spots):
        if i >= defects:
            length = (
                float(np.exp(rng.uniform(np.log(max(0.04, 0.5 * mm)), np.log(max(0.25, min(0.9, 5 * mm))))))
                / mm
            )
            amp = strength(length, 0.02, 0.5) if dark else strength(length, 0.15, 0.85)
            artefacts.append(clutter.speck(rng, c, x, y, length, amp))
            continue
        make = primitives.bubble if rng.random() < 0.55 else primitives.stone
        length = float(np.exp(rng.uniform(np.log(least), np.log(most)))) / mm
        amp = strength(length, 0.05, 1.1) if dark else strength(length, 0.35, 0.97)
        truth.append(make(rng, c, x, y, length, amp))
    for _ in range(int(rng.poisson(4))):
        length = float(np.exp(rng.uniform(np.log(3), np.log(250)))) / mm
        length = float(np.clip(length, 14, 0.8 * min(h, w)))
        width = max(rng.uniform(0.02, 0.25) / mm, 0.05)
        amp = (
            unit
            * np.exp(rng.uniform(np.log(0.9), np.log(12)))
            * np.sqrt(blur**2 + 0.1)
            * 2.5
            / min(width, 2.0)
        )
        truth.append(
            primitives.scratch(
                rng, c, length, width, float(min(amp, 1.2 if dark else 0.9) if width > 0.3 else amp)
            )
        )
    _dirt(rng, c, artefacts, unit, dirt, blur)
    image = _expose(rng, c, dark, light, read, shot, blur)
    return SpritePhoto(image, lighting, mm, blur, truth, artefacts)


def _dirt(
    rng: np.random.Generator, c: Canvas, artefacts: list[ArtefactTruth], unit: float, dirt: float, blur: float
) -> None:
    h, w, mm = c.height, c.width, c.mm_per_px

    def place() -> tuple[float, float]:
        return float(rng.uniform(20, w - 20)), float(rng.uniform(20, h - 20))

    for _ in range(int(rng.poisson(6 * dirt))):
        length = float(np.clip(np.exp(rng.uniform(np.log(0.6), np.log(12))) / mm, 4, 250))
        width = max(rng.uniform(0.01, 0.06) / mm, 0.04)
        amp = (
            unit * np.exp(rng.uniform(np.log(2), np.log(40))) * np.sqrt(blur**2 + 0.1) * 2.5 / min(width, 2.0)
        )
        artefacts.append(clutter.fibre(rng, c, length, width, float(amp)))
    for _ in range(int(rng.poisson(0.6 * dirt))):
        pen = rng.uniform(0.7, 3.5) / mm
        tall = min(rng.uniform(8, 45) / mm, 350)
        amp = float(np.clip(unit * np.exp(rng.uniform(np.log(4), np.log(80))), 0, 0.8))
        artefacts.extend(clutter.writing(rng, c, *place(), tall, float(min(pen, tall / 4)), amp))
    for _ in range(int(rng.poisson(1.0 * dirt))):
        artefacts.append(
            clutter.drip(
                rng, c, *place(), float(np.clip(rng.uniform(2, 14) / mm, 5, 120)), unit * rng.uniform(1.5, 15)
            )
        )
    for _ in range(int(rng.poisson(0.6 * dirt))):
        artefacts.append(
            clutter.finger(
                rng,
                c,
                *place(),
                float(np.clip(rng.uniform(9, 20) / mm, 12, 200)),
                0.47 / mm,
                unit * rng.uniform(1.5, 12),
            )
        )
    if rng.random() < 0.4 * dirt:
        artefacts.append(
            clutter.glow(rng, c, *place(), float(rng.uniform(30, 400)), unit * rng.uniform(2, 40))
        )
    if rng.random() < 0.15 * dirt:
        artefacts.append(
            clutter.cup_ring(
                rng, c, *place(), float(np.clip(rng.uniform(40, 120) / mm, 60, 600)), unit * rng.uniform(1, 8)
            )
        )


def _places(rng: np.random.Generator, h: int, w: int, count: int, gap: int) -> Array:
    """Random places in a jittered grid: near each other at times, seldom on top of each other."""
    cells = np.array(
        [(x, y) for y in range(gap, h - gap, gap * 2) for x in range(gap, w - gap, gap * 2)], float
    )
    take = rng.permutation(len(cells))[:count]
    return cells[take] + rng.uniform(-0.6 * gap, 0.6 * gap, (len(take), 2))


def _lamps(rng: np.random.Generator, h: int, w: int, dark: bool) -> Array:
    """Uneven light, mean about 1: fall-off to the corners, tubes, flicker bands."""
    y, x = np.mgrid[0:h, 0:w].astype(np.float32)
    y, x = y / h - rng.uniform(0.3, 0.7), x / w - rng.uniform(0.3, 0.7)
    light = (
        1 - rng.uniform(0, 0.9) * (x * x + y * y) + rng.uniform(-0.3, 0.3) * x + rng.uniform(-0.3, 0.3) * y
    )
    if rng.random() < 0.6:
        turn = rng.choice([0.0, np.pi / 2]) + rng.normal(0, 0.05)
        v = x * np.cos(turn) + y * np.sin(turn)
        light *= 1 + rng.uniform(0.02, 0.35) * np.cos(
            2 * np.pi * v * rng.uniform(1, 7) + rng.uniform(0, 6)
        ) ** int(rng.integers(1, 4))
    if rng.random() < 0.4:
        light *= 1 + rng.uniform(0.005, 0.06) * np.sin(2 * np.pi * y * rng.uniform(3, 25) + rng.uniform(0, 6))
    return np.clip(light, 0.15, 3).astype(np.float32)


def _expose(
    rng: np.random.Generator, c: Canvas, dark: bool, light: float, read: float, shot: float, blur: float
) -> Array:
    lamps = _lamps(rng, c.height, c.width, dark)
    optic = light * lamps + c.scatter * (0.5 + 0.5 * lamps) if dark else light * lamps * c.pass_
    optic = cv2.GaussianBlur(optic.astype(np.float32), (0, 0), blur)
    if rng.random() < 0.25:
        optic = 0.94 * optic + 0.06 * cv2.GaussianBlur(optic, (0, 0), 4 * blur)
    noise = rng.standard_normal(optic.shape, dtype=np.float32) * np.sqrt(
        read**2 + shot**2 * np.maximum(optic, 0)
    )
    value = np.clip(optic + noise, 0, 1)
    if rng.random() < 0.6:
        value = value ** np.float32(rng.uniform(0.45, 0.85))
    grey = value * np.float32(255)
    if rng.random() < 0.3:
        soft = cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(0.4, 0.8)))
        grey = grey + np.float32(rng.uniform(0.3, 1.0)) * (soft - grey)
    if rng.random() < 0.35:
        grey = grey + np.float32(rng.uniform(0.2, 1.0)) * (
            grey - cv2.GaussianBlur(grey, (0, 0), float(rng.uniform(0.8, 1.8)))
        )
    out = np.clip(grey + rng.uniform(0, 1), 0, 255).astype(np.uint8)
    if rng.random() < 0.15:
        out = cv2.medianBlur(out, 3)
    ok, code = cv2.imencode(".jpg", out, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(72, 98))])
    return np.asarray(cv2.imdecode(code, cv2.IMREAD_GRAYSCALE)) if ok else out
