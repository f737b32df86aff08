"""Every screen on a tablet held upright: letters large enough, nothing cut off or on top of each other."""

import re

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import PORTRAIT
from tests.browser.places import screens

pytestmark = pytest.mark.browser
# 12 px is our own least for a dark booth (common practice, no source); half a tenth for rounding.
LETTERS = """() => [...document.querySelectorAll('svg text')]
  .filter(text => text.checkVisibility() && text.textContent.trim())
  .flatMap(text => {
    const matrix = text.getScreenCTM();
    const size = parseFloat(getComputedStyle(text).fontSize) * Math.hypot(matrix.a, matrix.b);
    const box = text.getBoundingClientRect(), all = text.ownerSVGElement.getBoundingClientRect();
    const out = box.left < all.left - 1 || box.right > all.right + 1 || box.top < all.top - 1
      || box.bottom > all.bottom + 1;
    const said = text.textContent.trim().slice(0, 40);
    return [...(size < 11.95 ? [`${size.toFixed(1)} px: ${said}`] : []),
      ...(out ? [`cut off: ${said}`] : [])];
  })"""
OVERLAPS = """() => [...document.querySelectorAll('svg.figure-svg')].flatMap(svg => {
  const texts = [...svg.querySelectorAll('text')]
    .filter(text => text.checkVisibility() && text.textContent.trim() && !text.closest('.spot'))
    .map(text => [text.textContent.trim(), text.getBoundingClientRect()]);
  return texts.flatMap(([said, a], n) => texts.slice(n + 1)
    .filter(([, b]) => Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1.5
      && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 4)
    .map(([other]) => `${said} | ${other}`));
})"""
SIDEWAYS = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
FIGURES = ".scroll-x:has(> svg)"


@pytest.mark.parametrize("who", ["tomke", "ilse", "piet", "ruta"])
def test_an_upright_tablet_shows_every_screen_whole(sign_in, served, who):
    page = sign_in(who, size=PORTRAIT)
    root = served.address.rstrip("/")
    complaints = []
    for place in screens(page, who, root):
        page.goto(root + place)
        page.wait_for_load_state("networkidle")
        for check in (LETTERS, OVERLAPS):
            complaints += [f"{place}: {said}" for said in page.evaluate(check)]
        if page.evaluate(SIDEWAYS) > 0:
            complaints.append(f"{place}: scrolls sideways")
        for figure in page.locator(FIGURES).all():
            if figure.evaluate("e => e.scrollWidth > e.clientWidth"):
                complaints.append(f"{place}: a figure does not fit")
    assert complaints == []


def test_the_bar_keeps_one_line_for_the_person_with_most_entries(sign_in):
    page = sign_in("ruta", size=PORTRAIT)
    tops = page.locator("header nav a").evaluate_all("all => all.map(a => a.getBoundingClientRect().top)")
    assert len(tops) == 5
    assert len(set(tops)) == 1


def test_figures_take_the_ink_that_the_reader_chose(sign_in, served):
    """Where the system sets the colours, figures are lettered in its text colour, not ours on its ground."""
    page = sign_in("ilse", size=PORTRAIT)
    page.emulate_media(forced_colors="active")
    page.goto(f"{served.address}trace/ribbon")
    chosen = page.evaluate("getComputedStyle(document.querySelector('h1')).color")
    for words in (".ribbon-svg .tick", ".ribbon-svg .panel-title text", ".rate-svg .tick"):
        ink = page.locator(words).first.evaluate("e => getComputedStyle(e).fill")
        assert ink == chosen, words
    # a sign's ink is that of the text: of a hollow one its edge, of another what fills it
    for sign, ink in ((".sign .mark.hollow", "stroke"), (".sign .mark:not(.hollow)", "fill")):
        drawn = page.locator(sign).first.evaluate(f"e => getComputedStyle(e).{ink}")
        assert drawn == chosen, sign
    here, other = (
        page.locator(f"nav.parts .button{which}").first.evaluate("e => getComputedStyle(e).borderWidth")
        for which in ("[aria-current]", ":not([aria-current])")
    )
    assert here != other


def test_a_long_list_does_not_wait_for_a_page_of_its_own(sign_in, served):
    """On paper, a list longer than a page begins under its heading; the first page is not left empty."""
    page = sign_in("piet")
    page.goto(f"{served.address}sheets/?q=Ottervale")
    page.emulate_media(media="print")
    panel = page.locator(".panel:has(table)")
    assert panel.locator("tbody tr").count() > 30
    assert panel.evaluate("e => getComputedStyle(e).breakInside") == "auto"
    assert panel.evaluate("e => getComputedStyle(e).borderTopWidth") == "0px"


UNSEEN_FOCUS = """() => {
  const focused = document.activeElement;
  if (!focused || focused === document.body) return null;
  const shown = element => {
    const style = getComputedStyle(element);
    return style.outlineStyle !== 'none' && parseFloat(style.outlineWidth) >= 2;
  };
  const box = focused.getBoundingClientRect();
  const inView = box.width > 0 && box.bottom > 0 && box.top < innerHeight;
  if (inView && (shown(focused) || shown(focused.closest('label') ?? focused))) return '';
  return `${focused.tagName} ${(focused.textContent || focused.name || '').trim().slice(0, 40)}`;
}"""


@pytest.mark.parametrize(
    ("who", "place"), [("piet", "sheets/"), ("ilse", "trace/ribbon"), ("ilse", "trace/furnace")]
)
def test_the_focus_is_seen_at_every_stop(sign_in, served, who, place):
    page = sign_in(who, size=PORTRAIT)
    page.goto(served.address + place)
    page.wait_for_load_state("networkidle")
    stops = 0
    for _ in range(40):
        page.keyboard.press("Tab")
        unseen = page.evaluate(UNSEEN_FOCUS)
        if unseen is None:
            break
        assert unseen == ""
        stops += 1
    assert stops >= 8


def test_a_refused_file_is_told_for_its_own_sheet_alone(sign_in, served, tmp_path):
    notes = tmp_path / "notes of the shift.jpg"
    notes.write_text("not a photo")
    page = sign_in("selma", with_pin=True)
    links = page.locator("a[href*='/inspect/sheets/']")
    first, second = (links.nth(n).get_attribute("href") for n in range(2))
    root = served.address.rstrip("/")
    page.goto(root + first)
    page.wait_for_load_state("load")
    page.set_input_files("input[type=file][multiple][data-direct]", [notes])
    refused = page.locator("#on-the-way li")
    expect(refused).to_contain_text("this is not a photo but text")
    label = page.locator(".sheet-head h1").inner_text()

    page.goto(root + second)
    page.wait_for_load_state("networkidle")
    expect(refused).to_have_count(0)
    page.goto(f"{root}/inspect/")
    expect(refused).to_contain_text(re.compile(f"Not taken for {label}: notes of the shift.jpg"))
    page.get_by_role("button", name="Remove from the list").click()
    expect(refused).to_have_count(0)
