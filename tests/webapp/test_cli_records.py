"""`lehrbook backup | restore | verify | user` from the outside: what is printed, and the exit status."""

import io

import pytest

from models import database, users
from models.records import AuditEntry
from models.store import PhotoStore
from tests.factories import live_a_little
from webapp.cli import main


@pytest.fixture
def home(sqlite_home, monkeypatch):
    monkeypatch.delenv("LEHRBOOK_DATABASE_URL", raising=False)
    engine = database.open_engine(database.default_url(sqlite_home))
    live_a_little(database.session_factory(engine), PhotoStore(sqlite_home / "photos"))
    engine.dispose()
    return sqlite_home


def lehrbook(capsys, *words) -> tuple[int, str, str]:
    status = main([str(word) for word in words])
    out, err = capsys.readouterr()
    return status, out, err


def test_backup_verify_and_restore(home, tmp_path, capsys):
    file = tmp_path / "plant.backup"
    status, out, _ = lehrbook(capsys, "--home", home, "backup", file)
    assert (status, out.startswith(f"{file}: 2 photos")) == (0, True)
    status, out, _ = lehrbook(capsys, "verify", file, "--home", home)
    assert (status, "everything stands as written" in out) == (0, True)
    status, out, _ = lehrbook(capsys, "--home", tmp_path / "other", "restore", file)
    assert (status, "put back and verified" in out) == (0, True)
    status, out, _ = lehrbook(capsys, "--home", tmp_path / "other", "verify")
    assert (status, "everything stands as written; end of the chain" in out) == (0, True)


def test_verify_names_each_fault_and_says_so_in_its_status(home, capsys):
    store = PhotoStore(home / "photos")
    for sha256 in list(store.hashes()):
        store.path(sha256).unlink()
    status, out, _ = lehrbook(capsys, "--home", home, "verify")
    assert status == 2
    assert out.count("its file is missing") == 2
    assert "2 faults found" in out


def test_bad_use_is_one_line(home, tmp_path, capsys):
    status, out, err = lehrbook(capsys, "--home", home, "restore", tmp_path / "none.backup")
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert "is not empty" in err


def give(monkeypatch, *lines):
    monkeypatch.setattr("sys.stdin", io.StringIO("".join(line + "\n" for line in lines)))


def test_people_are_added_listed_and_disabled(home, capsys, monkeypatch):
    give(monkeypatch, "a long grey ribbon", "7302")
    words = (
        "--home",
        home,
        "user",
        "add",
        "Ilse",
        "--full-name",
        "Ilse Varnhagen",
        "--role",
        "administrator",
        "--pin",
    )
    assert lehrbook(capsys, *words) == (0, "ilse: added\n", "")
    give(monkeypatch, "another grey ribbon")
    words = ("--home", home, "user", "add", "piet", "--full-name", "Piet Harring", "--role", "claims_desk")
    assert lehrbook(capsys, *words) == (0, "piet: added\n", "")
    assert lehrbook(capsys, "--home", home, "user", "disable", "piet")[:2] == (0, "piet: disabled\n")
    status, out, _ = lehrbook(capsys, "--home", home, "user", "list")
    assert status == 0
    assert [line.split()[0] for line in out.splitlines()] == [
        "ilse",
        "piet",
        *[f"tomke{n}" for n in numbers(out)],
    ]
    assert "disabled" in next(line for line in out.splitlines() if line.startswith("piet"))
    engine = database.open_engine(database.default_url(home))
    sessions = database.session_factory(engine)
    assert users.sign_in(sessions, "ilse", "7302", with_pin=True).user is not None
    assert users.sign_in(sessions, "piet", "another grey ribbon", with_pin=False).user is None
    with sessions() as session:
        origins = {e.origin for e in session.query(AuditEntry).filter(AuditEntry.action == "user.disable")}
    assert origins == {"command line"}
    engine.dispose()


def numbers(out: str) -> list[str]:
    return [line.split()[0].removeprefix("tomke") for line in out.splitlines() if line.startswith("tomke")]


@pytest.mark.parametrize(
    ("words", "lines", "message"),
    [
        (("disable", "nobody"), (), "user 'nobody': there is no such user"),
        (("password", "nobody"), (), "user 'nobody': there is no such user"),
        (
            ("add", "x y", "--full-name", "X", "--role", "inspector"),
            ("a long grey ribbon",),
            "expected 1 to 40",
        ),
        (
            ("add", "ruta", "--full-name", "Ruta", "--role", "inspector"),
            ("short",),
            "expected 10 to 200 characters",
        ),
        (("add", "ruta", "--full-name", "Ruta", "--role", "inspector"), (), "password: nothing given"),
    ],
)
def test_what_cannot_be_done_is_one_line_and_status_2(home, capsys, monkeypatch, words, lines, message):
    give(monkeypatch, *lines)
    status, out, err = lehrbook(capsys, "--home", home, "user", *words)
    assert (status, out, err.count("\n")) == (2, "", 1)
    assert message in err


def test_an_unknown_role_is_bad_usage(home, capsys):
    with pytest.raises(SystemExit) as stopped:
        main(["user", "add", "ruta", "--full-name", "Ruta", "--role", "owner"])
    assert stopped.value.code == 2
    assert "invalid choice: 'owner'" in capsys.readouterr().err
