"""A real browser for tests of the review page: the system's Chromium, and what a hand does in it."""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

import pytest
from review_fake import Review, Server

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
WIDTHS = {"phone": (390, 844), "tablet": (820, 1180), "desktop": (1440, 900)}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """Chromium, started once."""
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("there is no Chromium on this system")
    with sync_api.sync_playwright() as driver:
        # No sandbox of its own: in a container it cannot make one, and the pages here are ours.
        made = driver.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        yield made
        made.close()


@pytest.fixture
def review() -> Review:
    return Review()


@pytest.fixture
def server(review: Review) -> Iterator[Server]:
    with Server(review) as running:
        yield running


@pytest.fixture
def page(browser: Browser, server: Server) -> Iterator[Page]:
    """The page of a fresh review; a script that fails fails the test."""
    with opened(browser, server) as shown:
        yield shown


class opened:
    """A page of its own, closed at the end; what its scripts complain of is an error."""

    def __init__(self, browser: Browser, server: Server, size: str = "desktop", **more: Any) -> None:
        w, h = WIDTHS[size]
        self.context = browser.new_context(viewport={"width": w, "height": h}, **more)
        self.context.set_default_timeout(5000)
        self.server = server

    def __enter__(self) -> Page:
        page = self.context.new_page()
        self.complaints: list[str] = []
        page.on("pageerror", lambda error: self.complaints.append(str(error)))
        page.on("console", self._heard)
        page.goto(self.server.address)
        page.locator("#list .person").first.wait_for()
        page.locator(".now .whole").wait_for()
        return page

    def __exit__(self, kind: object, *_: object) -> None:
        self.context.close()
        if kind is None:
            assert not self.complaints

    def _heard(self, message: Any) -> None:
        # What the server refuses or does not answer is logged by the browser as well; how the page takes it
        # is tested.
        if message.type == "error" and not message.text.startswith("Failed to load resource"):
            self.complaints.append(message.text)


def open_person(page: Page, id: str) -> None:
    """Open one person of the list."""
    page.locator("#list h3 button", has_text=id).click()
    page.locator(f"#open-{id}").wait_for()


def face(page: Page, name: str) -> Any:
    """Return the button of one face of the opened person."""
    return page.locator("button.face", has_text=name)


def count(page: Page, selector: str, wanted: int) -> None:
    """Wait until so many elements are there: what a click asks for is drawn a moment after it."""
    from playwright.sync_api import expect

    expect(page.locator(selector)).to_have_count(wanted)


def settled(page: Page) -> None:
    """Wait until nothing is being changed any more."""
    page.wait_for_function("() => !document.querySelector('#stage').hasAttribute('aria-busy')")


def drag(page: Page, *points: tuple[float, float]) -> None:
    """Draw a line over the picture with the mouse, in shares of its width and height."""
    box = page.locator("#stage").bounding_box()
    assert box
    for n, (x, y) in enumerate(points):
        page.mouse.move(box["x"] + x * box["width"], box["y"] + y * box["height"], steps=1 if n == 0 else 6)
        if n == 0:
            page.mouse.down()
    page.mouse.up()


def version(page: Page) -> int:
    """Return the version of the composite that is in the picture."""
    found = re.search(r"picture/(\d+)", page.locator(".now .whole").get_attribute("src") or "")
    assert found
    return int(found[1])
