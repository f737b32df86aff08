"""The invented plant Eschenfurt: three weeks of production that never happened.

`seed_plant` fills an empty database, the same rows for the same seed and end. `add_photo_sheets`
makes the sheets that the demo photos show. Everything here is invented: people, customers,
figures and furnace.
"""

from models.demo.booth import PhotoSheet, add_photo_sheets, decide_by_truth
from models.demo.people import SignIn
from models.demo.seed import SEED, Seeded, seed_plant, sign_ins

__all__ = [
    "SEED",
    "PhotoSheet",
    "Seeded",
    "SignIn",
    "add_photo_sheets",
    "decide_by_truth",
    "seed_plant",
    "sign_ins",
]
