"""Takes the README's pictures of the three screens, at tablet size, from the demo plant served anew.

python -m tests.bench.screens [--out DIR]        DIR is .readme unless said
"""

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import Browser, Page, sync_playwright

from models.demo import sign_ins
from tests.browser.conftest import CHROMIUM, FLAGS, LANDSCAPE, answers, free_port

ROOT = Path(__file__).resolve().parents[2]


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--out", type=Path, default=ROOT / ".readme")
    out = parser.parse_args().out
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as home, sync_playwright() as playwright:
        port = free_port()
        address = f"http://127.0.0.1:{port}/"
        command = [Path(sys.executable).with_name("lehrbook"), "--home", home, "demo", "--port", str(port)]
        with (out / "server.log").open("w") as log:
            server = subprocess.Popen(command, stdout=log, stderr=subprocess.STDOUT)
        try:
            while not answers(address):
                if server.poll() is not None:
                    sys.exit((out / "server.log").read_text())
                time.sleep(0.2)
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
            inspector(signed_in(browser, address, "tomke"), out)
            lead(signed_in(browser, address, "ilse"), out)
            desk(signed_in(browser, address, "piet"), out)
            browser.close()
        finally:
            server.terminate()
            server.wait(timeout=30)
            (out / "server.log").unlink()


def signed_in(browser: Browser, address: str, name: str) -> Page:
    """A window of tablet size for one of the demo's people."""
    person = next(person for person in sign_ins() if person.name == name)
    page = browser.new_page(viewport={"width": LANDSCAPE[0], "height": LANDSCAPE[1]})
    page.goto(address + "sign-in?way=password")
    page.fill("#name", name)
    page.fill("#secret", person.password)
    page.locator("main").get_by_role("button", name="Sign in").click()
    page.get_by_role("button", name="Sign out").wait_for()
    return page


def inspector(page: Page, out: Path) -> None:
    """The sheet page of a waiting pane, with finds and verdict."""
    root = page.url.split("/inspect")[0]
    for address in [link.get_attribute("href") for link in page.locator("a[href*='/inspect/sheets/']").all()]:
        page.goto(f"{root}{address}")
        if page.locator(".outcome").first.inner_text().startswith(("Reject", "Downgrade")):
            break
    page.wait_for_load_state("networkidle")
    page.wait_for_timeout(1500)  # the viewer's own fade-in
    page.screenshot(path=out / "inspector.png")


def lead(page: Page, out: Path) -> None:
    """The ribbon map."""
    page.get_by_role("link", name="Ribbon").click()
    page.wait_for_load_state("networkidle")
    page.screenshot(path=out / "quality-lead.png", full_page=True)


def desk(page: Page, out: Path) -> None:
    """The history of a finished pane that has photos."""
    page.get_by_label("Label of the sheet, pack or customer").fill("PX")
    page.get_by_role("button", name="Find").click()
    page.wait_for_load_state("networkidle")
    row = page.locator("main tr", has_text="rejected").or_(page.locator("main tr", has_text="accepted"))
    row.first.locator("a[href*='/sheets/']").first.click()
    page.wait_for_load_state("networkidle")
    page.wait_for_timeout(500)
    page.screenshot(path=out / "claims-desk.png", full_page=True)


if __name__ == "__main__":
    main()
