"""The inspector's booth as a blueprint; the routes stand in the modules beside it."""

from flask import Blueprint
from flask_login import current_user

from webapp.security import roles

bp = Blueprint("inspect", __name__, url_prefix="/inspect")

INSPECTING = ("inspector", "quality_lead", "administrator")
inspecting = roles(*INSPECTING)
"""Opens a view to the people who inspect."""


def may_inspect() -> bool:
    """Whether the signed-in person may act on sheets."""
    return current_user.role in INSPECTING
