"""The page over all groups: what became of each, where to look, and nothing from anywhere else."""

from __future__ import annotations

import base64
import re
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import pytest

from facemerge.errors import InputError
from facemerge.formats.index_page import (
    build_index,
    index_bytes,
    is_index,
    is_ours,
    read_index,
    render_index,
    summary,
)


def group(name: str, state: str = "made", **more: Any) -> dict[str, Any]:
    """Return what the index says of a group."""
    entry: dict[str, Any] = {
        "name": name,
        "state": state,
        "reason": "",
        "why": "other people (none of 4 stayed, 3 came), 2 s later",
        "again": None,
        "taken": ", 10:00:00 to 10:00:04 (4 s)",
        "frames": [{"file": f"{name}/{n}.jpg", "sha256": "0" * 64} for n in range(2)],
    }
    if state == "made":
        entry |= {
            "summary": "4 people, 1 head changed, none needs retouching",
            "people": 4,
            "changed": 1,
            "inspect": 0,
            "retouch": 0,
            "report": f"{name}/report.html",
            "composite": f"{name}/composite.tif",
            "by_hand": False,
        }
    return entry | more


class Seen(HTMLParser):
    """What a browser would make of a page: texts, links, pictures, anchors."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.texts: list[str] = []
        self.links: list[str] = []
        self.sources: list[str] = []
        self.anchors: set[str] = set()
        self.tags: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = dict(attrs)
        self.tags.append(tag)
        self.links += [v for k, v in attrs if k == "href" and v is not None]
        self.sources += [v for k, v in attrs if k == "src" and v is not None]
        if told.get("id"):
            self.anchors.add(told["id"] or "")

    def handle_data(self, data: str) -> None:
        self.texts.append(data)


GROUPS = [
    group("001_x", again=None),
    group("002 & <b>", retouch=1, inspect=2, again="001_x"),
    group("003_x", "failed", reason="No face was found in any frame that could be aligned."),
    group("004_x", "waiting"),
    group("single_9", "idle", reason="a single frame"),
    group("005_x", inspect=1, by_hand=True, why="", again="single_9"),
]
INDEX = build_index(groups=GROUPS, notes=["a<b.jpg is left out: it is empty."], sorting={})


def test_the_page_shows_every_group_and_what_became_of_it() -> None:
    """Names, reasons and notes as they are, escaped; pictures where there are some."""
    seen = Seen(render_index(INDEX, {"001_x": base64.b64encode(b"jpeg").decode()}))
    text = re.sub(r"\s+", " ", " ".join(seen.texts))
    assert all(g["name"] in text for g in GROUPS)
    assert "a<b.jpg is left out" in text
    assert "No face was found in any frame" in text
    assert "a single frame: single_9/0.jpg, single_9/1.jpg" in text
    assert "Made by hand since" in text
    assert seen.sources == ["data:image/jpeg;base64,anBlZw=="]
    assert "script" not in seen.tags


def test_links_lead_to_the_reports_beside_the_page_and_to_its_own_anchors() -> None:
    """Nothing is asked of anywhere; odd names are written as addresses."""
    seen = Seen(render_index(INDEX, {}))
    inner = {link[1:] for link in seen.links if link.startswith("#")}
    outer = {link for link in seen.links if not link.startswith("#")}
    assert outer == {"001_x/report.html", "002%20%26%20%3Cb%3E/report.html", "005_x/report.html"}
    assert {unquote(a) for a in inner} <= seen.anchors
    assert not re.search(r"https?://|//[a-z]", render_index(INDEX, {}))


def test_those_to_look_at_come_first() -> None:
    """The ones to retouch before the ones to look at."""
    links = [link for link in Seen(render_index(INDEX, {})).links if link.startswith("#g-")]
    assert links[:2] == ["#g-002%20%26%20%3Cb%3E", "#g-005_x"]


@pytest.mark.parametrize(
    ("groups", "words"),
    [
        ([], "0 groups made"),
        ([group("a")], "1 group made"),
        (
            GROUPS,
            "5 groups: 3 made, 1 failed, 1 not made yet; 1 with heads to retouch, 1 to look at; 1 not run",
        ),
        ([group("a"), group("b", "failed")], "2 groups: 1 made, 1 failed"),
    ],
)
def test_a_card_is_summed_up_in_a_line(groups: list[dict[str, Any]], words: str) -> None:
    """Counts of groups, each once."""
    assert summary(groups) == words


def test_an_index_is_read_back_and_a_folder_known_by_it(tmp_path: Path) -> None:
    """What was written is read; a folder of one group is ours, and no index."""
    (tmp_path / "index.json").write_bytes(index_bytes(INDEX))
    assert read_index(tmp_path / "index.json") == INDEX
    assert is_index(tmp_path)
    one = tmp_path / "one"
    one.mkdir()
    assert not is_ours(one)
    (one / "report.json").write_text('{"schema": "facemerge-report/1"}')
    assert (is_ours(one), is_index(one)) == (True, False)


@pytest.mark.parametrize("content", [None, b"", b"[]", b"{}", b'{"schema": "facemerge-index/9"}', b"\xff"])
def test_what_is_no_index_is_refused_in_a_sentence(content: bytes | None, tmp_path: Path) -> None:
    """Gone, broken, or of another version."""
    if content is not None:
        (tmp_path / "index.json").write_bytes(content)
    with pytest.raises(InputError, match=r"index"):
        read_index(tmp_path / "index.json")
