"""General-purpose detectors to measure ours against, each as a practitioner would set it up in an afternoon.

All get the same help: the photo in grey, the light taken out by a median background, the noise by the median
absolute deviation, and a mask that leaves out what lies beyond field and sheet and under the tags. Their own
parameters were chosen once on photos of other seeds and then left alone; the threshold is swept by the bench.
"""

from __future__ import annotations

import importlib.util
import time
from collections.abc import Callable

import cv2
import numpy as np
from detection_scores import Call

MOST_CALLS = 3000


def flattened(grey: np.ndarray, mask: np.ndarray) -> np.ndarray:
    """(grey - median background) / noise, 0 outside the mask."""
    small = cv2.resize(grey, None, fx=1 / 8, fy=1 / 8, interpolation=cv2.INTER_AREA)
    level = cv2.medianBlur(small, 21)
    level = cv2.resize(level, grey.shape[::-1], interpolation=cv2.INTER_LINEAR)
    residual = grey.astype(np.float32) - level
    sample = residual[::7, ::7][mask[::7, ::7] > 0]
    noise = max(1.4826 * float(np.median(np.abs(sample - np.median(sample)))), 0.5)
    return np.where(mask > 0, residual / noise, 0).astype(np.float32)


def components(grey: np.ndarray, mask: np.ndarray, bright: bool) -> list[Call]:
    """Median background, 3 x 3 mean, threshold of 5 sigma, connected components; size by the smallest
    rectangle.
    """
    signal = flattened(grey, mask)
    signal = cv2.blur(signal if bright else np.abs(signal), (3, 3))
    _, labels, stats, _ = cv2.connectedComponentsWithStats((signal > 3.0).astype(np.uint8), connectivity=8)
    calls = []
    order = np.argsort(-stats[1:, cv2.CC_STAT_AREA])[:MOST_CALLS] + 1
    for k in order:
        x, y, w, h, area = stats[k]
        if area < 2:
            continue
        part = labels[y : y + h, x : x + w] == k
        points = np.column_stack(np.nonzero(part))[:, ::-1].astype(np.float32)
        score = float(signal[y : y + h, x : x + w][part].max())
        (cx, cy), sides, _ = cv2.minAreaRect(points)
        length = max(sides) + 1
        path = None
        if length > 4 * (min(sides) + 1) and length > 12:
            path = _spine(points) + np.array([x + 0.5, y + 0.5])
        calls.append(Call(cx + x + 0.5, cy + y + 0.5, float(length), score, path_px=path))
    return calls


def _spine(points: np.ndarray) -> np.ndarray:
    """Points of a long component, averaged along its main axis."""
    middle = points.mean(axis=0)
    _, axes = cv2.eigen(np.cov((points - middle).T))[1:]
    along = (points - middle) @ axes[0]
    bins = np.floor((along - along.min()) / 4).astype(int)
    counts = np.bincount(bins)
    keep = counts > 0
    sums = [np.bincount(bins, weights=points[:, k])[keep] / counts[keep] for k in (0, 1)]
    return np.column_stack(sums)


def blobs_log(grey: np.ndarray, mask: np.ndarray, bright: bool) -> list[Call]:
    """scikit-image blob_log on the flattened photo, five scales from 1 to 8 px."""
    from skimage.feature import blob_log

    signal = flattened(grey, mask)
    image = signal if bright else np.abs(signal)
    found = blob_log(image, min_sigma=1, max_sigma=8, num_sigma=5, threshold=1.2, overlap=0.5)
    return _blob_calls(found, image)


def blobs_dog(grey: np.ndarray, mask: np.ndarray, bright: bool) -> list[Call]:
    """scikit-image blob_dog on the flattened photo, scales from 1 to 8 px."""
    from skimage.feature import blob_dog

    signal = flattened(grey, mask)
    image = signal if bright else np.abs(signal)
    found = blob_dog(image, min_sigma=1, max_sigma=8, sigma_ratio=1.6, threshold=1.2, overlap=0.5)
    return _blob_calls(found, image)


def _blob_calls(found: np.ndarray, image: np.ndarray) -> list[Call]:
    smooth = cv2.GaussianBlur(image, (0, 0), 1.0)
    calls = []
    for row, column, sigma in found:
        score = float(smooth[int(row), int(column)] * np.sqrt(sigma))
        calls.append(Call(column + 0.5, row + 0.5, float(2 * np.sqrt(2) * sigma), score))
    return sorted(calls, key=lambda call: -call.score)[:MOST_CALLS]


def sources_sep(grey: np.ndarray, mask: np.ndarray, bright: bool) -> list[Call]:
    """The astronomers' source extractor (package sep), on the photo or on its negative."""
    import sep

    data = np.ascontiguousarray(grey if bright else 255 - grey, dtype=np.float32)
    hidden = np.ascontiguousarray(mask == 0)
    background = sep.Background(data, mask=hidden, bw=64, bh=64)
    sep.set_extract_pixstack(3_000_000)
    found = sep.extract(data - background, 3.0, err=background.rms(), mask=hidden, minarea=3)
    calls = []
    for item in found:
        length = 4 * float(item["a"])
        path = None
        if item["a"] > 4 * item["b"] and length > 12:
            step = np.array([np.cos(item["theta"]), np.sin(item["theta"])]) * length / 2
            path = np.linspace(-1, 1, 30)[:, None] * step + [item["x"] + 0.5, item["y"] + 0.5]
        score = float(item["cpeak"] / max(background.globalrms, 0.1))
        calls.append(Call(float(item["x"]) + 0.5, float(item["y"]) + 0.5, length, score, path_px=path))
    return sorted(calls, key=lambda call: -call.score)[:MOST_CALLS]


def rivals() -> dict[str, Callable[[np.ndarray, np.ndarray, bool], list[Call]]]:
    """Name to detector, those whose library is installed."""
    out: dict[str, Callable[[np.ndarray, np.ndarray, bool], list[Call]]] = {
        "median background + components (OpenCV)": components
    }
    if importlib.util.find_spec("skimage"):
        out["blob_log (scikit-image)"] = blobs_log
        out["blob_dog (scikit-image)"] = blobs_dog
    if importlib.util.find_spec("sep"):
        out["source extractor (sep)"] = sources_sep
    return out


def timed(
    detect: Callable[[np.ndarray, np.ndarray, bool], list[Call]],
    grey: np.ndarray,
    mask: np.ndarray,
    bright: bool,
) -> tuple[list[Call], float]:
    """Calls and seconds."""
    start = time.thread_time()
    calls = detect(grey, mask, bright)
    return calls, time.thread_time() - start
