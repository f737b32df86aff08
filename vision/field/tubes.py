"""Light that runs along one direction, such as lamp tubes behind a diffuser or their reflections."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.results import FloatImage

ONE_DIRECTION = 0.6
PIECE_BLOCKS, PIECES = 5, 5  # blocks averaged to a piece, pieces of a median


@dataclass(frozen=True, slots=True)
class Tubes:
    """A direction in which the light hardly changes, on the grid of blocks.

    turn : (2, 3) map from the grid to a square in which the tubes lie level; source : (side, side) for each
    place of
    the square the column of the same row to read, which carries rows on beyond what is known
    """

    turn: NDArray[np.float64]
    source: NDArray[np.int32]
    known_rows: NDArray[np.bool_]
    shape: tuple[int, int]

    @classmethod
    def of(cls, mean: FloatImage, inside: NDArray[np.bool_]) -> Tubes | None:
        """The direction of the light's stripes, from the blocks' means; None where it has none."""
        h, w = mean.shape
        if min(h, w) < PIECE_BLOCKS * PIECES:
            return None
        soft = cv2.GaussianBlur(mean, (3, 3), 0)
        gx, gy = cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1)
        size = cv2.magnitude(gx, gy)
        # defects are steeper than light; held to a few times the usual slope they do not turn the direction
        usual = 4.0 * float(np.median(size[::3, ::3])) + 1e-6
        weight = inside / np.maximum(size / usual, 1.0) ** 2
        xx, yy, xy = (float((weight * a * b).sum()) for a, b in ((gx, gx), (gy, gy), (gx, gy)))
        if np.hypot(xx - yy, 2 * xy) < ONE_DIRECTION * (xx + yy) or xx + yy <= 0:
            return None
        across_deg = float(np.degrees(0.5 * np.arctan2(2 * xy, xx - yy)))
        side = int(np.ceil(np.hypot(h, w) / PIECE_BLOCKS)) * PIECE_BLOCKS
        turn = cv2.getRotationMatrix2D((w / 2 - 0.5, h / 2 - 0.5), across_deg + 90.0, 1.0)
        turn[:, 2] += (side / 2 - w / 2, side / 2 - h / 2)
        known = cv2.warpAffine(inside.astype(np.uint8), turn, (side, side), flags=cv2.INTER_NEAREST) > 0
        columns = np.arange(side, dtype=np.int32)
        left = np.maximum.accumulate(np.where(known, columns, np.int32(-1)), axis=1)
        first = known.argmax(axis=1).astype(np.int32)
        source = np.where(left >= 0, left, first[:, None])
        return cls(turn, source, known.any(axis=1), (h, w))

    def along(self, values: FloatImage) -> FloatImage:
        """Median of the values along the tubes, over 25 blocks (200 photo pixels), one block across.

        Spots do not survive it, and a scratch, an eighth of its height in a block's mean, loses a few per
        cent at
        most.
        """
        h, w = self.shape
        side = len(self.source)
        turned = cv2.warpAffine(values, self.turn, (side, side), flags=cv2.INTER_LINEAR)
        held = np.take_along_axis(turned, self.source, axis=1)
        held[~self.known_rows] = 0
        pieces = cv2.resize(held, (side // PIECE_BLOCKS, side), interpolation=cv2.INTER_AREA)
        smooth = cv2.resize(_median_of_five(pieces), (side, side), interpolation=cv2.INTER_LINEAR)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return cv2.warpAffine(smooth, self.turn, (w, h), flags=flags, borderMode=cv2.BORDER_REPLICATE)


def _median_of_five(rows: FloatImage) -> FloatImage:
    """Median of each value and two neighbours on either side in its row, ends repeated.

    The larger of the two smaller and the smaller of the two larger of four, and the fifth: the middle one of
    these three is the median (a selection network).
    """
    wide = cv2.copyMakeBorder(rows, 0, 0, 2, 2, cv2.BORDER_REPLICATE)
    a, b, c, d, e = (np.ascontiguousarray(wide[:, k : k + rows.shape[1]]) for k in range(5))
    low = cv2.max(cv2.min(a, b), cv2.min(c, d))
    high = cv2.min(cv2.max(a, b), cv2.max(c, d))
    return np.asarray(cv2.max(cv2.min(low, high), cv2.min(cv2.max(low, high), e)), np.float32)
