"""The blueprint of the quality lead's pages, its roles and the words of its templates."""

from collections.abc import Sequence
from datetime import UTC, datetime

from flask import Blueprint

from models.errors import NoSuchRecord
from models.records import Line
from models.sheet.looked_words import share_words
from webapp.figures.axes import per_1000
from webapp.figures.rate_words import no_rate_words
from webapp.figures.words import CONTEXT
from webapp.trace.forms import PERIODS

bp = Blueprint("trace", __name__, url_prefix="/trace")

LEADS = ("quality_lead", "administrator")


@bp.app_template_filter("instant")
def instant(time_s: float) -> datetime:
    """Unix seconds as a moment."""
    return datetime.fromtimestamp(time_s, UTC)


bp.add_app_template_filter(per_1000, "per_1000")


@bp.context_processor
def words() -> dict[str, object]:
    """What the templates of this part may use."""
    return {**CONTEXT, "periods": PERIODS, "share_words": share_words, "no_rate_words": no_rate_words}


def line_asked_for(lines: Sequence[Line], text: str) -> Line:
    """The line of this number; the first where none is named. Raises NoSuchRecord for any other."""
    if not text:
        return lines[0]
    found = next((line for line in lines if text == str(line.id)), None)
    if found is None:
        msg = f"line {text[:40]!r}: there is no such line; expected one of {', '.join(n.name for n in lines)}"
        raise NoSuchRecord(msg)
    return found
