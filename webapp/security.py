"""Who may see what, and what a browser may do with our pages: headers, CSRF, session, roles, secret key.

The sign-in lock itself is kept in the database (see models.users); here stands what belongs to the web.
"""

import contextlib
import os
import secrets
import time
from collections.abc import Callable
from functools import wraps
from pathlib import Path
from typing import Any, cast

from flask import Flask, Response, abort, current_app, redirect, request, session, url_for
from flask.typing import ResponseReturnValue
from flask_login import LoginManager, current_user, logout_user
from flask_wtf import CSRFProtect

from models.errors import LehrbookError
from models.records import ROLES

ROLE_WORDS = {
    "inspector": "inspector",
    "quality_lead": "quality lead",
    "claims_desk": "claims desk",
    "administrator": "administrator",
}

#: the one inline style that the vendored photo viewer sets, by its hash; nothing else is let through
VIEWER_STYLE = "sha256-9xTiqzfwFaL2SGb1rmr8gysEwVVjIvqWAgmZgqFqpEE="

CONTENT_SECURITY_POLICY = "; ".join(
    (
        "default-src 'self'",
        f"style-src 'self' '{VIEWER_STYLE}'",
        "img-src 'self' blob: data:",
        "object-src 'none'",
        "base-uri 'none'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    )
)

csrf = CSRFProtect()

View = Callable[..., ResponseReturnValue]


def roles(*names: str) -> Callable[[View], View]:
    """Open a view to signed-in people with one of these roles; `roles()` opens it to everybody signed in.

    The names stay on the view as `view.roles`, so that a test can walk all routes.
    """
    unknown = set(names) - set(ROLES)
    if unknown:
        msg = f"roles: {sorted(unknown)[0]!r} is no role; expected some of {', '.join(ROLES)}"
        raise LehrbookError(msg)
    allowed = frozenset(names or ROLES)

    def decorate(view: View) -> View:
        @wraps(view)
        def guarded(*args: Any, **kwargs: Any) -> ResponseReturnValue:
            if not current_user.is_authenticated:
                return cast("ResponseReturnValue", current_app.login_manager.unauthorized())  # type: ignore[attr-defined]
            if current_user.role not in allowed:
                abort(403)
            return view(*args, **kwargs)

        guarded.roles = allowed  # type: ignore[attr-defined]
        return guarded

    return decorate


def open_to_all(view: View) -> View:
    """Mark a view as meant for people who are not signed in; the test that walks all routes asks for it."""
    view.roles = frozenset()  # type: ignore[attr-defined]
    return view


def read_or_make_secret_key(home: Path) -> str:
    """The key that signs sessions: made once, at first start, readable by its owner alone (mode 600)."""
    path = home / "secret_key"
    if not path.exists():
        draft = home / f"secret_key.{secrets.token_hex(4)}"
        with os.fdopen(os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "w") as file:
            file.write(secrets.token_hex(32))
        # a link is made whole or not at all: two servers that start at once end up with one key
        with contextlib.suppress(FileExistsError):
            os.link(draft, path)
        draft.unlink()
    return path.read_text(encoding="ascii").strip()


def safe_next(target: str | None, fallback: str) -> str:
    """`target` when it is a path of this very site, else `fallback`: no redirect leads elsewhere."""
    # browsers drop control characters and read a backslash as a slash, which would make another site of it
    odd = target is None or any(sign == "\\" or ord(sign) < 32 for sign in target)
    if not target or odd or not target.startswith("/") or target.startswith("//"):
        return fallback
    return target


def init_app(app: Flask, *, secure_cookies: bool) -> None:
    """Set cookie flags, CSRF, headers, sign-in loading and the idle limit on the app."""
    app.config.update(
        SESSION_COOKIE_NAME="lehrbook",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Lax",
        SESSION_COOKIE_SECURE=secure_cookies,
        # a page may stay open on the tablet for a whole shift: the token lives as long as the session
        WTF_CSRF_TIME_LIMIT=None,
        WTF_CSRF_SSL_STRICT=secure_cookies,
    )
    csrf.init_app(app)
    manager = LoginManager()
    manager.session_protection = "basic"
    manager.init_app(app)
    manager.unauthorized_handler(_to_sign_in)
    app.before_request(_end_idle_session)
    app.after_request(_add_headers)


def origin() -> str:
    """From where an act comes, as it stands in the books."""
    kind = "tablet" if session.get("sign_in") == "tablet" else "browser"
    return f"{kind} {request.remote_addr or 'unknown'}"


def start_session(kind: str) -> None:
    """Begin the idle clock of a new sign-in; `kind` is "tablet" or "desk"."""
    session.permanent = False
    session["sign_in"] = kind
    session["seen"] = int(time.time())


def _to_sign_in() -> ResponseReturnValue:
    if wants_json():
        return {"error": {"status": 401, "message": "Your sign-in has ended: sign in again."}}, 401
    here = request.full_path.rstrip("?") if request.method == "GET" else None
    return redirect(url_for("account.sign_in", next=here))


def wants_json() -> bool:
    """Whether the caller is one of our scripts (or asks for JSON), so that answers and errors are JSON."""
    best = request.accept_mimetypes.best_match(["text/html", "application/json"])
    return (
        best == "application/json" and request.accept_mimetypes[best] > request.accept_mimetypes["text/html"]
    )


def _end_idle_session() -> None:
    if request.endpoint == "static" or "seen" not in session:
        return
    settings = current_app.extensions["plant"].settings
    minutes = settings.tablet_minutes if session.get("sign_in") == "tablet" else settings.desk_minutes
    now = int(time.time())
    if now - session["seen"] > minutes * 60:
        logout_user()
        session.clear()
        session["ended"] = "idle"
        return
    if request.headers.get("X-Background") is None and now - session["seen"] >= 15:
        session["seen"] = now  # a page that polls by itself does not keep a sign-in alive


def _add_headers(response: Response) -> Response:
    response.headers.setdefault("Content-Security-Policy", CONTENT_SECURITY_POLICY)
    response.headers.setdefault("X-Content-Type-Options", "nosniff")
    response.headers.setdefault("X-Frame-Options", "DENY")
    response.headers.setdefault("Referrer-Policy", "same-origin")
    response.headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
    if request.endpoint != "static" and "Cache-Control" not in response.headers:
        response.headers["Cache-Control"] = "no-store"
    return response
