"""The guides' pages."""

import mimetypes

from flask import Blueprint, abort, render_template, send_file
from flask.typing import ResponseReturnValue

from webapp.help.guides import GUIDES, file_of, guide
from webapp.security import open_to_all

bp = Blueprint("help", __name__, url_prefix="/help")


@bp.get("/")
@open_to_all
def index() -> ResponseReturnValue:
    """All guides."""
    return render_template("help/index.html", title="Help", guides=[guide(name) for name in GUIDES])


@bp.get("/<name>")
@open_to_all
def page(name: str) -> ResponseReturnValue:
    """One guide."""
    if name not in GUIDES:
        abort(404)
    shown = guide(name)
    return render_template("help/guide.html", title=shown.title, guide=shown, guides=list(GUIDES))


@bp.get("/<folder>/<name>")
@open_to_all
def file(folder: str, name: str) -> ResponseReturnValue:
    """A sample file, as a download, or a picture of a guide."""
    path = file_of(folder, name)
    if path is None:
        abort(404)
    kind = mimetypes.guess_type(name)[0] or "application/octet-stream"
    return send_file(path, mimetype=kind, as_attachment=folder == "samples", max_age=3600)
