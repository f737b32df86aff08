"""The command's frame: usage, where --home may stand, one line and status 2 for what is wrong."""

import argparse
import os
import socket
import types

import pytest

from models.errors import BadValue
from webapp import cli
from webapp.cli import main
from webapp.serving import check_port
from webapp.settings import SETTINGS, load_settings


@pytest.fixture
def echo(monkeypatch):
    """A command that notes what it was called with and may raise."""
    seen = types.SimpleNamespace(args=None, error=None)

    def add_parser(subparsers):
        parser = subparsers.add_parser("echo")
        parser.add_argument("word", nargs="?")

    def run(args):
        seen.args = args
        if seen.error is not None:
            raise seen.error
        return 0

    module = types.SimpleNamespace(add_parser=add_parser, run=run)

    def build():
        parser = cli.OneLineParser(prog="lehrbook")
        subparsers = parser.add_subparsers(dest="command", required=True)
        add_parser(subparsers)
        return parser, {"echo": module}

    monkeypatch.setattr(cli, "build_parser", build)
    return seen


@pytest.mark.parametrize(
    "order", [["--home", "H", "echo"], ["echo", "--home", "H"], ["echo", "w", "--home=H"]]
)
def test_home_may_stand_before_and_after_the_command(echo, order, tmp_path):
    words = [word.replace("H", str(tmp_path)) if "H" in word else word for word in order]
    assert main(words) == 0
    assert echo.args.settings.home == tmp_path


def test_home_comes_from_the_environment_too(echo, monkeypatch, tmp_path):
    monkeypatch.setenv("LEHRBOOK_HOME", str(tmp_path))
    assert main(["echo"]) == 0
    assert echo.args.home == tmp_path


@pytest.mark.parametrize(
    "error", [BadValue("sheets.csv:\nline 3: no label"), FileNotFoundError(2, "No such file", "x.csv")]
)
def test_bad_input_is_one_line_and_status_2(echo, capsys, error):
    echo.error = error
    assert main(["echo"]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert said.startswith("lehrbook echo: ")


def test_a_fault_is_one_line_and_status_1(echo, capsys, monkeypatch):
    monkeypatch.delenv("LEHRBOOK_DEBUG", raising=False)
    echo.error = ZeroDivisionError("division by zero")
    assert main(["echo"]) == 1
    said = capsys.readouterr().err
    assert "a fault of the program" in said
    assert "Traceback" not in said


@pytest.mark.parametrize(
    "words", [[], ["no-such-command"], ["serve", "--port", "0"], ["serve", "--port", "x"]]
)
def test_bad_usage_is_one_line_and_status_2(words, capsys):
    with pytest.raises(SystemExit) as left:
        main(words)
    assert left.value.code == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_every_command_is_there_and_has_help(capsys):
    parser, runs = cli.build_parser()
    choices = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction)).choices
    promised = {"demo", "serve", "inspect", "grades", "import", "trace", "dossier"}
    promised |= {"backup", "restore", "verify", "user"}
    assert promised <= set(choices)
    for name in promised:
        with pytest.raises(SystemExit) as left:
            main([name, "--help"])
        assert left.value.code == 0
        assert name in capsys.readouterr().out
        assert name in runs


def test_settings_come_from_the_call_then_the_environment_then_the_default():
    environment = {"LEHRBOOK_PORT": "9000", "LEHRBOOK_SECURE_COOKIES": "yes"}
    settings = load_settings({"threads": 3}, environment)
    assert (settings.threads, settings.port, settings.secure_cookies, settings.photo_mb) == (
        3,
        9000,
        True,
        60,
    )


@pytest.mark.parametrize(
    ("given", "environment", "sentence"),
    [
        ({"colour": "red"}, {}, "setting 'colour': no such setting"),
        ({}, {"LEHRBOOK_PORT": "many"}, "environment variable LEHRBOOK_PORT: 'many' is not readable as int"),
        ({}, {"LEHRBOOK_SECURE_COOKIES": "perhaps"}, "is not readable as bool"),
    ],
)
def test_a_setting_that_cannot_be_read_is_named(given, environment, sentence):
    with pytest.raises(ValueError, match=sentence):
        load_settings(given, environment)


def test_every_setting_has_help_and_an_environment_name():
    for setting in SETTINGS:
        assert setting.help
        assert setting.environment == f"LEHRBOOK_{setting.name.upper()}"


def test_a_taken_port_is_told_with_the_way_out():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(ValueError, match=f"port {port} on 127.0.0.1 cannot be used .*--port {port + 1}"):
            check_port("127.0.0.1", port)


def test_a_folder_that_cannot_be_made_is_told(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["--home", str(tmp_path / "file" / "home"), "user", "list"]) == 2
    assert "cannot be made" in capsys.readouterr().err
    assert os.listdir(tmp_path) == ["file"]


def test_the_version_is_printed_by_itself(capsys):
    from importlib.metadata import version

    with pytest.raises(SystemExit) as stopped:
        main(["--version"])
    assert stopped.value.code == 0
    assert capsys.readouterr().out == f"lehrbook {version('lehrbook')}\n"
