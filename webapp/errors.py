"""One place where an error becomes what a person or a script sees.

A page for browsers; for scripts always the same JSON: {"error": {"status": int, "message": str}}.
Nobody ever gets a traceback: a fault is logged under a short number which the page shows.
"""

import logging
import secrets

from flask import Flask, Response, current_app, flash, redirect, render_template, request, url_for
from flask.typing import ResponseReturnValue
from flask_wtf.csrf import CSRFError
from sqlalchemy.exc import OperationalError
from werkzeug.exceptions import HTTPException

from models.errors import DatabaseError, LehrbookError, NoSuchRecord, NotAllowedNow
from vision.errors import VisionError
from webapp.security import safe_next, wants_json

log = logging.getLogger("lehrbook.web")

STATUS_OF: tuple[tuple[type[Exception], int], ...] = (
    (NoSuchRecord, 404),
    (NotAllowedNow, 409),
    (DatabaseError, 503),
    (LehrbookError, 400),
    (VisionError, 400),
)

WORDS = {
    400: ("That did not work", "The page sent something that cannot be read. Go back, reload and try again."),
    401: ("Sign in first", "Your sign-in has ended: sign in again."),
    403: ("Not for this sign-in", "Your role does not open this page. Ask an administrator if you need it."),
    404: ("Nothing here", "There is no page at this address."),
    405: (
        "Not this way",
        "This address takes another kind of request. Go back and use the page's own buttons.",
    ),
    409: ("Not now", "Somebody else changed this meanwhile. Reload the page and look again."),
    413: ("Too large", "What was sent is larger than this server accepts."),
    415: ("Not this kind of file", "This address takes another kind of file."),
    500: ("A fault of the program", "Nothing you entered before was lost. Reload the page and try again."),
    503: ("Not available now", "The database cannot be used at the moment."),
}


def status_of(error: Exception) -> int:
    """The HTTP status of an error of the domain."""
    return next((status for kind, status in STATUS_OF if isinstance(error, kind)), 500)


def init_app(app: Flask) -> None:
    """Register the handlers."""
    app.register_error_handler(LehrbookError, _domain)
    app.register_error_handler(VisionError, _domain)
    app.register_error_handler(OperationalError, _busy)
    app.register_error_handler(CSRFError, _stale_page)
    app.register_error_handler(HTTPException, _http)
    app.register_error_handler(Exception, _fault)


def _domain(error: Exception) -> ResponseReturnValue:
    status = status_of(error)
    back = safe_next(request.form.get("back"), "") if request.method == "POST" else ""
    if back and not wants_json():
        # a form that was filled in without scripts: the sentence appears on the page it came from
        flash(str(error), "problem")
        return redirect(back, 303)
    return _answer(status, str(error))


def _busy(error: OperationalError) -> ResponseReturnValue:
    log.warning("database not available at %s %s", request.method, request.path, exc_info=error)
    return _answer(503, "The database is busy or cannot be reached. Nothing was stored: try again.")


def _stale_page(error: CSRFError) -> ResponseReturnValue:
    if wants_json():
        return _answer(400, "This page is out of date: reload it, then try again. Nothing was changed.")
    flash("That page was out of date. Nothing was changed: try again.", "problem")
    return redirect(safe_next(request.form.get("back"), url_for("account.home")), 303)


def _http(error: HTTPException) -> ResponseReturnValue:
    if error.response is not None or (error.code and error.code < 400):
        return error
    status = error.code or 500
    if status == 413:
        megabytes = current_app.extensions["plant"].settings.photo_mb
        return _answer(
            413, f"What was sent is too large: a photo may have {megabytes} MB. Nothing was stored."
        )
    return _answer(status, WORDS.get(status, WORDS[400])[1])


def _fault(error: Exception) -> ResponseReturnValue:
    number = secrets.token_hex(3)
    log.error("fault %s at %s %s", number, request.method, request.path, exc_info=error)
    return _answer(500, f"{WORDS[500][1]} If it happens again, tell your administrator the number {number}.")


def _answer(status: int, message: str) -> ResponseReturnValue:
    if wants_json():
        return {"error": {"status": status, "message": message}}, status
    title = WORDS.get(status, WORDS[400])[0]
    page = render_template("error.html", title=title, message=message, status=status)
    return Response(page, status=status, mimetype="text/html")
