"""The guides describe what there is, no more and no less: settings, commands, columns, pages, licences."""

import argparse
import json
import re
import shlex
import struct
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

import webapp as webapp_package
from tests.guide_texts import TEXTS, codes, commands, part, parts
from webapp import create_app
from webapp.cli import build_parser, main
from webapp.cli.import_formats import FORMATS
from webapp.help.guides import FOLDER
from webapp.security import ROLE_WORDS
from webapp.settings import SETTINGS

ROOT = Path(webapp_package.__file__).parents[1]
VENDOR = ROOT / "webapp" / "static" / "vendor"
#: read from the environment, but no settings of the plant
OTHER_NAMES = {"LEHRBOOK_DEBUG"}
#: commands of another kind than the program's own
LEAVES_OUT = ("-h", "--help")
#: guides whose words in bold are controls and headings of the screens
ABOUT_SCREENS = ("inspector", "quality-lead", "claims-desk", "administrator", "tracer-runs", "grades")

Actions = list[argparse.Action]


def told_commands() -> Iterator[tuple[str, Actions]]:
    """Every command, such as "lehrbook grades list", with its own arguments."""

    def walk(name: str, parser: argparse.ArgumentParser) -> Iterator[tuple[str, Actions]]:
        subs = [a for a in parser._actions if isinstance(a, argparse._SubParsersAction)]
        own = [a for a in parser._actions if a not in subs and not set(a.option_strings) & set(LEAVES_OUT)]
        yield name, own
        for sub in subs:
            for word, child in sub.choices.items():
                yield from walk(f"{name} {word}", child)

    yield from walk("lehrbook", build_parser()[0])


COMMANDS = dict(told_commands())


def test_every_setting_is_described_with_its_default():
    rows = {codes(row[0])[0]: row for row in part("administrator", "Settings").rows()}
    assert set(rows) == {setting.environment for setting in SETTINGS}
    for setting in SETTINGS:
        default = setting.default
        said = rows[setting.environment][1]
        expected = "empty" if default == "" else f"`{int(default) if isinstance(default, bool) else default}`"
        assert said == expected, setting.environment
        assert len(rows[setting.environment][2]) > 10


@pytest.mark.parametrize("name", [name for name in COMMANDS if name != "lehrbook"])
def test_every_command_is_described_with_its_options_and_no_others(name):
    text = part("commands", name).text
    told = {word for code in codes(text) for word in re.findall(r"--[a-z-]+", code)} - {"--home"}
    options = {option for action in COMMANDS[name] for option in action.option_strings}
    assert told == options
    for action in COMMANDS[name]:
        if action.choices and not action.option_strings:
            assert set(map(str, action.choices)) <= set(codes(text))


def test_every_described_command_exists():
    described = {one.title for one in parts("commands") if one.title.startswith("lehrbook")}
    assert described == set(COMMANDS) - {"lehrbook"}
    assert {"--home DIR", "lehrbook --version"} <= set(codes(TEXTS["commands"].split("\n## ")[0]))


@pytest.mark.parametrize(("guide", "line"), sorted(set(commands())))
def test_every_command_line_in_a_guide_can_be_used(guide, line):
    words = shlex.split(line.replace("...", ""))[1:]
    if words[:1] == ["--home"]:
        words = words[2:]
    if not words or words == ["--version"]:
        return
    name = "lehrbook"
    while words and f"{name} {words[0]}" in COMMANDS:
        name = f"{name} {words.pop(0)}"
    assert name != "lehrbook", f"{guide}: {line}"
    options = {option for action in COMMANDS[name] for option in action.option_strings} | {"--home"}
    assert {word for word in words if word.startswith("--")} <= options, f"{guide}: {line}"
    chosen = [action for action in COMMANDS[name] if action.choices and not action.option_strings]
    assert all(words[0] == "KIND" or words[0] in action.choices for action in chosen), f"{guide}: {line}"


@pytest.mark.parametrize("name", TEXTS)
def test_every_name_of_the_environment_exists(name):
    known = {setting.environment for setting in SETTINGS} | OTHER_NAMES
    assert set(re.findall(r"LEHRBOOK_[A-Z_]+", TEXTS[name])) <= known


def told_columns() -> dict[str, tuple[set[str], set[str]]]:
    """Needed and other columns by kind of file, as `lehrbook import --help` has them."""
    told = {}
    for piece in re.split(r"\n  (?=\S)", "\n" + FORMATS.split("\n\n")[1])[1:]:
        kind, _, rest = piece.partition(" ")
        needed, _, free = rest.split("(")[0].partition("[")
        told[kind] = (set(re.findall(r"\w+", needed)), set(re.findall(r"\w+", free)))
    return told


@pytest.mark.parametrize(("kind", "columns"), told_columns().items(), ids=told_columns())
def test_every_import_column_is_described_and_no_other(kind, columns):
    needed, free = columns
    rows = part("file-formats", kind).rows()
    assert {codes(row[0])[0] for row in rows if row[1] == "needed"} == needed
    assert {codes(row[0])[0] for row in rows if row[1] == ""} == free
    assert all(len(row[2]) > 3 for row in rows)


def test_every_page_is_described_with_those_who_may_open_it(tmp_path):
    app = create_app({"home": tmp_path})
    pages = {
        rule.rule: app.view_functions[rule.endpoint].roles
        for rule in app.url_map.iter_rules()
        if "GET" in rule.methods and rule.endpoint != "static"
    }
    told = {}
    for address, _, who in part("administrator", "Pages and who may open them").rows():
        if who == "all roles":
            may = frozenset(ROLE_WORDS)
        elif who == "before signing in":
            may = frozenset()
        else:
            may = frozenset(role for role, words in ROLE_WORDS.items() if words in who.split(", "))
            assert len(may) == len(who.split(", ")), who
        told[codes(address)[0]] = may
    assert told == pages


def _words(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("name", ABOUT_SCREENS)
def test_words_in_bold_stand_on_the_screens(name):
    web = ROOT / "webapp"
    sources = [
        *(web / "templates").rglob("*.html"),
        *web.rglob("*.py"),
        *(web / "static" / "js").rglob("*.js"),
    ]
    screens = _words(
        " ".join(path.read_text(encoding="utf-8") for path in sources if "help" not in path.parts)
    )
    bold = {_words(text) for text in re.findall(r"\*\*(.+?)\*\*", TEXTS[name], flags=re.S)}
    by_definition = {"bold", "find", "defect", "open"}
    assert [text for text in sorted(bold - by_definition) if text not in screens] == []


def test_the_samples_can_be_imported_into_an_empty_plant(tmp_path, capsys, monkeypatch):
    monkeypatch.delenv("LEHRBOOK_DATABASE_URL", raising=False)
    for turn in ("first", "second"):
        for kind in told_columns():
            sample = FOLDER / "samples" / f"{kind}.{'json' if kind == 'plant' else 'csv'}"
            assert main(["--home", str(tmp_path / "plant"), "import", kind, str(sample)]) == 0
            out, err = capsys.readouterr()
            assert err == ""
            rows = 1 if kind == "plant" else len(sample.read_text(encoding="utf-8").splitlines()) - 1
            assert f": {rows} rows of {kind}" in out
            if turn == "second":
                assert f"0 added, {rows} there already." in out


def test_the_sample_to_judge_and_the_sample_set_ups_can_be_read(capsys):
    from vision import PhotoSetup

    sample = FOLDER / "samples" / "defects-to-judge.json"
    assert (
        main(
            ["grades", "judge", "eschenfurt-window", str(sample), "--sets", str(ROOT / "models/grades/sets")]
        )
        == 0
    )
    answer = json.loads(capsys.readouterr().out)
    assert answer["outcome"] == "accept"
    named = {code for row in part("file-formats", "Judging file").rows() for code in codes(row[0])}
    given = json.loads(sample.read_text(encoding="utf-8"))
    assert set(given) | {key for one in given["defects"] for key in one} <= named
    for path in (FOLDER / "samples").glob("*.setup.json"):
        setup = PhotoSetup.from_file(path)
        assert setup.field_mm is not None
        named = {code for row in part("file-formats", "Photo set-up file").rows() for code in codes(row[0])}
        assert set(setup.to_dict()) <= named


def test_every_field_of_an_inspection_result_is_described(tmp_path):
    from vision import PhotoSetup, inspect_photo

    folder = ROOT / "demo_images"
    photo = folder / "fixed-camera-dark.jpg"
    setup = PhotoSetup.from_file(folder / "fixed-camera-dark.setup.json")
    result = inspect_photo(photo.read_bytes(), setup, name=photo.name).to_dict()
    text = part("file-formats", "Inspection result").text
    named = set(codes(text))
    assert set(result) | set(result["finds"][0]) | set(result["scale"]) <= named


def test_every_package_and_every_part_is_named_with_its_licence():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    needed = {
        re.match(r"[\w-]+", one)[0]
        for one in [*project["dependencies"], *extras["postgres"], *extras["heic"]]
    }
    rows = part("licences", "Python packages").rows()
    assert {row[0].split(" (")[0].lower() for row in rows} == needed
    listed = _rows(VENDOR / "VENDORED.md")
    folders = {path.name for path in VENDOR.iterdir() if path.is_dir()}
    assert {re.search(r"`([^/`]+)/", row[4])[1] for row in listed} == folders
    text = part("licences", "Parts inside the program").text
    for folder in folders:
        name, _, number = folder.rpartition("-")
        assert re.search(rf"{name}.*{re.escape(number)}", text, flags=re.I)
        assert (VENDOR / folder / "LICENSE.txt").stat().st_size > 1000


def _rows(path: Path) -> list[list[str]]:
    lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.split("|")[1:-1]] for line in lines[2:]]


@pytest.mark.parametrize("name", ["DejaVuSans.ttf", "DejaVuSans-Bold.ttf"])
def test_the_fonts_licence_is_the_one_that_the_font_carries(name):
    """Name 13 of a font's naming table is its licence (OpenType, table "name")."""
    carried = _licence_in(VENDOR / "dejavu-2.37" / name)
    shipped = (VENDOR / "dejavu-2.37" / "LICENSE.txt").read_text(encoding="utf-8")
    # the font's own text misspells a name once, and underlines with another number of dashes
    expected = _words(re.sub(r"-{3,}", "", carried).replace("Tavmjung", "Tavmjong"))
    assert len(expected) > 4000
    assert _words(re.sub(r"-{3,}", "", shipped)).startswith(expected)


def _licence_in(path: Path) -> str:
    data = path.read_bytes()
    (tables,) = struct.unpack(">H", data[4:6])
    entries = [struct.unpack(">4sIII", data[12 + 16 * i : 28 + 16 * i]) for i in range(tables)]
    at, length = next((offset, size) for tag, _, offset, size in entries if tag == b"name")
    table = data[at : at + length]
    count, texts = struct.unpack(">HH", table[2:6])
    for i in range(count):
        platform, _, _, name, size, offset = struct.unpack(">6H", table[6 + 12 * i : 18 + 12 * i])
        if platform == 3 and name == 13:
            return table[texts + offset : texts + offset + size].decode("utf-16-be")
    raise AssertionError(f"{path.name} carries no licence")
