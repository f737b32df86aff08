"""The furnace page in a real browser: a tracer file goes in, its run is put aside by name."""

import pytest
from playwright.sync_api import expect

from tests.browser.conftest import PORTRAIT

pytestmark = pytest.mark.browser
# Levenspiel, Chemical Reaction Engineering, 3rd ed., ch. 11 (from memory), minutes as hundreds of tonnes
READINGS = (0, 3, 5, 5, 4, 2, 1, 0)


def test_a_tracer_file_goes_in_and_its_run_is_switched(sign_in, served, tmp_path):
    rows = [f"B-1,,,{500 * n},{c}" for n, c in enumerate(READINGS)]
    rows[0] = "B-1,refiner,2026-01-10T06:00:00Z,0,0"
    path = tmp_path / "tracer.csv"
    path.write_text("run_id,section,introduced,tonnes,tracer\n" + "\n".join(rows) + "\n", encoding="utf-8")
    page = sign_in("ilse", size=PORTRAIT)
    page.goto(served.address + "trace/furnace")
    page.get_by_label("File (CSV)").set_input_files(path)
    page.get_by_role("button", name="Bring it in").click()
    expect(page.get_by_text("8 rows of tracer for line L1: 8 added.")).to_be_visible()
    row = page.get_by_role("row", name="refiner tracer run B-1")
    expect(row).to_contain_text("1\u202f500")
    page.get_by_role("link", name="B-1 refiner, pulse").click()
    expect(page.get_by_role("img", name="8 samples over 3500 t")).to_be_visible()
    page.get_by_label("Why").fill("a try")
    page.get_by_role("button", name="Do without this run").click()
    expect(page.get_by_text("does without run B-1 from now on, by your name")).to_be_visible()
    page.get_by_role("link", name="Furnace").click()
    expect(page.get_by_role("row", name="refiner plant figures")).to_be_visible()
    # as wide as the tablet, no wider
    assert page.evaluate("document.documentElement.scrollWidth") <= PORTRAIT[0]
