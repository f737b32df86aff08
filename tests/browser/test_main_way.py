"""The main job from end to end in a real browser: photo, finds, decision, verdict, ribbon, history."""

import re
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

from tests.browser.conftest import LANDSCAPE, PORTRAIT

pytestmark = pytest.mark.browser
PHOTOS = Path(__file__).resolve().parents[2] / "demo_images"
PHOTO = "seedy-window-bright.jpg"
VISION_MS = 90_000


def open_pane(page: Page) -> str:
    """The pane that was marked and touched: 500 x 380 mm, ordered as window glass. Returns its label."""
    addresses = [link.get_attribute("href") for link in page.locator("a[href*='/inspect/sheets/']").all()]
    for address in dict.fromkeys(addresses):
        page.goto(page.url.split("/inspect")[0] + address)
        if page.get_by_text("marked-and-touched-bright.jpg").count():
            return page.locator(".sheet-head h1").inner_text()
        page.go_back()
    pytest.fail("no waiting sheet carries the photo marked-and-touched-bright.jpg")


def test_the_demo_is_set_up_with_progress_and_taken_up_again_at_once(served):
    assert "inspecting photo 1 of" in served.first_output
    assert "100 %" in served.first_output
    assert (served.home / "photos").is_dir()
    # A second start must not seed or inspect anything again; the limit itself is read off in the README.
    assert "inspecting photo" not in (served.home.parent / "server.log").read_text()


def test_from_photo_to_ribbon_and_history(sign_in, served):
    page = sign_in("tomke", with_pin=True)
    label = open_pane(page)

    # Upload: photo and its set-up together; then the finds of the new photo appear.
    before = page.locator("#photo-tabs a, #photo-tabs button").count()
    page.set_input_files(
        "input[type=file][multiple][data-direct]", [PHOTOS / PHOTO, PHOTOS / "seedy-window-bright.setup.json"]
    )
    expect(page.locator("#photo-tabs a, #photo-tabs button")).to_have_count(before + 1, timeout=VISION_MS)
    expect(page.locator("#photo-tabs")).to_contain_text(
        re.compile(r"Photo 2\s*sizes from"), timeout=VISION_MS
    )
    expect(page.get_by_text(PHOTO)).to_be_attached()

    # Dismiss one find.
    open_finds = page.locator("li.find[data-open]")
    count = open_finds.count()
    assert count >= 2
    dismissed = open_finds.last
    dismissed_id = dismissed.get_attribute("data-find")
    dismissed.get_by_role("button", name=re.compile("^Dismiss")).click()
    expect(page.locator(f"#find-{dismissed_id}")).to_have_class(re.compile("dismissed"))

    # Confirm the rest, then add a large stone by hand: the verdict turns to reject at once, with its reason.
    page.get_by_role("button", name=re.compile("^Confirm all")).click()
    expect(open_finds).to_have_count(0)
    page.locator("#missed > summary").click()
    page.fill("#add-x", "250")
    page.fill("#add-y", "190")
    page.fill("#add-length", "4,5")
    page.locator("#missed").get_by_role("button", name="stone").click()
    expect(page.locator("#said")).to_contain_text("Added: stone 4.5")
    verdict = page.locator(".outcome").first
    expect(verdict).to_contain_text("Reject")
    reasons = page.locator("ul.reasons").first
    expect(reasons).to_contain_text("none allowed")
    expect(reasons.locator(".clause").first).not_to_be_empty()

    # Finish: the verdict is stored, the next sheet opens.
    page.get_by_role("button", name="Finish, next sheet").click()
    expect(page.locator("h1").first).not_to_contain_text(label)

    # The same sheet's history on the claims desk.
    desk = sign_in("piet")
    desk.get_by_label("Label of the sheet, pack or customer").fill(label.lower())
    desk.get_by_role("button", name="Find").click()
    expect(desk.locator("h1")).to_contain_text(label)
    expect(desk.locator("main")).to_contain_text(re.compile("reject", re.I))
    expect(desk.locator("main")).to_contain_text("4.5")
    expect(desk.locator("main")).to_contain_text("Tomke Brandt")
    expect(desk.locator("main")).to_contain_text(PHOTO)

    # The same defect on the ribbon map, found by its place and size, and from there to the sheet.
    lead = sign_in("ilse")
    lead.get_by_role("link", name="Ribbon").click()
    lead.get_by_text("More filters").click()
    lead.get_by_label("Size from, mm").fill("4.4")
    lead.get_by_role("button", name="Show").click()
    lead.get_by_text(re.compile("defects? in view as a list")).click()
    row = lead.locator("tr", has_text=label).first
    expect(row).to_contain_text("stone")
    row.get_by_role("link").first.click()
    expect(lead.locator("main")).to_contain_text(label)


@pytest.mark.parametrize("size", [LANDSCAPE, PORTRAIT], ids=["landscape", "portrait"])
def test_pages_fit_the_tablet_without_sideways_scrolling(sign_in, size):
    for who in ("tomke", "ilse", "piet"):
        page = sign_in(who, size=size)
        page.wait_for_load_state("load")  # before its style sheets, a page is a body's margins too wide
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, f"{page.url} is {wide} px too wide"
