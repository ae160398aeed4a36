"""The page on the program itself: what is chosen in the browser is what lies on disk."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import bursts
import pytest
import review_browser as fixtures
from review_browser import WIDTHS, drag, face, open_person, settled

from facemerge import pipeline
from facemerge.models import Models

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

browser = fixtures.browser
PATIENCE_MS = 60_000


@pytest.fixture(scope="module")
def out(tmp_path_factory: pytest.TempPathFactory, models: Models) -> Path:
    """A finished result beside its burst."""
    folder = tmp_path_factory.mktemp("review")
    pipeline.merge([bursts.write(folder / "burst")], folder / "out", models=models)
    return folder / "out"


@pytest.fixture(scope="module")
def address(browser: Browser, out: Path) -> Iterator[str]:
    """The address of `facemerge review`, which runs as it does for a photographer."""
    command = [sys.executable, "-m", "facemerge", "review", str(out), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as program:
        assert program.stdout
        yield program.stdout.readline().split()[-1]
        program.send_signal(signal.SIGINT)
        program.communicate(timeout=60)


@pytest.fixture
def page(browser: Browser, address: str) -> Iterator[Page]:
    w, h = WIDTHS["desktop"]
    context = browser.new_context(viewport={"width": w, "height": h})
    context.set_default_timeout(PATIENCE_MS)
    asked: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    shown = context.new_page()
    shown.goto(address)
    shown.locator(".now .whole").wait_for()
    yield shown
    context.close()
    assert [url for url in asked if not url.startswith((address, "data:"))] == []


def test_what_is_chosen_is_on_disk(page: Page, out: Path, address: str) -> None:
    """A head taken, a stroke painted and undone, a note, then saved: decisions and report say the same.

    Another page, open meanwhile, shows all of it without being touched.
    """
    other = page.context.new_page()
    other.goto(address)
    open_person(page, "P01")
    name = page.locator("button.face[aria-pressed=false] .name").last.inner_text()
    face(page, name).click()
    settled(page)
    page.locator("button.face[aria-pressed=true]", has_text=name).wait_for()

    page.get_by_role("button", name="Paint more head").click()
    drag(page, (0.5, 0.5), (0.55, 0.55))
    settled(page)
    decided = json.loads((out / "decisions.json").read_text("utf-8"))
    assert "paint" in json.dumps(decided)
    page.locator("#undo").click()
    settled(page)
    assert "paint" not in (out / "decisions.json").read_text("utf-8")

    page.get_by_label("Needs retouching: what to do").fill("stray hair at the collar")
    page.locator("#list", has_text="with a note").wait_for()
    other.locator("#list", has_text="with a note").wait_for()
    assert "stray hair" in (out / "decisions.json").read_text("utf-8")
    assert name in other.locator("#list").inner_text()

    before = (out / "composite.tif").read_bytes()
    page.locator("#save").click()
    page.locator("#files", has_text="up to date").wait_for()
    report = json.loads((out / "report.json").read_text("utf-8"))
    pick = next(p["pick"] for p in report["people"] if p["id"] == "P01")
    assert pick.startswith(name)
    assert (out / "composite.tif").read_bytes() != before
    other.close()


def test_a_review_goes_on_where_it_was(page: Page, out: Path) -> None:
    """A page that is opened again shows what was decided before."""
    open_person(page, "P01")
    page.get_by_role("button", name="Keep the base's own head").click()
    settled(page)
    page.reload()
    open_person(page, "P01")
    page.locator(".open", has_text="kept by you").wait_for()
    assert json.loads((out / "decisions.json").read_text("utf-8"))["keep"] == ["P01"]
