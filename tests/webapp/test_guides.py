"""The guides as pages: they open for everybody, carry nothing that the browser blocks, and lead somewhere."""

import json
import re
from html.parser import HTMLParser
from importlib.metadata import version
from pathlib import Path

import pytest

import webapp
from tests.guide_texts import TEXTS, parts
from webapp.help.guides import FOLDER, FOLDERS, GUIDES, file_of, guide

TEMPLATES = Path(webapp.__file__).parent / "templates"
ROOT = Path(webapp.__file__).parents[1]
HELP_BLOCK = re.compile(r"{% block help %}([\w-]+)#([\w-]+){% endblock %}")


class Tags(HTMLParser):
    """Tags with their attributes, and the ids, of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def values(self, name: str) -> list[str]:
        return [values[name] or "" for _, values in self.tags if name in values]


def anchors(name: str) -> set[str]:
    return {section.anchor for section in guide(name).sections}


@pytest.mark.parametrize("name", GUIDES)
def test_every_guide_opens_before_signing_in_and_carries_nothing_that_is_blocked(client, name):
    answer = client.get(f"/help/{name}")
    assert answer.status_code == 200
    page = Tags(answer.text)
    assert page.values("style") == []
    assert [tag for tag, _ in page.tags if tag == "h1"] == ["h1"]
    assert not [values for tag, values in page.tags if tag == "script"]
    ids = page.values("id")
    assert len(ids) == len(set(ids))
    for link in page.values("href"):
        if link.startswith("#"):
            assert link[1:] in ids, link


def test_the_index_names_every_guide_and_every_file_is_a_guide(client):
    page = Tags(client.get("/help/").text)
    assert {f"/help/{name}" for name in GUIDES} <= set(page.values("href"))
    assert {path.stem for path in FOLDER.glob("*.md")} == set(GUIDES)
    assert client.get("/help").status_code == 308


@pytest.mark.parametrize("name", GUIDES)
def test_every_link_and_picture_of_a_guide_leads_somewhere(client, name):
    """In the file, for those who read it there, and on the page."""
    for target in re.findall(r"\]\(([^)]+)\)", TEXTS[name]):
        path, _, anchor = target.partition("#")
        assert not path or (FOLDER / path).is_file(), target
        if path.endswith(".md") or not path:
            assert not anchor or anchor in anchors(path.removesuffix(".md") or name), target
    shown = Tags(guide(name).html)
    for link in [*shown.values("href"), *shown.values("src")]:
        path, _, anchor = link.partition("#")
        if path:
            with client.get(f"/help/{path}") as answer:
                assert answer.status_code == 200, link
        assert not anchor or anchor in anchors(path or name), link


def test_the_readme_leads_to_every_guide():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    named = re.findall(r"\]\(webapp/guides/([a-z-]+)\.md\)", text)
    assert set(named) == set(GUIDES)
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert (ROOT / target).is_file(), target


PAGES = sorted(path for path in TEMPLATES.rglob("*.html") if "{% extends" in path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", PAGES, ids=lambda path: str(path.relative_to(TEMPLATES)))
def test_every_page_links_to_the_part_of_the_guide_that_explains_it(path):
    if path.parent.name == "help" or path.name == "error.html":
        return
    found = HELP_BLOCK.search(path.read_text(encoding="utf-8"))
    assert found, "the page sets no block help"
    assert found[2] in anchors(found[1])


def test_the_help_link_of_a_page_opens_its_part(inspector, booth):
    page = Tags(inspector.get("/inspect/").text)
    (link,) = [values["href"] for tag, values in page.tags if values.get("class") == "help"]
    assert link == "/help/inspector#take-a-sheet"


def test_html_in_a_guide_is_shown_and_not_run(monkeypatch, tmp_path):
    (tmp_path / "glossary.md").write_text("# T\n\n<script>x</script> <b>y</b>\n", encoding="utf-8")
    monkeypatch.setattr("webapp.help.guides.FOLDER", tmp_path)
    html = guide.__wrapped__("glossary").html
    assert "<script" not in html
    assert "&lt;b&gt;y" in html


def test_nothing_outside_the_folders_is_handed_out(client):
    assert client.get("/help/samples/..%2finspector.md").status_code == 404
    assert client.get("/help/samples/plant.jso").status_code == 404
    assert client.get("/help/pages/inspector.md").status_code == 404
    assert client.get("/help/nothing").status_code == 404
    assert file_of("..", "settings.py") is None


@pytest.mark.parametrize("folder", FOLDERS)
def test_every_file_beside_the_guides_is_named_in_one(folder):
    linked = {target for text in TEXTS.values() for target in re.findall(r"\]\(([^)#]+)\)", text)}
    assert {f"{folder}/{path.name}" for path in (FOLDER / folder).iterdir()} <= linked


def test_samples_come_as_downloads_and_pictures_as_pictures(client):
    with client.get("/help/samples/sheets.csv") as answer:
        assert answer.mimetype == "text/csv"
        assert "attachment" in answer.headers["Content-Disposition"]
    with client.get("/help/samples/plant.json") as answer:
        assert json.loads(answer.text)["melter_mass_t"] > 0
    with client.get("/help/pictures/reliability.svg") as answer:
        assert answer.mimetype == "image/svg+xml"
        assert "attachment" not in answer.headers.get("Content-Disposition", "")


def test_the_changelog_begins_with_the_version_that_is_installed():
    assert [one.title for one in parts("changelog")][1] == version("lehrbook")
