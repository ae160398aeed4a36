"""The review page in a real browser: what a photographer does reaches the program, and nothing else does.

The server is the stand-in of `review_fake.py`.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest
import review_browser as fixtures
from review_browser import WIDTHS, count, drag, face, open_person, opened, settled, version
from review_fake import WORDS, Review, Server

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

browser, review, server, page = fixtures.browser, fixtures.review, fixtures.server, fixtures.page


def test_everybody_is_there_at_a_glance(page: Page, review: Review) -> None:
    """The picture and everybody in the program's order, with place, flag as word and shape, and reason."""
    count(page, "#list > li", len(review.state["people"]))
    first = page.locator("#list > li").first.inner_text()
    for words in ("P01", "first from left, back row", "▲", "needs retouching", "the collar breaks"):
        assert words in first
    assert "6 people" in page.locator("h1").inner_text()
    assert page.locator("button.face").count() == 0, "faces are made for the opened person only"


def test_the_faces_of_one_person_only_exist(page: Page, review: Review) -> None:
    """Opening somebody makes their faces, the best first, and takes the last one's away."""
    open_person(page, "P01")
    open_person(page, "P02")
    faces = sorted(review.person("P02")["faces"], key=lambda face: -face["score"])
    count(page, "button.face", len(faces))
    said = page.locator("button.face").all_inner_texts()
    for told, one in zip(said, faces, strict=True):
        assert review.state["frames"][one["frame"]]["name"][:-4] in told
        assert str(round(100 * one["score"])) in told
        assert set(one["words"]) <= {word for word in WORDS if word and word in told}
    page.get_by_role("button", name="As taken").click()
    assert "DSC_0040" in page.locator("button.face").first.inner_text()


def test_a_click_takes_a_face(page: Page, review: Review) -> None:
    """Another face is taken with one click: busy meanwhile, then the new picture and the mark on it."""
    open_person(page, "P01")
    review.hold.clear()
    face(page, "DSC_0045").click()
    page.locator("#busy", has_text="P01 from DSC_0045.JPG").wait_for()
    assert page.locator("#stage").get_attribute("aria-busy") == "true"
    assert face(page, "DSC_0045").get_attribute("aria-busy") == "true"
    review.hold.set()
    settled(page)
    assert review.actions == [{"take": ["P01", 5]}]
    assert version(page) == review.state["version"]
    count(page, "button.face[aria-pressed=true]", 1)
    assert "✓ chosen" in face(page, "DSC_0045").inner_text()
    assert "P01: head from DSC_0045.JPG" in page.locator("#said").inner_text()


@pytest.mark.parametrize(
    ("press", "wanted"),
    [
        ("Base's own head", {"keep": "P01"}),
        ("Not for P01", {"forbid_for": ["P01", 0]}),
        ("Not for anybody", {"forbid": 0}),
        ("Make it the base", {"base": 0}),
        ("Wider", {"widen": ["P01", 2]}),
        ("Narrower", {"widen": ["P01", -2]}),
    ],
)
def test_every_decision_has_its_button(page: Page, review: Review, press: str, wanted: Any) -> None:
    """A button of the opened person asks the program for just that change."""
    open_person(page, "P01")
    page.get_by_role("button", name=press, exact=True).click()
    settled(page)
    assert review.actions == [wanted]


def test_a_decision_can_be_left_to_the_program_again(page: Page, review: Review) -> None:
    """What was kept is released; who decides is a pressed button, and the focus stays on what was pressed."""
    open_person(page, "P01")
    free = page.get_by_role("button", name="Program's choice", exact=True)
    own = page.get_by_role("button", name="Base's own head")
    pressed = []
    for press in (None, own, free):
        if press:
            press.click()
            settled(page)
            assert press.evaluate("button => document.activeElement === button")
        pressed.append((own.get_attribute("aria-pressed"), free.get_attribute("aria-pressed")))
    assert pressed == [("false", "true"), ("true", "false"), ("false", "true")]
    assert review.actions == [{"keep": "P01"}, {"release": "P01"}]


def test_a_face_that_is_not_allowed_is_not_taken(page: Page, review: Review) -> None:
    """A forbidden face says so and asks for nothing."""
    open_person(page, "P01")
    page.get_by_role("button", name="Not for anybody").click()
    face(page, "DSC_0040").locator(".word", has_text="not allowed").wait_for()
    face(page, "DSC_0040").click()
    page.locator("#notice", has_text="not allowed").wait_for()
    assert review.actions == [{"forbid": 0}]


def test_a_face_is_looked_at_without_being_taken(page: Page, review: Review) -> None:
    """By pointer too one reads about a face, and bars it, while another one stays chosen."""
    open_person(page, "P01")
    page.locator(".faces li").nth(5).hover()
    page.get_by_role("button", name="About DSC_0041.JPG").click()
    assert page.evaluate("document.activeElement.textContent") == "DSC_0041.JPG"
    page.get_by_role("button", name="Not for P01").click()
    settled(page)
    assert review.actions == [{"forbid_for": ["P01", 1]}]


def test_frames_are_forbidden_and_made_the_base_from_their_list(page: Page, review: Review) -> None:
    """The list of frames, made when it is opened, says what each is used for and changes it."""
    assert page.locator("#frames .all li").count() == 0
    page.locator("#frames summary").click()
    count(page, "#frames .all li", len(review.state["frames"]))
    page.get_by_role("button", name="No heads from DSC_0043.JPG").click()
    page.get_by_role("button", name="Make DSC_0044.JPG the base").click()
    page.get_by_role("button", name="Let the program choose the base").click()
    settled(page)
    assert review.actions == [{"forbid": 3}, {"base": 4}, {"base": None}]


def test_a_note_is_kept_even_if_the_page_is_closed_over_it(
    browser: Browser, server: Server, review: Review
) -> None:
    """A note reaches the program by itself, and a half-written one when the page goes."""
    with opened(browser, server) as page:
        open_person(page, "P01")
        note = page.get_by_label("Needs retouching: what to do")
        note.fill("collar")
        page.locator("#list", has_text="with a note").wait_for()
        assert review.actions == [{"note": ["P01", "collar"]}]
        note.press_sequentially(" and ear")
        page.close(run_before_unload=False)
    with review.news:
        assert review.news.wait_for(lambda: review.person("P01")["note"] == "collar and ear", 5)


def test_a_mask_is_painted_and_undone(page: Page, review: Review) -> None:
    """A stroke goes to the program in the base's pixels, under the pointer; undo takes it back."""
    open_person(page, "P01")
    page.get_by_role("button", name="Paint more head").click()
    weakest = review.person("P01")["weak"][0]
    drag(page, (0.5, 0.5), (0.55, 0.5))
    settled(page)
    ((verb, (who, stroke)),) = review.actions[0].items()
    assert (verb, who, stroke["mode"]) == ("stroke", "P01", "paint")
    assert 1 <= stroke["radius"] <= 200
    assert 0 <= stroke["softness"] <= 1
    # The view went to the weakest place at 100 %, where a page pixel is a pixel of the file.
    xs, ys = zip(*stroke["points"], strict=True)
    width = page.locator("#stage").bounding_box()["width"]  # type: ignore[index]
    left = max(0, weakest[0] - width / 2)
    assert xs[0] == pytest.approx(left + width / 2, abs=1.5)
    assert xs[-1] - xs[0] == pytest.approx(0.05 * width, abs=1.5)
    assert ys[0] == pytest.approx(weakest[1], abs=1.5)
    page.locator("#undo").click()
    settled(page)
    assert review.actions[1:] == [{"undo": True}]
    assert review.person("P01")["strokes"] == 0
    page.locator("#redo").click()
    settled(page)
    assert review.person("P01")["strokes"] == 1


def test_the_next_weak_place_is_seen_at_full_size(page: Page, review: Review) -> None:
    """The button goes through a seam's weak places and on to the next seam; the part that is asked for holds
    the place, and every place of the seam has its ring.
    """
    for id, n in (("P01", 0), ("P01", 1), ("P02", 0)):
        page.get_by_role("button", name="Next weak place").click()
        page.locator(f"#open-{id}").wait_for()
        said = "the weakest place of 2" if n == 0 else "weak place 2 of 2"
        words = f"{id}, {said}: {review.person(id)['weak_words'][n]}."
        page.locator("#said", has_text=words).wait_for(state="attached")
        page.locator("#close-up > figcaption", has_text=words).wait_for()
        assert page.locator("#weak > i").count() == len(review.person(id)["weak"]) == 2
        x, y = review.person(id)["weak"][n]
        page.wait_for_function("() => document.querySelectorAll('.part').length === 2")
        part = page.locator(".now .part").get_attribute("src") or ""
        x0, y0, w, h, zoom = map(int, re.findall(r"=(\d+)", part))
        assert zoom == 1
        assert x0 < x < x0 + w
        assert y0 < y < y0 + h
        # Base, donor and composite about the place, each pixel as it is.
        close = [image.get_attribute("src") or "" for image in page.locator("#close-up img").all()]
        assert [src.split("/")[-1].split(".")[0] for src in close] == ["base", "donor", "composite"]
        left, top, wide, high, _ = map(int, re.findall(r"=(\d+)", close[0]))
        assert left <= x < left + wide
        assert top <= y < top + high
        page.wait_for_timeout(200)


@pytest.mark.parametrize("zoom", [1, 2])
def test_a_pixel_of_the_file_is_a_pixel_of_the_screen(browser: Browser, server: Server, zoom: int) -> None:
    """At 100 and 200 % a pixel of the file takes one and two of the screen, on fine screens too."""
    with opened(browser, server, device_scale_factor=2) as page:
        page.get_by_label(f"{100 * zoom} %", exact=True).check()
        width = page.locator("#sheet").evaluate("sheet => sheet.offsetWidth")
        assert width == server.review.state["size"][0] * zoom / 2


def test_base_and_composite_are_compared(page: Page) -> None:
    """Halves show the base left of the line; the difference is black where nothing was changed."""
    page.get_by_label("Halves").check()
    page.get_by_label("How far the base reaches").fill("25")
    edge, stage = page.locator("#edge").bounding_box(), page.locator("#stage").bounding_box()
    assert edge
    assert stage
    assert edge["x"] + edge["width"] / 2 == pytest.approx(stage["x"] + 0.25 * stage["width"], abs=2)
    drag(page, (0.25, 0.5), (0.6, 0.5))
    assert page.locator("#divide").input_value() == "60"
    page.get_by_label("Difference").check()
    assert page.locator(".was").evaluate("layer => getComputedStyle(layer).mixBlendMode") == "difference"


def test_another_page_is_followed(page: Page, review: Review) -> None:
    """What another page changes appears here by itself, and is said aloud."""
    open_person(page, "P01")
    review.change({"take": ["P01", 7]})
    page.locator("button.face[aria-pressed=true]", has_text="DSC_0047").wait_for()
    assert "P01: head from DSC_0047.JPG" in page.locator("#said").inner_text()


def test_who_was_too_late_is_asked_again(browser: Browser, server: Server, review: Review) -> None:
    """A change made on an old state is not lost: the page says what changed and offers it again."""
    with opened(browser, server) as page:
        open_person(page, "P01")
        # The other page is quicker than the news of it.
        page.route("**/api/wait*", lambda route: None)
        review.change({"note": ["P02", "hair"]})
        page.evaluate("() => 0")
        with review.news:
            review.state["version"] += 1
            review.news.notify_all()
        page.route("**/api/change", lambda route: late(route, review), times=1)
        face(page, "DSC_0046").click()
        notice = page.locator("#notice")
        notice.get_by_text("Another page was quicker").wait_for()
        assert "Not done: P01 from DSC_0046.JPG" in notice.inner_text()
        notice.get_by_role("button", name="Do it all the same").click()
        settled(page)
        assert review.actions[-1] == {"take": ["P01", 6]}
        assert not notice.inner_text()


def late(route: Any, review: Review) -> None:
    """Let another page change something just before a request arrives."""
    review.change({"forbid": 9})
    route.continue_()


def test_a_refusal_is_said_in_the_programs_words(page: Page, review: Review) -> None:
    """A change that cannot be made shows the sentence of the program, and the page goes on."""
    open_person(page, "P01")
    review.refuse = "DSC_0045.JPG could not be read: it is truncated."
    face(page, "DSC_0045").click()
    page.locator("#notice", has_text="it is truncated").wait_for()
    settled(page)
    assert "✓ chosen" not in face(page, "DSC_0045").inner_text()


def test_a_program_that_went_away_is_missed(page: Page, review: Review) -> None:
    """A change that nobody answered is named and offered again."""
    open_person(page, "P01")
    page.route("**/api/change", lambda route: route.abort(), times=1)
    face(page, "DSC_0045").click()
    notice = page.locator("#notice")
    notice.get_by_text("does not answer").wait_for()
    notice.get_by_role("button", name="Try again: P01 from DSC_0045.JPG").click()
    settled(page)
    assert review.actions == [{"take": ["P01", 5]}]


def test_nothing_is_asked_of_anywhere_else(browser: Browser, server: Server) -> None:
    """Every request of a whole review goes to the one address on this machine, under the token."""
    w, h = WIDTHS["desktop"]
    context = browser.new_context(viewport={"width": w, "height": h})
    asked: list[str] = []
    context.on("request", lambda request: asked.append(request.url))
    page = context.new_page()
    page.goto(server.address)
    open_person(page, "P01")
    face(page, "DSC_0045").click()
    settled(page)
    page.keyboard.press("w")
    page.locator(".now .part").wait_for()
    page.locator("#save").click()
    page.locator("#files", has_text="up to date").wait_for()
    context.close()
    assert len(asked) > 20
    assert [url for url in asked if not url.startswith((server.address, "data:"))] == []
