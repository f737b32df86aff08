"""Who may open what: every route has its roles, refuses others, and carries the protecting headers."""

import dataclasses
import re

import pytest
from flask import Flask
from sqlalchemy import select

from models.database import reading
from models.records import AuditEntry
from tests import factories
from tests.webapp.conftest import ROLES
from webapp import create_app

STATIC = {"static"}


def _routes(app):
    for rule in app.url_map.iter_rules():
        if rule.endpoint not in STATIC:
            yield rule


def _address(rule):
    return re.sub(r"<(int:|float:|path:)?[^>]+>", lambda m: "1" if m.group(1) else "nobody", rule.rule)


def _ask(client, rule, **kwargs):
    method = "POST" if "POST" in rule.methods else "GET"
    return client.open(_address(rule), method=method, **kwargs)


def test_every_route_says_who_may_open_it(app: Flask):
    unmarked = [r.endpoint for r in _routes(app) if not hasattr(app.view_functions[r.endpoint], "roles")]
    assert unmarked == []


def test_only_signing_in_and_out_and_the_guides_are_open_to_all(app: Flask):
    open_to_all = {r.endpoint for r in _routes(app) if not app.view_functions[r.endpoint].roles}
    assert open_to_all == {
        *("account.sign_in", "account.try_sign_in", "account.sign_out"),
        *("help.index", "help.page", "help.file"),
    }


def test_nobody_gets_in_without_signing_in(app, client, booth):
    for rule in _routes(app):
        if app.view_functions[rule.endpoint].roles:
            answer = _ask(client, rule)
            assert answer.status_code == 302, rule.rule
            assert answer.headers["Location"].startswith("/sign-in"), rule.rule


def test_scripts_get_401_instead_of_a_redirect(app, client, booth):
    for rule in _routes(app):
        if app.view_functions[rule.endpoint].roles:
            answer = _ask(client, rule, headers={"Accept": "application/json"})
            assert answer.status_code == 401, rule.rule
            assert answer.json["error"]["status"] == 401


@pytest.mark.parametrize("role", ROLES)
def test_a_role_is_refused_where_it_does_not_belong(app, signed_in, role):
    client = signed_in(role)
    for rule in _routes(app):
        roles = app.view_functions[rule.endpoint].roles
        if roles and role not in roles:
            assert _ask(client, rule).status_code == 403, (role, rule.rule)


@pytest.mark.parametrize("role", ROLES)
def test_no_route_gives_a_fault_or_a_traceback(app, signed_in, role):
    """Every route, asked with nothing about records that do not exist, gives a page or a sentence."""
    app.config["PROPAGATE_EXCEPTIONS"] = False
    client = signed_in(role)
    for rule in _routes(app):
        if rule.endpoint == "account.sign_out":
            continue
        answer = _ask(client, rule)
        assert answer.status_code < 500, (rule.rule, answer.data[-300:])
        assert b"Traceback" not in answer.data


def test_every_answer_carries_the_protecting_headers(client, booth):
    for path in ("/sign-in", "/static/css/base.css", "/nowhere"):
        with client.get(path) as answer:
            headers = answer.headers
        assert "default-src 'self'" in headers["Content-Security-Policy"]
        assert "frame-ancestors 'none'" in headers["Content-Security-Policy"]
        assert "unsafe" not in headers["Content-Security-Policy"]
        assert headers["X-Content-Type-Options"] == "nosniff"
        assert headers["Referrer-Policy"] == "same-origin"


def test_the_session_cookie_is_kept_from_scripts(client, booth):
    cookie = client.get("/sign-in").headers["Set-Cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie


def test_pages_carry_no_inline_script_or_style(inspector, booth, photographed):
    """The content security policy would block them; what is found here would not work in a browser."""
    for path in ("/sign-in", "/inspect/", f"/inspect/sheets/{booth.sheet_ids[0]}", "/me"):
        page = inspector.get(path, follow_redirects=True).text
        assert not re.search(r"<script(?![^>]*(src=|application/json))", page), path
        assert " style=" not in page, path
        assert not re.search(r"\son[a-z]+=", page), path


def test_an_unknown_page_says_so_in_a_sentence(inspector):
    answer = inspector.get("/nowhere")
    assert answer.status_code == 404
    assert "There is no page at this address." in answer.text


@pytest.mark.parametrize(("proxies", "expected"), [(0, "browser 127.0.0.1"), (1, "browser 10.9.8.7")])
def test_forwarded_addresses_are_believed_only_behind_a_known_proxy(plant, booth, proxies, expected):
    behind = dataclasses.replace(plant, settings=dataclasses.replace(plant.settings, trusted_proxies=proxies))
    client = create_app({"plant": behind, "TESTING": True, "WTF_CSRF_ENABLED": False}).test_client()
    form = {"way": "password", "name": "inspector", "secret": factories.PASSWORD}
    client.post("/sign-in", data=form, headers={"X-Forwarded-For": "10.9.8.7"})
    with reading(plant.sessions) as session:
        entry = session.scalars(select(AuditEntry).where(AuditEntry.action == "user.sign_in")).one()
        assert entry.origin == expected
