"""The sheet's record and its photos, fetched for the dossier."""

import io

from PIL import Image
from sqlalchemy.orm import Session

from models.errors import StoreError
from models.grades import GradeBook
from models.history import sheet_history
from models.history_records import PhotoHistory, SheetHistory
from models.store import PhotoStore
from vision.errors import VisionError
from webapp import bridge
from webapp.dossier.writing import sheet_dossier

__all__ = ["dossier_of", "file_name", "photo_for_print"]

LONGEST_PX = 1600
QUALITY = 84


def dossier_of(
    session: Session, store: PhotoStore, book: GradeBook, sheet_id: int
) -> tuple[SheetHistory, bytes]:
    """A sheet's history and its dossier. book : the program's grades, by which its pack is judged.

    Raises NoSuchSheet where there is no such sheet.
    """
    history = sheet_history(session, sheet_id, book)
    return history, sheet_dossier(history, lambda photo: photo_for_print(store, photo))


def photo_for_print(store: PhotoStore, photo: PhotoHistory) -> bytes | None:
    """The photo upright, as a JPEG of at most LONGEST_PX a side; None where its bytes cannot be read.

    It is always made from the original, so that it does not depend on what other copies were made before.
    """
    try:
        upright = bridge.screen_picture(store.read(photo.sha256), photo.name)
    except (StoreError, VisionError):
        return None
    with Image.open(io.BytesIO(upright), formats=("JPEG",)) as picture:
        picture.thumbnail((LONGEST_PX, LONGEST_PX), Image.Resampling.LANCZOS)
        out = io.BytesIO()
        picture.save(out, "JPEG", quality=QUALITY)
    return out.getvalue()


def file_name(label: str) -> str:
    """A file name for a sheet's dossier: letters, figures and dashes of its label."""
    kept = "".join(
        letter if letter.isascii() and (letter.isalnum() or letter in "-_") else "-" for letter in label
    )
    return f"dossier-{kept}.pdf"
