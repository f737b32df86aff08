"""The pages on grades as a blueprint; the routes stand in the modules beside it."""

from flask import Blueprint

from webapp.figures.words import CONTEXT

bp = Blueprint("grades", __name__, url_prefix="/grades")

LEADS = ("quality_lead", "administrator")
"""Who may confirm a table, write a plant grade or judge a sheet again."""


@bp.context_processor
def words() -> dict[str, object]:
    """What the templates of this part may use."""
    return dict(CONTEXT)
