"""The dossier as a download."""

import hashlib

from flask import Blueprint, Response

from webapp.dossier.evidence import dossier_of, file_name
from webapp.plant import current_plant, db
from webapp.security import roles

bp = Blueprint("dossier", __name__, url_prefix="/sheets")


@bp.get("/<int:sheet_id>/dossier.pdf")
@roles("quality_lead", "claims_desk", "administrator")
def pdf(sheet_id: int) -> Response:
    """The dossier of a sheet; the header `X-Content-SHA256` names the hash of its bytes."""
    plant = current_plant()
    history, data = dossier_of(db(), plant.store, plant.book, sheet_id)
    answer = Response(data, mimetype="application/pdf")
    answer.headers["Content-Disposition"] = f'attachment; filename="{file_name(history.sheet.label)}"'
    answer.headers["X-Content-SHA256"] = hashlib.sha256(data).hexdigest()
    return answer
