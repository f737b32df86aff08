"""The camera of one domain: lens blur, noise of several kinds, tone, smoothing, sharpening, JPEG."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.synthetic.parametric.canvas import Array
from vision.synthetic.point_spread import Blur, spread
from vision.synthetic.random_draws import log_uniform

SMOOTHINGS = ("none", "median", "bilateral", "shrunk", "averaged")
LUMA = np.array([0.114, 0.587, 0.299], np.float32)
SAMPLINGS = (
    cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
    cv2.IMWRITE_JPEG_SAMPLING_FACTOR_422,
    cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444,
)


@dataclass(frozen=True)
class Camera:
    """Everything between the light and the file. read, shot : noise in full scale at no light, and its root
    growth; power : of the tone curve; glow : share of light that the lens scatters widely"""

    lens: Blur
    glow: float
    read: float
    shot: float
    grain_px: float
    photons: bool
    rows: float
    power: float
    bend: float
    pedestal: float
    smoothing: str
    smooth: float
    sharpen: float
    sharpen_px: float
    zoom: float
    chroma: float
    tint: tuple[float, float, float]
    quality: int
    sampling: int

    def tone(self, light: Array) -> Array:
        """Grey value / 255 of light in 0..1: a power with an S-shaped bend."""
        v = np.power(np.clip(light, 0, 1), np.float32(self.power))
        if self.bend:
            v = v - np.float32(self.bend / (2 * np.pi)) * np.sin(np.float32(2 * np.pi) * v)
        return np.asarray(self.pedestal + (1 - self.pedestal) * v)

    def step(self, before: Array, change: Array) -> Array:
        """Change of the grey value (0..255) that a change of light makes."""
        return 255 * (self.tone(before + change) - self.tone(before))

    def light_of(self, grey: float) -> float:
        """Light that the power alone would turn into a grey value (0..255)."""
        return float((grey / 255) ** (1 / self.power))

    def noise(self, light: Array) -> Array:
        """Sd of a pixel's noise in light, with that of rounding to 8 bits."""
        level = np.clip(np.asarray(light, np.float64), 2e-4, 1)
        slope = self.power * level ** (self.power - 1)
        return np.asarray(np.sqrt(self.read**2 + self.shot**2 * level + (0.5 / 255 / slope) ** 2))


def draw_camera(rng: np.random.Generator, dark: bool) -> Camera:
    sigma = float(
        rng.choice([rng.uniform(0.4, 0.9), rng.uniform(0.6, 1.4), rng.uniform(1, 2.2)], p=[0.5, 0.4, 0.1])
    )
    straight = float(np.sqrt(rng.uniform(0.3, 1)))
    rest = sigma * np.sqrt(1 - straight**2) if sigma > 0.6 else 0.0
    disc = bool(rng.random() < 0.6)
    lens = Blur(
        gaussian_px=sigma * straight if rest else sigma,
        disc_radius_px=float(2 * rest) if disc else 0.0,
        motion_px=0.0 if disc else float(min(rest * np.sqrt(24), 3.0)),
        motion_deg=float(rng.uniform(0, 180)),
    )
    power = 1.0 if rng.random() < 0.3 else float(rng.uniform(0.42, 0.9))
    smoothing = str(rng.choice(SMOOTHINGS, p=[0.4, 0.08, 0.14, 0.26, 0.12]))
    tint = np.array([rng.uniform(0.8, 1.1), 1.0, rng.uniform(0.8, 1.1)])
    tint = tint / float(tint @ LUMA)
    return Camera(
        lens=lens,
        glow=float(rng.choice([0, rng.uniform(0.01, 0.08)], p=[0.7, 0.3])),
        read=log_uniform(rng, 0.0006, 0.006),
        shot=log_uniform(rng, 0.002, 0.025),
        grain_px=float(rng.choice([0, rng.uniform(0.35, 1.1)], p=[0.5, 0.5])),
        photons=bool(rng.random() < 0.15),
        rows=float(rng.choice([0, rng.uniform(0, 0.35)], p=[0.8, 0.2])),
        power=power,
        bend=float(rng.choice([0, rng.uniform(0.1, 0.7)], p=[0.6, 0.4])),
        pedestal=float(rng.choice([0, rng.uniform(0, 0.05)])),
        smoothing=smoothing,
        smooth=float(rng.uniform(0.3, 1)),
        sharpen=float(rng.choice([0, log_uniform(rng, 0.2, 1.6)])),
        sharpen_px=float(rng.uniform(0.6, 2)),
        zoom=float(rng.choice([1, rng.uniform(0.7, 0.95)], p=[0.85, 0.15])),
        chroma=log_uniform(rng, 0.3, 6),
        tint=(float(tint[0]), float(tint[1]), float(tint[2])),
        quality=int(rng.integers(70, 99)),
        sampling=int(rng.choice(SAMPLINGS, p=[0.6, 0.2, 0.2])),
    )


def expose(rng: np.random.Generator, camera: Camera, light: Array) -> bytes:
    """The file that the camera writes of light (H, W); JPEG in colour."""
    light = spread(light, camera.lens, 1)
    if camera.glow:
        small = cv2.resize(light, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
        wide = cv2.resize(
            cv2.GaussianBlur(small, (0, 0), 2.5), light.shape[::-1], interpolation=cv2.INTER_LINEAR
        )
        light = (1 - camera.glow) * light + np.float32(camera.glow) * wide
    grey = camera.tone(np.clip(_noisy(rng, camera, light), 0, 1)) * np.float32(255)
    if camera.zoom < 1:
        small = cv2.resize(grey, None, fx=camera.zoom, fy=camera.zoom, interpolation=cv2.INTER_AREA)
        grey = cv2.resize(small, light.shape[::-1], interpolation=cv2.INTER_CUBIC)
    grey = _smoothed(camera, grey.astype(np.float32))
    if camera.sharpen:
        grey = grey + np.float32(camera.sharpen) * (grey - cv2.GaussianBlur(grey, (0, 0), camera.sharpen_px))
    return _file(rng, camera, grey)


def _noisy(rng: np.random.Generator, camera: Camera, light: Array) -> Array:
    noise = rng.standard_normal(light.shape, dtype=np.float32)
    if camera.grain_px:
        coarse = cv2.GaussianBlur(noise, (0, 0), camera.grain_px)
        noise = coarse / max(float(coarse[:512, :512].std()), 1e-6)
    if camera.rows:
        noise = noise * np.float32(np.sqrt(1 - camera.rows**2))
        noise += np.float32(camera.rows) * rng.standard_normal((light.shape[0], 1), dtype=np.float32)
    positive = np.maximum(light, 0)
    if camera.photons:
        counts = rng.poisson(positive / camera.shot**2).astype(np.float32)
        return np.asarray(counts * np.float32(camera.shot**2) + np.float32(camera.read) * noise)
    return np.asarray(
        light + noise * np.sqrt(np.float32(camera.read**2) + np.float32(camera.shot**2) * positive)
    )


def _smoothed(camera: Camera, grey: Array) -> Array:
    if camera.smoothing == "median":
        return np.asarray(cv2.medianBlur(grey, 3))
    noise = float(np.median(np.abs(grey[::3, 1::3] - grey[::3, : grey[::3, 1::3].shape[1] * 3 : 3]))) / 0.95
    noise = max(noise, 0.5)
    if camera.smoothing == "bilateral":
        return np.asarray(cv2.bilateralFilter(grey, 5, 2.2 * camera.smooth * noise, 1.2))
    if camera.smoothing == "shrunk":
        # small details are taken for noise at two scales: what is left of it looks like blotches
        fine, wide = cv2.GaussianBlur(grey, (0, 0), 0.9), cv2.GaussianBlur(grey, (0, 0), 2.0)
        out = wide
        for step, share in ((fine - wide, 0.6), (grey - fine, 1.4)):
            limit = np.float32(camera.smooth * share * noise)
            out = out + step * (step * step / (step * step + limit * limit))
        return np.asarray(out)
    if camera.smoothing == "averaged":
        mean = cv2.blur(grey, (5, 5))
        variance = np.maximum(cv2.blur(grey * grey, (5, 5)) - mean * mean, 0)
        gain = variance / (variance + np.float32((camera.smooth * noise) ** 2))
        return np.asarray(mean + gain * (grey - mean))
    return grey


def _file(rng: np.random.Generator, camera: Camera, grey: Array) -> bytes:
    h, w = grey.shape
    image = np.empty((h, w, 3), np.uint8)
    colour = rng.standard_normal(((h + 1) // 2, (w + 1) // 2), dtype=np.float32) * np.float32(camera.chroma)
    colour = cv2.resize(colour, (w, h), interpolation=cv2.INTER_LINEAR)
    for channel, sign in enumerate((1.0, -0.35, 0.3)):
        value = grey * np.float32(camera.tint[channel]) + np.float32(sign) * colour
        image[..., channel] = np.clip(value + 0.5, 0, 255).astype(np.uint8)
    wanted = [cv2.IMWRITE_JPEG_QUALITY, camera.quality, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, camera.sampling]
    done, data = cv2.imencode(".jpg", image, wanted)
    if not done:
        msg = f"JPEG encoder refused a picture of {w} x {h} pixels"
        raise RuntimeError(msg)
    return data.tobytes()
