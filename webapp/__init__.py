"""The web application: thin. A route reads the request, calls one function of models or vision, renders.

Imports models and vision; neither of them imports webapp. Blueprints do not import each other: what two of
them need stands in a module beside them. Nothing is opened at import; `create_app` does it.
"""

import importlib
from collections.abc import Mapping
from typing import Any

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

# each a package or module with `bp`
BLUEPRINTS = (
    "webapp.account.routes",
    "webapp.photos",
    "webapp.inspect.routes",
    "webapp.grades.routes",
    "webapp.trace.routes",
    "webapp.claims.routes",
    "webapp.dossier",
    "webapp.help.routes",
)


def create_app(config: Mapping[str, Any] | None = None) -> Flask:
    """A new application.

    config : lower-case names are rows of webapp.settings.SETTINGS, UPPER-CASE names go to Flask as they are.

    Raises LehrbookError for a setting that does not exist or a database that cannot be used.
    """
    from webapp import errors, security, view_helpers
    from webapp.account import signed_in
    from webapp.plant import Plant, open_plant
    from webapp.settings import load_settings

    config = dict(config or {})
    flask_config = {name: config.pop(name) for name in list(config) if name.isupper()}
    plant = config.pop("plant", None) or open_plant(load_settings(config))
    if not isinstance(plant, Plant):
        msg = f"create_app: plant is {type(plant).__name__}, expected webapp.plant.Plant"
        raise TypeError(msg)

    app = Flask(__name__)
    app.config.update(
        SECRET_KEY=security.read_or_make_secret_key(plant.settings.home),
        # several photos may come in one form; each is checked against photo_mb by itself
        MAX_CONTENT_LENGTH=4 * plant.settings.photo_mb * 1_000_000,
        MAX_FORM_PARTS=60,
    )
    app.config.update(flask_config)
    app.extensions["plant"] = plant
    app.teardown_appcontext(plant.end_session)
    count = plant.settings.trusted_proxies
    if count > 0:
        # believed only where an administrator says so: anybody can send these headers
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=count, x_proto=count, x_host=count)  # type: ignore[method-assign]
    security.init_app(app, secure_cookies=plant.settings.secure_cookies)
    signed_in.init_app(app)
    errors.init_app(app)
    view_helpers.init_app(app)
    for name in BLUEPRINTS:
        app.register_blueprint(importlib.import_module(name).bp)
    return app
