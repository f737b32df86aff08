"""From scene light to the picture a phone or camera stores.

Exposure, vignetting, flicker bands of a rolling shutter, shot and read noise (grain may be correlated as
after demosaicing), tone curve, then what phones do: smoothing of small differences and sharpening.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.synthetic.raytraced.scene import Floats, Plane, SceneSpec, Sensor


def noise_variance(sensor: Sensor, light: Plane | Floats) -> Plane:
    """Variance of one pixel before the tone curve, where 1 is full scale."""
    return np.asarray(
        np.maximum(light, 0) / sensor.full_well + (sensor.read_noise / sensor.full_well) ** 2,
        dtype=np.float32,
    )


def gain_rows_columns(spec: SceneSpec) -> tuple[Plane, Plane, float]:
    """Flicker along rows and columns, each shape (n,), and the exposure factor."""
    sensor, camera = spec.sensor, spec.camera
    count = camera.width_px if sensor.flicker_columns else camera.height_px
    places = np.arange(count, dtype=np.float32)
    turn = 2 * np.pi * places / sensor.flicker_period_px + sensor.flicker_phase
    wave = 1 + sensor.flicker * (np.cos(turn) + 0.25 * np.cos(2 * turn + 1.0)) / 1.25
    rows = np.ones(camera.height_px, dtype=np.float32)
    columns = np.ones(camera.width_px, dtype=np.float32)
    if sensor.flicker_columns:
        columns = wave.astype(np.float32)
    else:
        rows = wave.astype(np.float32)
    return rows, columns, sensor.exposure


def local_gain(spec: SceneSpec, x_px: float, y_px: float) -> float:
    """Everything between scene light and sensor signal at one place."""
    rows, columns, exposure = gain_rows_columns(spec)
    x, y = int(np.clip(x_px, 0, columns.size - 1)), int(np.clip(y_px, 0, rows.size - 1))
    return (
        exposure
        * float(rows[y])
        * float(columns[x])
        * float(_vignette(spec, np.array([x_px]), np.array([y_px]))[0, 0])
    )


def expose(planes: Plane, spec: SceneSpec, rng: np.random.Generator) -> NDArray[np.uint8]:
    """planes : float32, shape (H, W, 3), scene light (used up as scratch space). Returns RGB uint8."""
    height, width = planes.shape[:2]
    rows, columns, exposure = gain_rows_columns(spec)
    gain = _vignette(spec, np.arange(width) + 0.5, np.arange(height) + 0.5) * (
        exposure * rows[:, None] * columns
    )
    grey = _noise((height, width), spec.sensor.grain_px, rng)
    chroma = _noise(((height + 1) // 2, (width + 1) // 2), 0.0, rng)
    image = np.empty((height, width, 3), dtype=np.uint8)
    table = _tone(spec.sensor)
    for channel in range(3):
        signal = planes[..., channel]
        signal *= gain * np.float32(spec.sensor.tint[channel])
        spread = np.sqrt(noise_variance(spec.sensor, signal))
        sign = np.float32((0.6, -0.35, 0.6)[channel])
        colour = cv2.resize(
            chroma if channel < 2 else -chroma, (width, height), interpolation=cv2.INTER_LINEAR
        )
        signal += spread * (0.9 * grey + sign * colour)
        coded = table[np.clip(signal * 4095 + 0.5, 0, 4095).astype(np.uint16)]
        image[..., channel] = _processed(coded, spec.sensor)
    return image


def _noise(shape: tuple[int, int], grain_px: float, rng: np.random.Generator) -> Plane:
    noise = rng.standard_normal(shape, dtype=np.float32)
    if grain_px > 0:
        noise = np.asarray(cv2.GaussianBlur(noise, (0, 0), grain_px), dtype=np.float32)
        noise /= max(float(noise[:512, :512].std()), 1e-6)
    return noise


def _vignette(spec: SceneSpec, x_px: Floats, y_px: Floats) -> Plane:
    camera = spec.camera
    half2 = (camera.width_px**2 + camera.height_px**2) / 4
    dx2 = ((x_px - camera.width_px / 2) ** 2).astype(np.float32)
    dy2 = ((y_px - camera.height_px / 2) ** 2).astype(np.float32)
    r2 = (dy2[:, None] + dx2[None, :]) / np.float32(half2)
    return np.asarray(
        1 - np.float32(spec.sensor.vignetting) * r2 * (1 - np.float32(0.3) * r2), dtype=np.float32
    )


def _tone(sensor: Sensor) -> Plane:
    """Tone curve in grey values 0..255 for 4096 linear steps: a power law with a soft shoulder."""
    linear = np.linspace(0, 1, 4096)
    shoulder = np.where(linear > 0.8, 0.8 + 0.2 * np.tanh((linear - 0.8) / 0.2), linear)
    return np.asarray(255 * (shoulder / shoulder.max()) ** (1 / sensor.gamma), dtype=np.float32)


def _processed(coded: Plane, sensor: Sensor) -> NDArray[np.uint8]:
    if sensor.denoise > 0:
        smooth = cv2.GaussianBlur(coded, (0, 0), 1.2)
        step = coded - smooth
        # small steps are taken for noise, large ones for detail
        coded = smooth + step * (1 - np.float32(sensor.denoise) / (1 + (step * np.float32(1 / 5)) ** 2) ** 2)
    if sensor.sharpen > 0:
        soft = cv2.GaussianBlur(coded, (0, 0), sensor.sharpen_px)
        coded = coded + np.float32(sensor.sharpen) * (coded - soft)
    return np.asarray(np.clip(coded + 0.5, 0, 255), dtype=np.uint8)
