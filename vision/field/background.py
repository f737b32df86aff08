"""Uneven light taken out: what the photo would show of a faultless sheet, and the noise about it.

The light is found on a grid of blocks. A median over a window wider than any defect keeps straight borders
(lamp tubes, reflections) and forgets spots and lines; what it rounds off, crests of tubes and fall-off, is
put back by smoothing the remainder without its outliers. Flicker bands of a rolling shutter are rows or
columns that rise and fall together and are taken out as such. Cost is linear in pixels; the photo itself is
read twice.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.errors import StageError
from vision.field.tubes import Tubes
from vision.geometry.normal_distribution import normal_cdf
from vision.results import BackgroundSubtracted, ByteImage, FloatImage

BLOCK_PX = 8
NOISE_SAMPLES = 40_000
SMALLEST_NOISE = 0.35  # rounding to whole grey values alone gives 0.29
WIDEST_NUCLEUS_MM = 12.0
NARROWEST_WINDOW_PX, WIDEST_WINDOW_PX = 88, 248
STRIP_BLOCKS = 8
CLIPPED_AT_SD = 4.0
LEAST_SHARE = 0.3
MAD_TO_SD = 1.4826  # median absolute deviation of a normal distribution is 0.6745 of its standard deviation


@dataclass(frozen=True, slots=True)
class Background:
    """What a whole photo would show of a faultless sheet, on its grid of blocks.

    level : float32, shape (ceil(H / BLOCK_PX), ceil(W / BLOCK_PX)), the light without defects, grey values
    noise_of_grey : float32, shape (256,), standard deviation of a pixel's noise at that grey value
    roughness : float32, shape of `level`, how many times rougher than its grey value explains, >= 1
    """

    level: FloatImage
    noise_of_grey: NDArray[np.float32]
    roughness: FloatImage


def subtract_background(
    grey: ByteImage, mask: ByteImage, mm_per_px: float | None = None
) -> BackgroundSubtracted:
    """Take the background out of a photo.

    grey, mask : uint8, shape (H, W); the mask is > 0 where the photo shows glass inside the field
    mm_per_px : sets how wide a defect can be (None: widest window)
    Raises StageError when photo and mask differ in shape.
    """
    return subtract_part(
        grey, mask, find_background(grey, mask, mm_per_px), (0, 0, grey.shape[1], grey.shape[0])
    )


def find_background(grey: ByteImage, mask: ByteImage, mm_per_px: float | None = None) -> Background:
    """Background and noise of a photo; arguments and errors as for `subtract_background`."""
    if grey.shape != mask.shape:
        msg = f"background: photo {grey.shape} and mask {mask.shape} differ in shape"
        raise StageError(msg)
    mean, inside = block_means(grey, mask)
    window = WIDEST_WINDOW_PX if mm_per_px is None else 1.3 * WIDEST_NUCLEUS_MM / mm_per_px
    window = min(max(window, NARROWEST_WINDOW_PX), WIDEST_WINDOW_PX)
    level = background_level(mean, inside, round(window / BLOCK_PX))
    noise_of_grey = noise_by_grey(grey, level, inside)
    return Background(level, noise_of_grey, local_roughness(grey, level, inside, noise_of_grey))


def subtract_part(
    grey: ByteImage, mask: ByteImage, background: Background, box_px: tuple[int, int, int, int]
) -> BackgroundSubtracted:
    """The part x0, y0, x1, y1 (px) of a photo without its background.

    Raises StageError when x0 or y0 is no multiple of `BLOCK_PX`.
    """
    x0, y0, x1, y1 = box_px
    if x0 % BLOCK_PX or y0 % BLOCK_PX:
        msg = f"background: part starts at ({x0}, {y0}); expected multiples of {BLOCK_PX}"
        raise StageError(msg)
    rows = slice(y0 // BLOCK_PX, -(-y1 // BLOCK_PX))
    columns = slice(x0 // BLOCK_PX, -(-x1 // BLOCK_PX))
    level, roughness = background.level[rows, columns], background.roughness[rows, columns]
    part = mask[y0:y1, x0:x1]
    signal = _signal(grey[y0:y1, x0:x1], part, level, background.noise_of_grey, roughness)
    return BackgroundSubtracted(signal, part, level, BLOCK_PX, background.noise_of_grey)


def block_means(grey: ByteImage, mask: ByteImage) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Mean grey value of each block, and whether the block lies wholly inside the mask.

    Returns arrays of shape (ceil(H / BLOCK_PX), ceil(W / BLOCK_PX)). Blocks outside hold the values of their
    nearest neighbours inside.
    """
    h, w = -(-grey.shape[0] // BLOCK_PX), -(-grey.shape[1] // BLOCK_PX)
    mean, inside = np.empty((h, w), np.float32), np.empty((h, w), np.bool_)
    for first in range(0, h, STRIP_BLOCKS):  # a padded copy of a very large photo would double its memory
        some = slice(first, first + STRIP_BLOCKS)
        rows = slice(first * BLOCK_PX, (first + STRIP_BLOCKS) * BLOCK_PX)
        mean[some], inside[some] = _block_rows(_padded(grey[rows]), _padded(mask[rows]))
    return fill(mean, inside), inside


def _block_rows(whole: ByteImage, frame: ByteImage) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Some rows of blocks of `block_means`: both images hold whole blocks."""
    h, w = whole.shape[0] // BLOCK_PX, whole.shape[1] // BLOCK_PX
    rows = np.add.reduce(whole.reshape(h, BLOCK_PX, -1), axis=1, dtype=np.uint16)
    mean = cv2.resize(rows.astype(np.float32), (w, h), interpolation=cv2.INTER_AREA) / np.float32(BLOCK_PX)
    if cv2.countNonZero(frame) == frame.size:
        return mean, np.ones((h, w), np.bool_)
    share = cv2.resize(frame, (w, h), interpolation=cv2.INTER_AREA)
    inside = share >= LEAST_SHARE * 255
    i, j = np.nonzero(inside & (share < 255))
    if i.size:
        shape = (h, BLOCK_PX, w, BLOCK_PX)
        part = frame.reshape(shape)[i, :, j, :] > 0
        mean[i, j] = (whole.reshape(shape)[i, :, j, :] * part).sum(axis=(1, 2)) / part.sum(axis=(1, 2))
    return mean, inside


def _padded(image: ByteImage) -> ByteImage:
    h, w = image.shape
    bottom, right = -h % BLOCK_PX, -w % BLOCK_PX
    if not bottom and not right:
        return image
    return cv2.copyMakeBorder(image, 0, bottom, 0, right, cv2.BORDER_REPLICATE)


def fill(values: FloatImage, known: NDArray[np.bool_]) -> FloatImage:
    """Carry known values into the unknown parts, nearest first (a pyramid of means)."""
    if known.all() or not known.any():
        return values.astype(np.float32)
    weights = [known.astype(np.float32)]
    sums = [np.where(known, values, 0).astype(np.float32)]
    while min(sums[-1].shape) > 1:
        size = ((sums[-1].shape[1] + 1) // 2, (sums[-1].shape[0] + 1) // 2)
        sums.append(cv2.resize(sums[-1], size, interpolation=cv2.INTER_AREA))
        weights.append(cv2.resize(weights[-1], size, interpolation=cv2.INTER_AREA))
    whole = sums[-1] / max(float(weights[-1].max()), 1e-9)
    for total, weight in zip(sums[-2::-1], weights[-2::-1], strict=True):
        up = cv2.resize(whole, (total.shape[1], total.shape[0]), interpolation=cv2.INTER_LINEAR)
        whole = np.where(weight > 0.2, total / np.maximum(weight, 1e-6), up)
    return np.where(known, values, whole).astype(np.float32)


def background_level(mean: FloatImage, inside: NDArray[np.bool_], window_blocks: int) -> FloatImage:
    """Light without defects on the grid of blocks.

    mean, inside : as `block_means` gives them; window_blocks : side of the median's window
    """
    kernel = window_blocks | 1
    floor = 4.0  # keeps ratios of nearly black photos tame
    level = _median_at_half_size(mean, kernel)
    banding = _banding((mean + floor) / (level + floor), inside)
    even = (mean + floor) / banding
    # tubes go first: a median over their slopes would yield to every dark spot on them
    tubes = Tubes.of(even.astype(np.float32), inside)
    if tubes is None:
        level = _median(even, kernel) * banding
    else:
        light = tubes.along(even)
        level = (light + _median(even - light, kernel)) * banding
    level = (level * _banding((mean + floor) / level, inside) - floor).astype(np.float32)
    if tubes is not None:
        level += tubes.along(mean - level)
    for reach in (kernel // 2, kernel // 4):
        level += _quiet_remainder(mean - level, inside, max(3, reach) | 1)
    # straight lines between block means cut off crests by an eighth of the bend: put it on beforehand
    kernel_1d = np.array([-0.125, 1.25, -0.125], np.float32)
    level = cv2.sepFilter2D(level, cv2.CV_32F, kernel_1d, kernel_1d, borderType=cv2.BORDER_REPLICATE)
    return np.maximum(level, 0.0)


def _banding(ratio: FloatImage, inside: NDArray[np.bool_]) -> FloatImage:
    """Common factors of rows and columns, as their product on the grid of blocks."""
    known = np.where(inside, ratio, np.nan).astype(np.float32)
    rows = _bands(known, 1)
    columns = _bands(known / rows[:, None], 0)
    return rows[:, None] * columns[None, :]


def _median(values: FloatImage, kernel: int) -> FloatImage:
    """Median filter of real values through OpenCV's constant-time
    filter of bytes: coarse, then the remainder."""
    coarse = _median_at_half_size(values, kernel)
    rest = values - coarse
    step = float(np.ptp(values)) / 255.0
    spread = 6.0 * MAD_TO_SD * float(np.median(np.abs(rest[::3, ::3]))) + 2.0 * step + 1e-6
    return coarse + _median_bytes(rest, -spread, 2.0 * spread / 255.0, kernel)


def _median_at_half_size(values: FloatImage, kernel: int) -> FloatImage:
    half = cv2.resize(values, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    return cv2.resize(_median_once(half, kernel // 2 | 1), values.shape[::-1], interpolation=cv2.INTER_LINEAR)


def _median_once(values: FloatImage, kernel: int) -> FloatImage:
    low, high = float(values.min()), float(values.max())
    if high - low < 1e-6:
        return values.astype(np.float32)
    return _median_bytes(values, low, (high - low) / 255.0, kernel)


def _median_bytes(values: FloatImage, low: float, step: float, kernel: int) -> FloatImage:
    coded = np.clip((values - low) / step + 0.5, 0, 255).astype(np.uint8)
    margin = kernel // 2
    framed = cv2.copyMakeBorder(coded, margin, margin, margin, margin, cv2.BORDER_REFLECT)
    inner = cv2.medianBlur(framed, kernel)[margin:-margin, margin:-margin]
    return inner.astype(np.float32) * np.float32(step) + np.float32(low)


def _bands(ratio: FloatImage, axis: int) -> FloatImage:
    """Common factor of each row (axis 1) or column (axis 0): the
    median over it, where enough of it is glass."""
    step = max(1, ratio.shape[axis] // 96)
    take = np.sort(ratio[:, ::step] if axis == 1 else ratio[::step, :].T, axis=1)  # not known sorts last
    known = np.isfinite(take).sum(axis=1)
    middle = take[np.arange(len(take)), np.maximum(known - 1, 0) // 2]
    enough = known >= max(12, 0.3 * take.shape[1])
    factor = np.where(enough, middle, 1.0)
    return np.clip(factor, 0.5, 2.0).astype(np.float32)


def _quiet_remainder(remainder: FloatImage, inside: NDArray[np.bool_], kernel: int) -> FloatImage:
    """Smooth what the median rounded off, without blocks that stand out of it (those hold defects)."""
    good = remainder[::3, ::3][inside[::3, ::3]]
    if good.size < 16:
        return np.zeros_like(remainder)
    spread = MAD_TO_SD * float(np.median(np.abs(good - np.median(good)))) + 0.05
    quiet = (inside & (np.abs(remainder) < 3.5 * spread)).astype(np.float32)
    size = (kernel, kernel)
    weight = cv2.blur(cv2.blur(quiet, size), size)
    total = cv2.blur(cv2.blur(remainder * quiet, size), size)
    smooth: FloatImage = np.where(weight > 0.35, total / np.maximum(weight, 0.35), 0).astype(np.float32)
    return smooth


def noise_by_grey(grey: ByteImage, level: FloatImage, inside: NDArray[np.bool_]) -> NDArray[np.float32]:
    """Standard deviation of a pixel at each grey value 0..255, from the photo's own quiet pixels.

    Pixels are gathered by the light behind them; each class gives 1.4826 x its median absolute deviation,
    and classes are joined by straight lines. Both shot noise and the camera's tone curve are thereby in it,
    whatever they are.
    """
    value, light = _sampled(grey, level, inside, NOISE_SAMPLES)
    table = np.full(256, SMALLEST_NOISE, np.float32)
    if value.size < 64:
        return table
    order = np.argsort(light, kind="stable")
    value, light = value[order], light[order]
    pieces = int(np.clip(value.size // 2500, 1, 20))
    centres, noises = [], []
    for some in np.array_split(np.arange(value.size), pieces):
        noises.append(_quiet_sd(value[some] - light[some]))
        centres.append(float(np.median(light[some])))
    table = np.interp(np.arange(256), centres, noises).astype(np.float32)
    return np.maximum(table, SMALLEST_NOISE)


def _quiet_sd(rest: NDArray[np.float32]) -> float:
    """Standard deviation without the outliers that defects are.

    The median absolute deviation of whole grey values jumps in steps; it only sets the limit (3 sd) inside
    which the plain standard deviation is taken. 1.013 makes up for the tails cut off a normal distribution
    there.
    """
    middle = float(np.median(rest))
    limit = 3.0 * max(MAD_TO_SD * float(np.median(np.abs(rest - middle))), 0.6)
    quiet = rest[np.abs(rest - middle) < limit]
    return 1.013 * float(quiet.std()) if quiet.size > 8 else SMALLEST_NOISE


def _sampled(
    grey: ByteImage, level: FloatImage, inside: NDArray[np.bool_], count: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Grey values of a regular sample of pixels inside the
    mask, and the light behind each (nearest block)."""
    step = max(1, int(np.sqrt(grey.size / count)))
    step += 1 - step % 2  # odd, so that the sample does not lock to JPEG's blocks of 8
    ys, xs = np.arange(step // 2, grey.shape[0], step), np.arange(step // 2, grey.shape[1], step)
    good = inside[np.ix_(ys // BLOCK_PX, xs // BLOCK_PX)]
    light = _level_at_grid(level, ys, xs)
    return grey[np.ix_(ys, xs)][good].astype(np.float32), light[good]


def _level_at_grid(level: FloatImage, ys: NDArray[np.intp], xs: NDArray[np.intp]) -> FloatImage:
    u = (xs.astype(np.float32) + 0.5) / BLOCK_PX - 0.5
    v = (ys.astype(np.float32) + 0.5) / BLOCK_PX - 0.5
    map_u = np.ascontiguousarray(np.broadcast_to(u, (len(ys), len(xs))))
    map_v = np.ascontiguousarray(np.broadcast_to(v[:, None], (len(ys), len(xs))))
    return cv2.remap(level, map_u, map_v, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)


def local_roughness(
    grey: ByteImage, level: FloatImage, inside: NDArray[np.bool_], noise_of_grey: NDArray[np.float32]
) -> FloatImage:
    """How much rougher than its grey value explains each part of the photo is: >= 1, on the grid of blocks.

    A rough backdrop, a woven ground or a phone's uneven smoothing would otherwise pass for a swarm of faint
    marks.
    """
    step, cell = 7, 12  # 12 x 12 samples of every seventh pixel: a cell spans 84 photo pixels
    ys, xs = np.arange(step // 2, grey.shape[0], step), np.arange(step // 2, grey.shape[1], step)
    light = _level_at_grid(level, ys, xs)
    sd = noise_of_grey[np.clip(light, 0, 255).astype(np.uint8)]
    rest = np.minimum(np.abs(grey[np.ix_(ys, xs)] - light) / sd, CLIPPED_AT_SD)
    good = inside[np.ix_(ys // BLOCK_PX, xs // BLOCK_PX)]
    h, w = rest.shape[0] // cell, rest.shape[1] // cell
    if h < 2 or w < 2:
        return np.ones_like(level)
    cells, known = (
        values[: h * cell, : w * cell].reshape(h, cell, w, cell).sum(axis=(1, 3), dtype=np.float32)
        for values in (rest * good, good)
    )
    ratio = np.where(known > cell * cell / 3, cells / np.maximum(known, 1.0), 0.0)
    steps = np.linspace(1.0, 6.0, 51)
    roughness = np.interp(ratio, mean_of_clipped(steps), steps).astype(np.float32)
    grown = cv2.resize(cv2.medianBlur(roughness, 3), level.shape[::-1], interpolation=cv2.INTER_LINEAR)
    return np.maximum(grown, 1.0)


def mean_of_clipped(sd: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of min(|x|, CLIPPED_AT_SD) for x normal with mean 0 and the given sd: gives sd from clipped
    values.

    By parts of the integral: sd sqrt(2 / pi) (1 - exp(-c^2 / 2 sd^2)) + 2 c (1 - Phi(c / sd)).
    """
    c = CLIPPED_AT_SD
    inner = sd * np.sqrt(2 / np.pi) * (1 - np.exp(-(c**2) / (2 * sd**2)))
    return np.asarray(inner + 2 * c * (1 - normal_cdf(c / sd)), np.float64)


def _signal(
    grey: ByteImage,
    mask: ByteImage,
    level: FloatImage,
    noise_of_grey: NDArray[np.float32],
    roughness: FloatImage,
) -> FloatImage:
    """(grey - level) / noise in strips that stay in the processor's cache."""
    h, w = grey.shape
    rows = level.shape[0]
    sharpness = (1.0 / (noise_of_grey[np.clip(level, 0, 255).astype(np.uint8)] * roughness)).astype(
        np.float32
    )
    signal = np.empty((h, w), np.float32)
    full_width = level.shape[1] * BLOCK_PX
    for first in range(0, rows, STRIP_BLOCKS):
        last = min(first + STRIP_BLOCKS, rows)
        a, b = max(first - 1, 0), min(last + 1, rows)
        y0, y1 = first * BLOCK_PX, min(last * BLOCK_PX, h)
        cut = slice((first - a) * BLOCK_PX, (first - a) * BLOCK_PX + y1 - y0)
        size = (full_width, (b - a) * BLOCK_PX)
        light = cv2.resize(level[a:b], size, interpolation=cv2.INTER_LINEAR)[cut, :w]
        factor = cv2.resize(sharpness[a:b], size, interpolation=cv2.INTER_LINEAR)[cut, :w]
        strip = signal[y0:y1]
        cv2.subtract(grey[y0:y1], light, dst=strip, dtype=cv2.CV_32F)
        cv2.multiply(strip, factor, dst=strip)
        part = mask[y0:y1]
        if cv2.countNonZero(part) < part.size:
            np.copyto(strip, 0.0, where=part == 0)
    return signal
