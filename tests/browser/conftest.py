"""A real server on a free port with the demo plant in it, and a real Chromium to look at it."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from models.demo import sign_ins

CHROMIUM = os.environ.get("LEHRBOOK_TEST_CHROMIUM") or shutil.which("chromium") or ""
# The last ones keep Chromium from looking for hosts outside, at start and later.
FLAGS = (
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
)
LANDSCAPE = (1180, 820)
PORTRAIT = (820, 1180)
SETUP_SECONDS = 600.0
# A machine under load answers late; what is waited for is a state, never a speed.
expect.set_options(timeout=20_000)


@dataclass(frozen=True)
class Served:
    """The demo plant, served: where, what the command said, and how long the two starts took."""

    address: str
    home: Path
    first_output: str
    second_start_s: float


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address + "sign-in", timeout=5) as answer:
            return answer.status == 200
    except (urllib.error.URLError, ConnectionError, TimeoutError):
        return False


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """`lehrbook demo` as a person runs it: set up once, started a second time on the same data."""
    home = tmp_path_factory.mktemp("demo") / "home"
    command = [Path(sys.executable).with_name("lehrbook"), "--home", home, "demo"]
    first = subprocess.run(
        [*command, "--no-serve"], capture_output=True, text=True, timeout=SETUP_SECONDS, check=False
    )
    assert first.returncode == 0, first.stdout + first.stderr
    port = free_port()
    address = f"http://127.0.0.1:{port}/"
    log = home.parent / "server.log"
    begun = time.monotonic()
    with log.open("w") as out:
        server = subprocess.Popen([*command, "--port", str(port)], stdout=out, stderr=subprocess.STDOUT)
    try:
        while not answers(address):
            if server.poll() is not None or time.monotonic() - begun > 60:
                pytest.fail(f"the server did not come up:\n{log.read_text()}")
            time.sleep(0.05)
        yield Served(address, home, first.stdout, time.monotonic() - begun)
    finally:
        server.terminate()
        server.wait(timeout=30)


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    assert CHROMIUM, "the browser tests need Chromium; tests/run installs it or says how"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(FLAGS))
        yield browser
        browser.close()


SignIn = Callable[..., Page]


@pytest.fixture
def sign_in(browser: Browser, served: Served) -> Iterator[SignIn]:
    """Opens a window of tablet size for one of the demo's people; pages must stay free of script errors."""
    people = {person.name: person for person in sign_ins()}
    contexts, complaints = [], []

    def open_for(name: str, *, size: tuple[int, int] = LANDSCAPE, with_pin: bool = False) -> Page:
        context = browser.new_context(
            viewport={"width": size[0], "height": size[1]}, has_touch=True, accept_downloads=True
        )
        contexts.append(context)
        page = context.new_page()
        page.on("pageerror", lambda error: complaints.append(f"{page.url}: {error}"))
        page.goto(served.address)
        if with_pin:
            page.get_by_role("link", name=people[name].full_name).click()
            for digit in people[name].pin:
                page.locator(f"#pad [data-digit='{digit}']").click()
            page.locator("#pad").get_by_role("button", name="Sign in").click()
        else:
            page.get_by_role("link", name="Name and password").click()
            page.fill("#name", name)
            page.fill("#secret", people[name].password)
            page.locator("main").get_by_role("button", name="Sign in").click()
        page.get_by_role("button", name="Sign out").wait_for()
        return page

    yield open_for
    for context in contexts:
        context.close()
    assert complaints == []
