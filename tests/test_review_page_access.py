"""The review page is for everybody: by keys, by finger, by ear, on any screen, calm, and for large bursts."""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING, Any

import pytest
import review_browser as fixtures
from review_browser import WIDTHS, count, open_person, opened, settled
from review_fake import Review, Server

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

browser, review, server, page = fixtures.browser, fixtures.review, fixtures.server, fixtures.page
TOUCH_PX = 44
"""Least height of what a finger presses: Target Size (Enhanced), WCAG 2.2 (W3C, 2023), 2.5.5."""
SLOW_BLINK_PER_S = 3
"""Most flashes a second: Three Flashes or Below Threshold, WCAG 2.2 (W3C, 2023), 2.3.1."""


def test_a_mask_is_erased_by_keys(page: Page, review: Review) -> None:
    """The brush is put down, moved and lifted with keys alone."""
    open_person(page, "P01")
    page.keyboard.press("e")
    for key in ("ArrowRight", "Enter", "ArrowDown", "ArrowDown", "Enter"):
        page.keyboard.press(key)
    settled(page)
    stroke = review.actions[0]["stroke"][1]
    assert stroke["mode"] == "erase"
    (x0, y0), (x1, y1) = stroke["points"][0], stroke["points"][-1]
    assert x1 == x0
    assert y1 > y0


def test_the_whole_review_by_keys(page: Page, review: Review) -> None:
    """Next person, next face, take, undo, redo, agree, compare, zoom and write, without a pointer."""
    page.keyboard.press("n")
    assert page.evaluate("document.activeElement.textContent").startswith("P01")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("Enter")
    settled(page)
    faces = review.person("P01")["faces"]
    taken = review.actions[0]["take"]
    assert taken[0] == "P01"
    assert taken[1] in [f["frame"] for f in faces]
    page.keyboard.press("Control+z")
    settled(page)
    page.keyboard.press("y")
    settled(page)
    assert review.actions[1:] == [{"undo": True}, {"redo": True}]
    page.keyboard.press("n")
    page.keyboard.press("a")
    settled(page)
    assert review.actions[3] == {"take": ["P02", review.person("P02")["pick"]]}
    page.locator("#open-P03").wait_for()
    page.keyboard.press("c")
    assert page.get_by_label("Base", exact=True).is_checked()
    page.keyboard.press("+")
    assert page.get_by_label("100 %", exact=True).is_checked()
    page.keyboard.press("?")
    assert page.locator("#help").is_visible()
    page.keyboard.press("Escape")
    page.keyboard.press("Control+s")
    page.locator("#files", has_text="up to date").wait_for()
    assert review.writes == 1


def test_tab_stops_once_in_the_faces(page: Page) -> None:
    """The faces are one stop of the Tab key, whatever their number, and arrows go on inside."""
    open_person(page, "P01")
    count(page, "button.face[tabindex='0']", 1)
    page.locator("button.face[tabindex='0']").focus()
    page.keyboard.press("End")
    assert "DSC_0047" in page.evaluate("document.activeElement.textContent")
    page.keyboard.press("Home")
    assert "DSC_0040" in page.evaluate("document.activeElement.textContent")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "As taken"
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Not for P01"


def test_the_focus_stays_where_it_was(page: Page, review: Review) -> None:
    """A button with no more to do keeps the focus, a notice gives it back (WCAG 2.2, W3C 2023, 2.4.3)."""
    open_person(page, "P01")
    page.get_by_role("button", name="Wider").click()
    settled(page)
    for press in ("Back to the computed mask", "Undo: clear mask P01", "Make it the base"):
        button = page.get_by_role("button", name=press)
        button.focus()
        page.keyboard.press("Enter")
        settled(page)
        assert page.evaluate("document.activeElement.tagName") == "BUTTON", press
    review.refuse = "This cannot be done."
    page.locator("button.face").nth(3).click()
    page.get_by_role("button", name="Seen", exact=True).click()
    assert page.evaluate("document.activeElement.className").startswith("face")


def test_sliders_are_named(page: Page) -> None:
    """Size and softness of the brush are told with their values, as the eye has them."""
    open_person(page, "P01")
    assert (
        page.get_by_role("slider", name="Brush size")
        .get_attribute("aria-valuetext", timeout=1000)
        .endswith(" px")
    )
    assert page.get_by_role("slider", name="Softness").get_attribute("aria-valuetext") == "50 %"


def test_what_is_chosen_shows_without_the_pages_colours(browser: Browser, server: Server) -> None:
    """Where the system's colours replace the page's, only what is chosen is underlined and framed."""
    with opened(browser, server, forced_colors="active") as page:
        open_person(page, "P01")
        for chosen, other, side in (
            ("#ways input:checked + span", "#ways input:not(:checked) + span", "Bottom"),
            ("button.face[aria-pressed=true]", "button.face[aria-pressed=false]", "Top"),
        ):
            seen = [
                page.locator(which).first.evaluate(f"one => getComputedStyle(one).border{side}Color")
                for which in (chosen, other)
            ]
            assert seen[0] != seen[1]


@pytest.mark.parametrize("size", [(844, 390), (720, 450), (360, 225)])
def test_low_screens_keep_room_to_read(browser: Browser, server: Server, size: tuple[int, int]) -> None:
    """Held sideways, or zoomed to 200 and 400 %, a face can be seen in full (WCAG 2.2, W3C 2023, 1.4.10)."""
    with opened(browser, server) as page:
        page.set_viewport_size({"width": size[0], "height": size[1]})
        open_person(page, "P01")
        last = page.locator("button.face .clip").last
        last.evaluate("one => one.scrollIntoView({block: 'nearest'})")
        covered = last.evaluate(
            """one => { const {x, y, width, height} = one.getBoundingClientRect();
              return [0.1, 0.9].some((share) =>
                !one.contains(document.elementFromPoint(x + width / 2, y + share * height))); }"""
        )
        assert not covered


def test_single_letters_can_be_turned_off(page: Page) -> None:
    """Who dictates or rests a hand on the keys turns single letters off (WCAG 2.2, W3C 2023, 2.1.4)."""
    page.keyboard.press("?")
    page.get_by_label("Single letters work").uncheck()
    page.keyboard.press("Escape")
    page.keyboard.press("n")
    assert page.locator(".open").count() == 0


@pytest.mark.parametrize("calm", ["no-preference", "reduce"])
def test_blinking_is_calm_and_asked_for(browser: Browser, server: Server, calm: Any) -> None:
    """Nothing blinks unasked; then slowly, can be held, and by hand alone if little motion is wanted."""
    with opened(browser, server, reduced_motion=calm) as page:
        page.clock.install()
        base = page.locator("#stage[data-way=turns] .was:not([hidden])")
        page.clock.run_for(5000)
        assert base.count() == 0
        page.get_by_label("In turn").check()
        seen = []
        for _ in range(40):
            page.clock.run_for(250)
            seen.append(base.count())
        turns = sum(a != b for a, b in itertools.pairwise(seen))
        assert turns / 10 < SLOW_BLINK_PER_S
        assert (turns > 0) == (calm == "no-preference")
        if calm == "no-preference":
            page.get_by_role("button", name="Hold still").click()
        was = base.count()
        page.clock.run_for(5000)
        assert base.count() == was
        page.get_by_role("button", name="Show the other").click()
        assert base.count() == 1 - was


def test_seam_and_mask_are_drawn_light_on_dark(page: Page, review: Review) -> None:
    """The seam is white between dark, the mask hatched: both can be seen on anything, without colour."""
    open_person(page, "P01")
    for draw, inner in (("Seam", 0), ("Mask", 100)):
        page.get_by_label(draw, exact=True).check()
        page.wait_for_function("() => document.querySelector('#touched').width > 1")
        page.wait_for_timeout(100)
        counts = page.locator("#touched").evaluate(
            """canvas => {
              const {data} = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height);
              const found = [0, 0];
              for (let k = 0; k < data.length; k += 4)
                if (data[k + 3] > 100) found[data[k] > 128 ? 0 : 1] += 1;
              return found;
            }"""
        )
        assert min(counts) > inner
        page.get_by_label(draw, exact=True).uncheck()


def test_a_large_burst_stays_light(browser: Browser) -> None:
    """Of 50 people and 60 frames only what is seen is loaded, and only one person's best faces exist."""
    review = Review(people=50, frames=60)
    with Server(review) as server, opened(browser, server) as page:
        open_person(page, "P01")
        page.locator("button.face").first.wait_for()
        page.wait_for_function("() => document.querySelector('button.face img').naturalWidth")
        page.locator("button.face").nth(11).wait_for()
        assert page.locator("button.face").count() <= 14
        assert page.locator("*").count() < 1500
        crops = {path for _, path in review.asked if path.startswith("api/face/")}
        assert 3 < len(crops) < 60
        page.evaluate(
            """() => {
              window.touched = new Set();
              const row = (node) => (node.closest ? node : node.parentElement).closest('.person');
              const note = ({target}) => touched.add(row(target).innerText.slice(0, 3));
              new MutationObserver((all) => all.forEach(note))
                .observe(document.querySelector('#list'),
                         {subtree: true, childList: true, attributes: true, characterData: true});
            }"""
        )
        review.change({"take": ["P09", 7]})
        page.locator("#list", has_text="taken by you").wait_for()
        assert page.evaluate("[...touched]") == ["P09"], "nothing of the others is made anew"
        page.get_by_role("button", name="Show the other").click()
        count(page, "button.face", 59)
        assert page.evaluate("document.activeElement.className").startswith("face")
        page.keyboard.press("End")
        page.locator("button.face img").last.evaluate("image => image.decode()")
        assert {path for _, path in review.asked if path.startswith("api/face/")} > crops


SETTINGS = (("desktop", "light"), ("tablet", "dark"), ("phone", "light"))
"""What an automated checker is shown each state in; the page follows without being loaded again."""


@pytest.mark.parametrize("step", ["nobody", "everything", "help"])
def test_no_barrier_is_found(browser: Browser, server: Server, step: str) -> None:
    """An automated checker finds nothing, in every state, at every width, in dark and in light."""
    checker = pytest.importorskip(
        "axe_playwright_python.sync_playwright", reason="axe is not installed"
    ).Axe()
    server.review.change({"note": ["P02", "stray hair"]})
    with opened(browser, server) as page:
        page.evaluate(checker.axe_script)
        if step == "everything":
            open_person(page, "P01")
            page.get_by_role("button", name="Not for P01").click()
            page.locator("#frames summary").click()
            page.get_by_role("button", name="Paint more head").click()
            page.get_by_label("Halves").check()
            settled(page)
            server.review.refuse = "This cannot be done."
            page.get_by_role("button", name="Wider").click()
            page.locator("#notice button").wait_for()
            page.locator("#more").evaluate("button => button.click()")
        elif step == "help":
            page.locator("#ask").click()
        for size, scheme in SETTINGS:
            w, h = WIDTHS[size]
            page.set_viewport_size({"width": w, "height": h})
            page.emulate_media(color_scheme=scheme)
            found = page.evaluate(
                """() => axe.run(document, {resultTypes: ['violations'], preload: false})
                  .then(({violations}) => violations.map((v) => [v.id, v.nodes.map((n) => n.html)]))"""
            )
            assert found == [], (size, scheme)


@pytest.mark.parametrize("size", WIDTHS)
def test_fits_the_screen_and_the_finger(browser: Browser, server: Server, size: str) -> None:
    """Nothing runs out of the page sideways, and what is pressed is large enough for a finger."""
    with opened(browser, server, size, has_touch=True) as page:
        open_person(page, "P01")
        page.locator("#frames summary").click()
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0
        small = page.evaluate(
            """least => [...document.querySelectorAll('button, summary, .tools label, input[type=range]')]
              .filter((e) => e.offsetParent && e.getBoundingClientRect().height < least - 0.5)
              .map((e) => e.textContent || e.id)""",
            TOUCH_PX,
        )
        assert small == []


@pytest.mark.parametrize("size", WIDTHS)
def test_what_stays_in_sight_scrolls_nothing(browser: Browser, server: Server, size: str) -> None:
    """Pressing what sticks to the top leaves the faces where they are."""
    with opened(browser, server, size) as page:
        open_person(page, "P01")
        page.mouse.wheel(0, 300)
        page.wait_for_function("() => scrollY > 0")
        page.wait_for_timeout(100)
        at = page.evaluate("scrollY")
        for which in ("#undo", "#ways input", "#draw-line", "#ask" if size == "desktop" else "#stage"):
            page.locator(which).first.evaluate("one => one.focus()")
            assert page.evaluate("scrollY") == at, which


def test_a_finger_on_the_picture_opens_who_is_there(browser: Browser, server: Server, review: Review) -> None:
    """A tap on somebody in the picture opens them in the list."""
    with opened(browser, server, "tablet", has_touch=True) as page:
        box = page.locator("#sheet").bounding_box()
        x0, y0, x1, y1 = review.person("P03")["box"]
        w, h = review.state["size"]
        assert box
        place = (box["x"] + box["width"] * (x0 + x1) / 2 / w, box["y"] + box["height"] * (y0 + y1) / 2 / h)
        page.touchscreen.tap(*place)
        page.locator("#open-P03").wait_for()
