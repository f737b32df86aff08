"""Every screen by WCAG 2.2 (levels A and AA, checked by axe-core), with gloves, by keys and on paper."""

from pathlib import Path

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import PORTRAIT
from tests.browser.places import screens

pytestmark = pytest.mark.browser
AXE = (Path(__file__).parent / "vendor" / "axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]
# 48 px: gloves are outside what the standard's 24 px were made for. Links in running text are exempt there.
SMALL_TARGETS = """() => {
  const targets = 'button, select, summary, input:not([type=hidden]), a.button, nav a';
  const said = (e, box) =>
    `${e.tagName} ${e.textContent.trim().slice(0, 30)} ${box.width.toFixed()}x${box.height.toFixed()}`;
  return [...document.querySelectorAll(targets)]
    .filter(e => e.checkVisibility({visibilityProperty: true}) && !e.closest('.unseen'))
    .map(e => [e, (e.closest('label') ?? e).getBoundingClientRect()])
    .filter(([e, box]) => box.width > 1 && (box.height < 47.5 || box.width < 47.5))
    .map(([e, box]) => said(e, box));
}"""


@pytest.mark.parametrize("who", ["tomke", "ilse", "piet", "ruta"])
def test_screens_meet_wcag_and_fit_gloves(sign_in, served, who):
    page = sign_in(who)
    root = served.address.rstrip("/")
    complaints = []
    for place in screens(page, who, root):
        answer = page.goto(root + place)
        assert answer is not None
        assert answer.status == 200, place
        page.wait_for_load_state("networkidle")
        page.evaluate(AXE)
        report = page.evaluate("tags => axe.run(document, {runOnly: {type: 'tag', values: tags}})", TAGS)
        complaints += [
            f"{place}: {rule['id']}: {node['target']} {node['failureSummary'][:160]}"
            for rule in report["violations"]
            for node in rule["nodes"][:3]
        ]
        complaints += [f"{place}: small target {target}" for target in page.evaluate(SMALL_TARGETS)]
    assert complaints == []


def test_a_sheet_is_worked_through_by_keyboard_alone(sign_in, served):
    page = sign_in("jorun", size=PORTRAIT)
    for link in page.locator("a[href*='/inspect/sheets/']").all():
        page.goto(served.address.rstrip("/") + link.get_attribute("href"))
        if page.locator("li.find[data-open]").count():
            break
        page.go_back()
    page.locator("li.find[data-open]").first.wait_for()
    before = page.locator("li.find[data-open]").count()
    page.keyboard.press("n")
    page.keyboard.press("d")
    expect(page.locator("li.find[data-open]")).to_have_count(before - 1)
    page.keyboard.press("u")
    expect(page.locator("li.find[data-open]")).to_have_count(before)


def test_pages_print_dark_on_white(sign_in, served):
    page = sign_in("ilse")
    for place in ("/trace/ribbon", "/trace/furnace", "/sheets/"):
        answer = page.goto(served.address.rstrip("/") + place)
        assert answer is not None
        assert answer.status == 200
        page.emulate_media(media="print")
        ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
        ink = page.evaluate("getComputedStyle(document.querySelector('h1')).color")
        assert ground in {"rgb(255, 255, 255)", "rgba(0, 0, 0, 0)"}
        red, green, blue = (int(part) for part in ink.removeprefix("rgb(").removesuffix(")").split(","))
        assert max(red, green, blue) < 90
        page.emulate_media(media="screen")
