"""The page on the program itself: what is chosen in the browser is what lies on disk."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
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


@contextmanager
def reviewing(out: Path) -> Iterator[tuple[str, subprocess.Popen[str]]]:
    """The address of `facemerge review`, which runs as it does for a photographer, and the process."""
    command = [sys.executable, "-m", "facemerge", "review", str(out), "--no-browser"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as program:
        assert program.stdout
        try:
            yield program.stdout.readline().split()[-1], program
        finally:
            program.send_signal(signal.SIGINT)
            said = program.communicate(timeout=60)
        assert "Traceback" not in said[1]


@pytest.fixture(scope="module")
def address(browser: Browser, out: Path) -> Iterator[str]:
    with reviewing(out) as (found, _):
        yield found


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
    page.get_by_role("button", name="Base's own head").click()
    settled(page)
    page.reload()
    open_person(page, "P01")
    page.locator(".open", has_text="kept by you").wait_for()
    assert json.loads((out / "decisions.json").read_text("utf-8"))["keep"] == ["P01"]


def _but_decisions(out: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in out.iterdir() if p.is_file() and p.name != "decisions.json"}


def test_killed_while_saving_nothing_is_lost(browser: Browser, out: Path, tmp_path: Path) -> None:
    """kill -9 while files are written: OUT is as it was, and the next review shows what was decided.

    Saved then, the files are what was chosen.
    """
    for name in ("burst", "out", "out.facemerge-cache"):
        shutil.copytree(out.parent / name, tmp_path / name)
    mine = tmp_path / "out"
    before = _but_decisions(mine)
    shown = browser.new_page()
    shown.set_default_timeout(PATIENCE_MS)
    with reviewing(mine) as (found, program):
        shown.goto(found)
        open_person(shown, "P02")
        name = shown.locator("button.face[aria-pressed=false] .name").first.inner_text()
        face(shown, name).click()
        settled(shown)
        shown.get_by_label("Needs retouching: what to do").fill("the collar")
        # Not waited for: what is still being written is part of what is saved.
        shown.locator("#save").click()
        until = time.monotonic() + 60
        while not list(tmp_path.glob(".out.*-new")) and time.monotonic() < until:
            time.sleep(0.002)
        program.kill()
        program.wait()
    assert list(tmp_path.glob(".out.*-new")), "killed too late to show anything"
    assert "the collar" in (mine / "decisions.json").read_text("utf-8")
    assert _but_decisions(mine) == before

    with reviewing(mine) as (found, _):
        shown.goto(found)
        open_person(shown, "P02")
        shown.locator("button.face[aria-pressed=true]", has_text=name).wait_for()
        assert shown.get_by_label("Needs retouching: what to do").input_value() == "the collar"
        shown.locator("#files", has_text="do not show them yet").wait_for()
        shown.locator("#save").click()
        shown.locator("#files", has_text="up to date").wait_for()
    report = json.loads((mine / "report.json").read_text("utf-8"))
    told = next(p for p in report["people"] if p["id"] == "P02")
    assert told["pick"].startswith(name)
    assert "the collar" in str(told)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["burst", "out", "out.facemerge-cache"]
    shown.close()
