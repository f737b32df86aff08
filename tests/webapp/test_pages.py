"""What holds for every page and every vendored file: a title, one heading, a language, a known origin."""

import hashlib
import re
from pathlib import Path

import pytest

import webapp

STATIC = Path(webapp.__file__).parent / "static"
TEMPLATES = Path(webapp.__file__).parent / "templates"
BROWSER_VENDOR = Path(__file__).parents[1] / "browser" / "vendor"
LISTED = re.compile(r"\| `([^`]+)` \| `([0-9a-f]{64})` \|")


def _pages(app, booth):
    """Addresses of all pages that open without more than the number of a line or a sheet."""
    numbers = {"line_id": booth.line_id, "sheet_id": booth.sheet_ids[0]}
    for rule in app.url_map.iter_rules():
        if "GET" in rule.methods and rule.endpoint != "static" and rule.arguments <= set(numbers):
            address = rule.rule
            for name, number in numbers.items():
                address = address.replace(f"<int:{name}>", str(number))
            yield address


@pytest.mark.parametrize("role", ["inspector", "quality_lead", "claims_desk", "administrator"])
def test_every_page_has_a_title_one_main_heading_and_a_language(app, signed_in, booth, photographed, role):
    client = signed_in(role)
    seen = 0
    for address in _pages(app, booth):
        with client.get(address) as answer:
            if answer.status_code != 200 or answer.mimetype != "text/html":
                continue
            page = answer.text
        seen += 1
        title = re.search(r"<title>(.*?)</title>", page, re.S).group(1).strip()
        assert title.endswith("· Lehrbook"), address
        assert len(title) > len("· Lehrbook"), address
        assert len(re.findall(r"<h1[ >]", page)) == 1, address
        assert '<html lang="en">' in page, address
        assert page.count("<main") == 1, address
    assert seen >= 3


def test_every_input_of_every_template_is_labelled():
    """An input needs a label for it, a label around it, or a name for screen readers."""
    bare = []
    for path in TEMPLATES.rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        for tag in re.findall(r"<(?:input|select|textarea)\b[^>]*>", text):
            if 'type="hidden"' in tag or "aria-label" in tag:
                continue
            name = re.search(r'\bid="([^"]+)"', tag)
            around = re.search(r"<label[^>]*>(?:(?!</label>).)*" + re.escape(tag), text, re.S)
            if not around and not (name and f'for="{name.group(1)}"' in text):
                bare.append((path.name, tag))
    assert bare == []


def test_every_form_that_posts_carries_its_token():
    for path in TEMPLATES.rglob("*.html"):
        text = path.read_text(encoding="utf-8")
        for form in re.findall(r'<form\b[^>]*method="post"[^>]*>.*?</form>', text, re.S):
            assert re.search(r"csrf_token|hidden\(\)|start\(", form), (path.name, form[:120])


@pytest.mark.parametrize("folder", [STATIC / "vendor", BROWSER_VENDOR], ids=["served", "tests"])
def test_vendored_files_are_the_ones_that_were_read_and_listed(folder):
    listed = dict(LISTED.findall((folder / "VENDORED.md").read_text(encoding="utf-8")))
    there = {
        str(path.relative_to(folder)): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file() and path.name != "VENDORED.md" and not path.name.startswith("LICENSE")
    }
    assert there == listed


def test_nothing_is_loaded_from_another_host():
    for path in [
        *TEMPLATES.rglob("*.html"),
        *(STATIC / "js").rglob("*.js"),
        *(STATIC / "css").rglob("*.css"),
    ]:
        text = path.read_text(encoding="utf-8").replace("http://www.w3.org/2000/svg", "")
        assert not re.search(r"https?://|src=[\"']//", text), path.name
