"""Signing in with PIN and password, the lock, the idle limit, and the page of people."""

import stat
import time

import pytest

from models import users
from models.database import reading
from tests import factories
from webapp import create_app
from webapp.security import safe_next


def _try(client, name, secret, way="password", **more):
    return client.post("/sign-in", data={"way": way, "name": name, "secret": secret, **more})


def test_a_password_opens_the_start_page_of_the_role(client, booth):
    answer = _try(client, "inspector", factories.PASSWORD)
    assert answer.status_code == 303
    assert client.get("/").headers["Location"] == "/inspect/"


def test_a_pin_signs_in_and_starts_a_short_session(client, booth):
    assert _try(client, "inspector", factories.PIN, way="pin").status_code == 303
    with client.session_transaction() as session:
        assert session["sign_in"] == "tablet"


def test_the_tablet_page_lists_the_people_with_a_pin(client, booth):
    page = client.get("/sign-in").text
    assert "Ruta inspector" in page
    assert 'inputmode="numeric"' in client.get("/sign-in?way=pin&who=inspector").text


@pytest.mark.parametrize(
    ("name", "secret"), [("inspector", "wrong"), ("nobody", factories.PASSWORD), ("", "")]
)
def test_a_wrong_try_says_so_and_not_which_part_is_wrong(client, booth, name, secret):
    answer = _try(client, name, secret)
    assert answer.status_code == 403
    assert "name and password do not match" in answer.text


def test_five_wrong_tries_lock_even_for_the_right_password(client, booth):
    for _ in range(users.TRIES):
        _try(client, "inspector", "wrong")
    answer = _try(client, "inspector", factories.PASSWORD)
    assert answer.status_code == 403
    assert "locked after 5 wrong tries" in answer.text


def test_an_administrator_ends_a_lock_with_a_new_pin(client, signed_in, booth):
    for _ in range(users.TRIES):
        _try(client, "inspector", "wrong")
    admin = signed_in("administrator")
    assert admin.post("/people/inspector/secret", data={"pin": "5924"}).status_code == 303
    assert _try(client, "inspector", "5924", way="pin").status_code == 303


def test_the_page_asked_for_opens_after_signing_in(client, booth):
    asked = f"/inspect/sheets/{booth.sheet_ids[0]}"
    to_sign_in = client.get(asked).headers["Location"]
    assert client.get(to_sign_in).status_code == 200
    assert _try(client, "inspector", factories.PASSWORD, next=asked).headers["Location"] == asked


@pytest.mark.parametrize(
    "target",
    ["https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere", "/\t/elsewhere", "x", "", None],
)
def test_no_redirect_leads_to_another_site(target):
    assert safe_next(target, "/home") == "/home"


def test_an_idle_tablet_is_signed_out(client, booth):
    _try(client, "inspector", factories.PIN, way="pin")
    with client.session_transaction() as session:
        session["seen"] = int(time.time()) - 31 * 60
    assert client.get("/inspect/").status_code == 302
    assert "ended after a while without use" in client.get("/sign-in").text


def test_a_page_that_polls_does_not_keep_a_sign_in_alive(client, booth):
    _try(client, "inspector", factories.PIN, way="pin")
    old = int(time.time()) - 600
    with client.session_transaction() as session:
        session["seen"] = old
    client.get(f"/inspect/sheets/{booth.sheet_ids[0]}/progress", headers={"X-Background": "1"})
    with client.session_transaction() as session:
        assert session["seen"] == old


def test_signing_out_ends_it(inspector):
    assert inspector.post("/sign-out").status_code == 303
    assert inspector.get("/inspect/").status_code == 302


def test_a_disabled_person_is_out_at_once(inspector, signed_in):
    admin = signed_in("administrator")
    assert inspector.get("/inspect/").status_code == 200
    admin.post("/people/inspector/switch", data={"to": "disabled"})
    assert inspector.get("/inspect/").status_code == 302
    admin.post("/people/inspector/switch", data={"to": "open"})
    assert inspector.get("/inspect/").status_code == 302, "the old sign-in stays ended"
    signed_in("inspector")


def test_an_administrator_adds_somebody_who_can_sign_in(client, signed_in):
    form = {"name": "piet", "full_name": "Piet Harring", "role": "claims_desk", "password": "nine wide lehrs"}
    page = signed_in("administrator").post("/people", data=form, follow_redirects=True).text
    assert "Piet Harring can sign in now." in page
    assert _try(client, "piet", "nine wide lehrs").status_code == 303


def test_a_weak_pin_is_refused_with_a_sentence_on_the_page(signed_in, plant):
    form = {
        "name": "piet",
        "full_name": "Piet Harring",
        "role": "inspector",
        "pin": "1111",
        "back": "/people",
    }
    page = signed_in("administrator").post("/people", data=form, follow_redirects=True).text
    assert "too easy to guess" in page
    with reading(plant.sessions) as session:
        assert "piet" not in [user.name for user in users.list_users(session)]


def test_one_changes_ones_own_password_with_the_old_one(client, inspector, booth):
    new = "eleven slow rolls"
    wrong = inspector.post("/me", data={"old": "wrong", "new": new})
    assert wrong.status_code == 400
    assert inspector.post("/me", data={"old": factories.PASSWORD, "new": new}).status_code == 303
    assert inspector.get("/inspect/").status_code == 200
    assert _try(client, "inspector", new).status_code == 303


def test_a_form_without_its_token_changes_nothing(plant, booth):
    client = create_app({"plant": plant, "TESTING": True}).test_client()
    answer = _try(client, "inspector", factories.PASSWORD)
    assert client.get("/inspect/").status_code == 302, "not signed in"
    assert answer.status_code == 303
    as_script = client.post("/sign-in", headers={"Accept": "application/json"})
    assert as_script.status_code == 400
    assert "out of date" in as_script.json["error"]["message"]


def test_the_secret_key_is_made_once_and_only_its_owner_reads_it(app, plant):
    path = plant.settings.home / "secret_key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert len(path.read_text()) == 64
    assert create_app({"plant": plant}).config["SECRET_KEY"] == app.config["SECRET_KEY"]
