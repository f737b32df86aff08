"""In a real browser: a plant grade by questions, checked while typing, tried and kept; a verdict drawn."""

import pytest
from playwright.sync_api import expect

pytestmark = pytest.mark.browser


def test_a_plant_grade_is_made_checked_tried_and_kept(sign_in, served):
    page = sign_in("ilse")
    page.get_by_role("navigation").get_by_role("link", name="Grades").click()
    page.get_by_role("link", name="Write a plant grade").click()
    page.get_by_label("Name of the grade").fill("Kestrelholm facade")
    page.get_by_label("Short name").fill("kestrelholm-facade")
    page.get_by_role("button", name="Check it and try it").click()
    checked = page.locator("#checked")
    expect(checked).to_contain_text("no gaps and no overlaps")
    text = page.locator("#text")
    good = text.input_value()
    text.fill(good.replace('"[1, 2)"', '"(1, 2)"'))
    expect(checked).to_contain_text("size exactly 1 mm is in no class")
    text.fill(good.replace("per_m2", "per_yard"))
    expect(checked).to_contain_text("Not a grade yet")
    text.fill(good)
    expect(checked).to_contain_text("no gaps and no overlaps")
    page.get_by_role("button", name="Try it").click()
    expect(page.locator(".trial")).to_contain_text("The yield would go from", timeout=60_000)
    page.get_by_role("button", name="Keep this version").click()
    expect(page.get_by_role("status")).to_contain_text("of kestrelholm-facade is kept")
    expect(page.get_by_role("heading", name="Kestrelholm facade")).to_be_visible()


def test_what_is_typed_before_the_script_arrives_is_checked_too(sign_in, served):
    page = sign_in("ilse")
    held = []
    page.route("**/grade_check.js", lambda route: held.append(route))
    page.goto(f"{served.address}grades/write", wait_until="commit")
    text = page.locator("#text")
    checked = page.locator("#checked")
    expect(checked).to_contain_text("no gaps and no overlaps")
    text.fill(text.input_value().replace('"[1.0, 2.0)"', '"(1.0, 2.0)"'))
    while not held:
        page.wait_for_timeout(20)
    held[0].continue_()
    expect(checked).to_contain_text("size exactly 1 mm is in no class")


def test_a_packed_sheet_is_drawn_and_looked_at_by_another_grade(sign_in, served):
    page = sign_in("piet")
    root = served.address.rstrip("/")
    page.goto(f"{root}/grades/packs")
    full = page.get_by_role("row").filter(has=page.get_by_role("cell", name="24", exact=True))
    full.first.get_by_role("link").click()
    page.locator("section[aria-labelledby='sheets-title'] td a").first.click()
    expect(page.locator("svg.figure-svg.sheet-svg")).to_be_visible()
    expect(page.get_by_role("heading", name="rules of today")).to_be_visible()
    page.get_by_label("Look at it by another grade").select_option(label="JIS R 3203:2017 patterned glass")
    page.get_by_role("button", name="Judge by it").click()
    expect(page.get_by_role("heading", name="By JIS R 3203:2017")).to_be_visible()
