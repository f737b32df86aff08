"""The booth's tablet in a real browser: no network for a while, keys alone, two touches on the photo."""

import re
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser
PHOTOS = Path(__file__).resolve().parents[2] / "demo_images"
TWO = ("seedy-window-bright", "seedy-window-dark")
VISION_MS = 90_000


def ask(served, question: str) -> list[tuple]:
    with closing(sqlite3.connect(served.home / "lehrbook.sqlite3")) as books:
        return books.execute(question).fetchall()


def open_sheet(page: Page, served, label: str) -> None:
    page.goto(f"{served.address}inspect/")
    page.fill("#label", label)
    page.get_by_role("button", name="Open", exact=True).click()
    expect(page.locator(".sheet-head h1")).to_have_text(label)
    page.wait_for_load_state("load")  # the heading stands before the scripts that answer keys and files


def sheet_of(served, photo: str) -> str:
    question = f"SELECT s.label FROM sheet s JOIN photo p ON p.sheet_id = s.id WHERE p.name = '{photo}'"
    return ask(served, f"{question} ORDER BY p.id LIMIT 1")[0][0]


def test_photos_taken_without_network_wait_and_go_up_once_each(sign_in, served):
    label = ask(
        served,
        "SELECT label FROM sheet WHERE state = 'waiting' AND id NOT IN (SELECT sheet_id FROM photo)"
        " ORDER BY ribbon_start_m DESC LIMIT 1",
    )[0][0]
    page = sign_in("jorun", with_pin=True)
    open_sheet(page, served, label)
    page.context.set_offline(True)
    files = [PHOTOS / f"{name}{end}" for name in TWO for end in (".jpg", ".setup.json")]
    page.set_input_files("input[type=file][multiple][data-direct]", files)
    expect(page.locator("#said")).to_contain_text("No network")
    expect(page.locator("#on-the-way li")).to_have_count(2)

    # The page is closed and the network comes back: the photos go up from the page of lines.
    other = page.context.new_page()
    page.close()
    other.context.set_offline(False)
    other.goto(f"{served.address}inspect/")
    expect(other.locator("#on-the-way li")).to_have_count(0, timeout=30_000)
    open_sheet(other, served, label)
    expect(other.locator(".tab")).to_have_count(2)
    expect(other.locator("#photo-tabs")).not_to_contain_text(re.compile("waits|%"), timeout=VISION_MS)
    stored = ask(
        served, f"SELECT p.name FROM photo p JOIN sheet s ON s.id = p.sheet_id WHERE s.label = '{label}'"
    )
    assert sorted(stored) == [(f"{name}.jpg",) for name in TWO]


def test_finds_are_decided_with_keys_alone(sign_in, served):
    page = sign_in("mats", with_pin=True)
    open_sheet(page, served, sheet_of(served, "stone-at-1840-again.jpg"))
    page.keyboard.press("n")
    chosen = page.locator("li.find.selected")
    expect(chosen).to_have_count(1)
    first = chosen.get_attribute("data-find")
    row = page.locator(f"#find-{first}")
    page.keyboard.press("d")
    expect(row).to_have_class(re.compile("dismissed"))
    expect(page.locator("#said")).to_contain_text("Dismissed")
    if "selected" not in (row.get_attribute("class") or ""):  # it stays chosen where no other find waits
        row.locator(".find-pick").focus()
        page.keyboard.press("Enter")
    expect(row).to_have_class(re.compile("selected"))
    page.keyboard.press("u")
    expect(row).to_have_class(re.compile("open"))

    # with the switch off, the same keys do nothing
    page.get_by_text("Keys", exact=True).click()
    page.locator("#keys").uncheck()
    page.locator("#viewer").click(position={"x": 5, "y": 5})
    page.keyboard.press("d")
    page.wait_for_timeout(500)
    expect(row).to_have_class(re.compile("open"))


def test_a_missed_defect_is_placed_by_two_touches(sign_in, served):
    page = sign_in("selma", with_pin=True)
    open_sheet(page, served, sheet_of(served, "faint-scratch-bright.jpg"))
    viewer = page.locator("#viewer")
    expect(viewer.locator("canvas").first).to_be_visible()
    page.get_by_role("button", name=re.compile("Missed")).click()
    viewer.click(position={"x": 250, "y": 200})
    expect(page.locator("#missed [data-hint]")).to_contain_text("other end")
    page.wait_for_timeout(400)  # two quick touches would be a double touch
    viewer.click(position={"x": 330, "y": 260})
    expect(page.locator("#missed [data-hint]")).to_contain_text("Placed")
    page.locator("#missed").get_by_role("button", name="scratch").click()
    expect(page.locator("#said")).to_contain_text("Added: scratch")
    mark = page.locator("svg.marks .mark.hand")
    expect(mark.first).to_be_visible()
