"""The parameters of one photo, drawn from broad ranges: looks, sizes, numbers, camera."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from vision.synthetic.parametric.bubbles import BubbleParameters, bubble_parameters
from vision.synthetic.parametric.camera import Camera, draw_camera
from vision.synthetic.parametric.dust import DustParameters, dust_parameters
from vision.synthetic.parametric.fibres import FibreParameters, fibre_parameters
from vision.synthetic.parametric.pen import PenParameters, pen_parameters
from vision.synthetic.parametric.scratches import ScratchParameters, scratch_parameters
from vision.synthetic.parametric.smears import SmearParameters, smear_parameters
from vision.synthetic.parametric.stones import StoneParameters, stone_parameters
from vision.synthetic.random_draws import log_uniform

FINEST_MM, COARSEST_MM = 0.075, 0.8
CROWDED_SPOTS, CROWDED_SCRATCHES = 25, 3
CROWDED_DUST = (10, 80)
USUAL_MOST = 8
DUST_A_M2 = (5, 80)
SMALLEST_MM, LARGEST_MM = 0.06, 9.5
SMALLEST_PX, LARGEST_PX = 0.8, 42.0


@dataclass(frozen=True)
class Counts:
    """How many of each thing."""

    spots: int
    scratches: int
    dust: int
    fibres: int
    letters: int
    strokes: int
    drops: int
    fingers: int
    cups: int
    wiped: int
    mirrored: int


@dataclass(frozen=True)
class Domain:
    """bubbles : share of bubbles among the spots; small : exponent that draws lengths towards small ones"""

    dark: bool
    mm_per_px: float
    camera: Camera
    bubble: BubbleParameters
    stone: StoneParameters
    scratch: ScratchParameters
    dust: DustParameters
    fibre: FibreParameters
    pen: PenParameters
    smear: SmearParameters
    bubbles: float
    small: float
    counts: Counts

    def spot_px(self, rng: np.random.Generator) -> float:
        """Length of one bubble or stone, px."""
        least = max(SMALLEST_MM, SMALLEST_PX * self.mm_per_px)
        most = min(LARGEST_MM, LARGEST_PX * self.mm_per_px)
        return float(least * (most / least) ** (rng.random() ** self.small)) / self.mm_per_px


def draw_domain(rng: np.random.Generator, dark: bool, square_px: float, crowded: bool) -> Domain:
    """The parameters of one photo of `square_px` pixels."""
    mm = log_uniform(rng, FINEST_MM, COARSEST_MM)
    return Domain(
        dark=dark,
        mm_per_px=mm,
        camera=draw_camera(rng, dark),
        bubble=bubble_parameters(rng, dark),
        stone=stone_parameters(rng, dark),
        scratch=scratch_parameters(rng),
        dust=dust_parameters(rng, dark),
        fibre=fibre_parameters(rng),
        pen=pen_parameters(rng, dark),
        smear=smear_parameters(rng),
        bubbles=float(rng.uniform(0.3, 0.7)),
        small=float(rng.uniform(1, 2)),
        counts=_counts(rng, square_px, square_px * mm * mm / 1e6, crowded),
    )


def _counts(rng: np.random.Generator, square_px: float, m2: float, crowded: bool) -> Counts:
    share = square_px / 2.2e6
    dirt = float(rng.uniform(0.2, 1.7)) * min(share, 1.5)
    if crowded:
        spots, scratches = rng.poisson((CROWDED_SPOTS * share, CROWDED_SCRATCHES * min(share, 2)))
        dust = log_uniform(rng, *CROWDED_DUST) * share
    else:
        spots = 0 if rng.random() < 0.12 else min(int(rng.poisson(4)), USUAL_MOST - 1)
        scratches = min(int(rng.poisson(0.7)), USUAL_MOST - spots)
        dust = min(max(log_uniform(rng, *DUST_A_M2) * m2, log_uniform(rng, 1, 25) * share), 120)
    return Counts(
        int(spots),
        int(scratches),
        round(dust),
        int(rng.poisson(6 * dirt)),
        int(rng.poisson(0.35 * dirt)),
        int(rng.poisson(0.35 * dirt)),
        int(rng.poisson(1.2 * dirt)),
        int(rng.poisson(0.6 * dirt)),
        int(rng.poisson(0.12 * dirt)),
        int(rng.poisson(0.3 * dirt)),
        int(rng.poisson(0.45 * dirt)),
    )
