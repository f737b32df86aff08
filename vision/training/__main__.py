"""Make the weights again: `python -m vision.training [--seed S] [--share F] [--keep DIR] [--out FILE]`.

Draws the photos of `PLAN`, runs them through the stages of an inspection, fits the heads and writes one
file. Takes half an hour to an hour on one core; `--share 0.1` draws a tenth, to try things out. `--keep`
holds tables between runs.
"""

from __future__ import annotations

import argparse
import pickle
import sys
import time
import warnings
from dataclasses import dataclass
from pathlib import Path

from vision.classification.networks import WEIGHTS, write
from vision.synthetic.photos import CHOOSING, TRAINING, shot_of, varied
from vision.training.fit import figures, fit_all
from vision.training.gather import Tables, gather


@dataclass(frozen=True)
class Batch:
    """count photos of one renderer from seed `first` on.

    twin : each a second time, as another camera would see it
    """

    renderer: str
    first: int
    count: int
    megapixels: float
    crowded: bool
    twin: bool


PLAN = (
    Batch("raytraced", TRAINING.start, 171, 3.0, True, True),
    Batch("raytraced", TRAINING.start + 171, 153, 2.2, True, True),
    Batch("raytraced", TRAINING.start + 324, 276, 2.2, True, True),
    Batch("sprites", TRAINING.start + 100_000, 186, 2.2, True, True),
    Batch("parametric", TRAINING.start + 150_000, 190, 2.2, True, True),
    Batch("raytraced", CHOOSING.start, 16, 3.0, False, False),
    Batch("raytraced", CHOOSING.start + 16, 77, 2.2, False, False),
    Batch("sprites", CHOOSING.start + 100_000, 93, 2.2, False, False),
    Batch("parametric", CHOOSING.start + 150_000, 90, 2.2, False, False),
)


def tables_of(batch: Batch, share: float, keep: Path | None) -> list[Tables]:
    """Tables of the first `share` of a batch, read from `keep` where they lie there already."""
    out: list[Tables] = []
    for seed in range(batch.first, batch.first + max(2, round(batch.count * share))):
        path = None if keep is None else keep / f"{batch.renderer}_{seed}.tables"
        if path is not None and path.exists():
            out += pickle.loads(path.read_bytes())  # noqa: S301  our own, in a named folder
            continue
        shot = shot_of(seed, batch.renderer, batch.megapixels, batch.crowded)
        some = [gather(shot)] + ([gather(varied(shot))] if batch.twin else [])
        if path is not None:
            path.write_bytes(pickle.dumps(some))
        out += some
    return out


def main(argv: list[str] | None = None) -> int:
    """Run the whole training; returns the exit status."""
    parser = argparse.ArgumentParser(
        prog="python -m vision.training", description="Make the weights of the detector."
    )
    parser.add_argument("--seed", type=int, default=11, help="seed of the networks' first weights")
    parser.add_argument("--share", type=float, default=1.0, help="part of the planned photos to draw")
    parser.add_argument("--keep", type=Path, help="folder to hold tables between runs")
    parser.add_argument("--out", type=Path, default=WEIGHTS, help="file to write")
    arguments = parser.parse_args(argv)
    if arguments.keep is not None:
        arguments.keep.mkdir(parents=True, exist_ok=True)
    start = time.perf_counter()
    parts: dict[bool, list[Tables]] = {True: [], False: []}
    for batch in PLAN:
        parts[batch.crowded] += tables_of(batch, arguments.share, arguments.keep)
        sys.stderr.write(f"{batch.renderer}: drawn after {time.perf_counter() - start:.0f} s\n")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # early stopping tells of itself
        heads = fit_all(parts[True], parts[False], arguments.seed)
    held = figures(heads, parts[False])
    about = {
        "seed": arguments.seed,
        "training_photos": len(parts[True]),
        "choosing_photos": len(parts[False]),
        "plan": [[b.renderer, b.first, round(b.count * arguments.share)] for b in PLAN],
        "figures": held,
    }
    write(arguments.out, heads, about)
    sys.stdout.write(f"{arguments.out}: {held}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
