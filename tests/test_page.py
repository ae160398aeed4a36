"""The page shows a person what the report says: safely, to everybody, without asking anything of anywhere."""

from __future__ import annotations

import base64
import hashlib
import itertools
import re
from html.parser import HTMLParser
from typing import Any

import pytest

from facemerge.formats import page
from facemerge.formats.page import render_page, summary
from facemerge.formats.previews import HeadPictures, Pictures, SeamPictures

VOID = {"meta", "img", "br", "link", "input", "hr"}


class Node:
    """One element of a parsed page."""

    def __init__(self, tag: str, attributes: dict[str, str], parent: Node | None) -> None:
        self.tag, self.attributes, self.parent = tag, attributes, parent
        self.children: list[Node | str] = []

    def all(self, tag: str = "", **wanted: str) -> list[Node]:
        """Return the elements below, in order, of a tag and with attributes; 'class_' asks for one class."""
        found = []
        for child in self.children:
            if isinstance(child, Node):
                if tag in ("", child.tag) and all(child.has(k, v) for k, v in wanted.items()):
                    found.append(child)
                found += child.all(tag, **wanted)
        return found

    def has(self, key: str, value: str) -> bool:
        """Return whether an attribute has a value, or a class is among the classes."""
        if key == "class_":
            return value in self.attributes.get("class", "").split()
        return self.attributes.get(key) == value

    @property
    def text(self) -> str:
        """All text below, spaces run together."""
        parts = [c if isinstance(c, str) else c.text for c in self.children]
        return re.sub(r"\s+", " ", " ".join(parts)).strip()


class Parser(HTMLParser):
    """Build a tree of a page and refuse what is not closed in order."""

    def __init__(self) -> None:
        super().__init__()
        self.root = self.at = Node("", {}, None)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        node = Node(tag, {k: v or "" for k, v in attrs}, self.at)
        assert len(node.attributes) == len(attrs), f"an attribute twice in {tag}"
        self.at.children.append(node)
        if tag not in VOID:
            self.at = node

    def handle_endtag(self, tag: str) -> None:
        assert self.at.tag == tag, f"{tag} closes {self.at.tag}"
        assert self.at.parent is not None
        self.at = self.at.parent

    def handle_data(self, data: str) -> None:
        self.at.children.append(data)


def parsed(html: str) -> Node:
    """Return a page as a tree."""
    parser = Parser()
    parser.feed(html)
    parser.close()
    assert parser.at is parser.root, f"{parser.at.tag} is not closed"
    return parser.root


def face(frame: str, score: float, **more: Any) -> dict[str, Any]:
    """Return a face of a report."""
    return {
        "frame": frame,
        "box": [1, 2, 3, 4],
        "eyes_open": 0.9,
        "sharpness": 0.8,
        "expression": 0.7,
        "score": score,
    } | more


PARTS = [
    {"part": "expression", "value": 0.4, "factor": 0.53, "reason": "mouth pulled"},
    {"part": "visible", "value": 0.8, "factor": 0.8, "reason": ""},
    {"part": "light", "value": 1.0, "factor": 1.0, "reason": ""},
]
"""What one face of the report loses by."""


def person(id: str, pick: str, flag: str, frames: list[str]) -> dict[str, Any]:
    """Return a person of a report whose base is the second frame."""
    swapped = pick != frames[1]
    return {
        "id": id,
        "row": 0,
        "pick": pick,
        "from_base": not swapped,
        "why": "eyes are open",
        "risk": 0.83 if flag == "retouch" else 0.1,
        "flag": flag,
        "reasons": [f"{id}: the old head may show"],
        "mask": f"masks/{id}.png" if swapped else None,
        "area": [812, 210, 1034, 480],
        "faults": [
            {"kind": "grain", "chance": 0.4, "amount": 2.5, "at": None},
            {"kind": "break", "chance": 0.3, "amount": 1.5, "at": [900.5, 301.0]},
            {"kind": "step", "chance": 0.2, "amount": 1.2, "at": [20.0, 30.0]},
        ],
        "surroundings": {"where": None, "near": None, "touches": []},
        "faces": [
            face(frames[0], 0.91, unknown=["eyes_open"], parts=PARTS),
            face(frames[1], 0.2),
        ],
        "missing": [{"frame": frames[2], "reason": "turned away"}],
    }


def report(names: list[str] | None = None) -> dict[str, Any]:
    """Return a report of three frames and four people: kept, clear, to look at, to retouch."""
    frames = names or ["a.jpg", "b.jpg", "c.jpg"]
    return {
        "schema": "facemerge-report/1",
        "program": {"name": "facemerge", "version": "1"},
        "size": [2400, 1600],
        "base": frames[1],
        "base_why": "Most faces are good here.",
        "composite": "composite.tif",
        "layers": "composite.ora",
        "notes": ["d.jpg is left out: it is empty."],
        "frames": [
            {"file": frames[0], "aligned": True, "align_error_px": 0.44, "note": "only the people matched"},
            {"file": frames[1], "aligned": True, "align_error_px": 0.0, "note": ""},
            {"file": frames[2], "aligned": False, "align_error_px": None, "note": "too little background"},
        ],
        "people": [
            person("P01", frames[1], "clear", frames),
            person("P02", frames[0], "clear", frames),
            person("P03", frames[0], "inspect", frames),
            person("P04", frames[0], "retouch", frames),
        ],
        "options": {"align": {"max_error_px": 4.0}, "scores": {"mood": "pleasant"}},
    }


def pictures(names: list[str] | None = None) -> Pictures:
    """Return recognisable bytes for every picture."""
    frames = names or ["a.jpg", "b.jpg", "c.jpg"]
    ids = ["P01", "P02", "P03", "P04"]
    return Pictures(
        composite=b"composite",
        base=b"base",
        heads={
            i: HeadPictures(base=f"{i} base".encode(), composite=f"{i} new".encode(), outline=b"line")
            for i in ids[1:]
        },
        seams={
            i: tuple(
                SeamPictures(
                    base=f"{i} close{n}".encode(),
                    donor=f"{i} close donor{n}".encode(),
                    composite=f"{i} close new{n}".encode(),
                    line=f"{i} seam{n}".encode(),
                    size=(360, 300),
                    zoom=200,
                )
                for n in range(k)
            )
            for i, k in zip(ids[2:], (1, 2), strict=True)
        },
        faces={(i, f): f"{i} {n}".encode() for i in ids for n, f in enumerate(frames[:2])},
    )


def shown(node: Node) -> bytes:
    """Return the picture that an img element holds."""
    head, data = node.attributes["src"].split(",")
    assert head == "data:image/jpeg;base64"
    return base64.b64decode(data, validate=True)


@pytest.fixture
def tree() -> Node:
    """Give the page of the whole report."""
    return parsed(render_page(report(), pictures()))


HOSTILE = [
    "<script>alert(1)</script>.jpg",
    '"><img src=x onerror=alert(1)>.jpg',
    "' onmouseover='alert(1) {{ 7*7 }} \u202e.jpg",
]


def test_hostile_names_stay_text() -> None:
    """Names that are markup are shown as text: no element and no attribute comes of them."""
    calm, hostile = (parsed(render_page(report(n), pictures(n))) for n in (None, HOSTILE))
    assert [n.tag for n in hostile.all()] == [n.tag for n in calm.all()]
    assert [sorted(n.attributes) for n in hostile.all()] == [sorted(n.attributes) for n in calm.all()]
    assert len(hostile.all("script")) == 1
    names = [n.text for n in hostile.all("p", class_="name")][:3]
    assert names == HOSTILE
    alts = [n.attributes["alt"] for n in hostile.all("img")]
    assert f"P01 in {HOSTILE[0]}" in alts


def test_hostile_words_stay_text() -> None:
    """The same for everything else a report says, should somebody have written it by hand."""
    bad = report()
    bad["notes"] = bad["people"][3]["reasons"] = ["<script>alert(1)</script>"]
    bad["base_why"] = bad["frames"][2]["note"] = bad["people"][3]["why"] = "<b onclick=x>"
    bad["options"] = {"<i>": {"<u>": "</table>"}}
    tree = parsed(render_page(bad, pictures()))
    assert len(tree.all("script")) == 1
    assert not [n for n in tree.all() if n.tag in ("b", "i", "u")]
    assert tree.all("section", **{"aria-labelledby": "s-retouch"})[0].text.count("<script>") == 1


def test_page_asks_nothing_of_anywhere(tree: Node) -> None:
    """Every reference is inside the file, and the page forbids the browser all others."""
    references = [
        v
        for n in tree.all()
        for k, v in n.attributes.items()
        if k in ("src", "href", "srcset", "action", "data")
    ]
    assert [r for r in references if not r.startswith(("data:image/jpeg;base64,", "#"))] == []
    styles = "".join(n.text for n in tree.all("style")) + "".join(
        n.attributes.get("style", "") for n in tree.all()
    )
    assert not re.search(r"url\(|@import|image-set|expression\(", styles)
    assert "http" not in re.sub(r"http-equiv", "", render_page(report(), pictures()))
    policy = tree.all("meta", **{"http-equiv": "Content-Security-Policy"})[0].attributes["content"]
    assert "default-src 'none'" in policy
    assert "img-src data:" in policy


def test_policy_lets_our_script_run_and_no_other(tree: Node) -> None:
    """The policy names the script by its hash, taken over exactly what is between the tags (W3C CSP 3,
    6.7.3).
    """
    html = render_page(report(), pictures())
    script = html.split("<script>")[1].split("</script>")[0]
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    policy = tree.all("meta", **{"http-equiv": "Content-Security-Policy"})[0].attributes["content"]
    assert f"script-src 'sha256-{digest}'" in policy
    assert not [k for n in tree.all() for k in n.attributes if k.startswith("on")]


def test_links_and_labels_lead_somewhere(tree: Node) -> None:
    """Ids are unique, and every label and every link on the page points at one."""
    ids = [n.attributes["id"] for n in tree.all() if "id" in n.attributes]
    assert len(set(ids)) == len(ids)
    wanted = [n.attributes["href"][1:] for n in tree.all("a")]
    wanted += [n.attributes["aria-labelledby"] for n in tree.all() if "aria-labelledby" in n.attributes]
    assert set(wanted) <= set(ids)
    assert len(tree.all("nav")[0].all("a")) == 4


def test_page_can_be_heard(tree: Node) -> None:
    """For a screen reader: a language, one h1, no heading level skipped, a text for every picture, table
    heads.

    W3C WCAG 2.2: 3.1.1, 1.1.1, 1.3.1.
    """
    assert tree.all("html")[0].attributes["lang"] == "en"
    levels = [int(n.tag[1]) for n in tree.all() if re.fullmatch("h[1-6]", n.tag)]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert all(b - a <= 1 for a, b in itertools.pairwise(levels))
    assert all(n.attributes.get("alt") for n in tree.all("img"))
    assert all(n.attributes.get("scope") in ("col", "row") for n in tree.all("th"))
    assert len(tree.all("main")) == 1
    assert [n.attributes["type"] for n in tree.all("button")] == ["button"] * len(tree.all("button"))


def test_what_scrolls_can_be_reached_by_keyboard(tree: Node) -> None:
    """Every part that scrolls inside the page takes the focus and has a name (WCAG 2.2, 2.1.1)."""
    scrolling = tree.all(class_="strip") + tree.all(class_="scroll")
    assert len(scrolling) == 6
    assert all(n.has("tabindex", "0") for n in scrolling)
    assert all("aria-label" in n.attributes or "aria-labelledby" in n.attributes for n in scrolling)


def test_summary_and_footer(tree: Node) -> None:
    """The heading says what was done, and the foot that the picture is a composite and what it is not for."""
    assert tree.all("h1")[0].text == "4 people, 3 heads changed, 1 needs retouching, 1 to look at"
    foot = tree.all("footer")[0].text
    assert "This picture is a composite" in foot
    assert all(word in foot for word in ("identity documents", "evidence", "news"))
    assert "3 of 4 people" in foot


def test_retouch_list_comes_first(tree: Node) -> None:
    """Among the details the heads that need work are first, then those to look at, then the clear ones."""
    sections = [n.attributes["aria-labelledby"] for n in tree.all("section")]
    assert sections == ["s-retouch", "s-inspect", "s-clear", "s-frames", "s-people"]
    first = tree.all("section")[0]
    assert [n.attributes["aria-labelledby"] for n in first.all("article")] == ["h-P04"]
    assert "x 812 to 1034, y 210 to 480" in first.text
    assert "x 900.5, y 301" in first.text
    assert "P04: the old head may show" in first.text
    assert "83 of 100" in first.text


def test_before_and_after_are_both_there(tree: Node) -> None:
    """Base and composite of each head stand in the page itself, so that print and a browser without
    scripts show both.
    """
    pairs = [n for n in tree.all(class_="pair") if not n.has("class_", "whole")]
    assert [[shown(i) for i in pair.all("img")] for pair in pairs] == [
        [f"{i} base".encode(), f"{i} new".encode()] for i in ("P04", "P03", "P02")
    ]
    (whole,) = tree.all(class_="whole")
    assert [shown(i) for i in whole.all("img")] == [b"base", b"composite"]
    assert [n.text for n in pairs[0].all("figcaption")] == ["Base frame", "Composite"]


def test_a_flagged_head_shows_its_seam(tree: Node) -> None:
    """Base, donor, composite and the line of the seam side by side, as large as they are, without a script;
    said in words as well. A clear head has none.
    """
    close = tree.all("figure", class_="close")
    assert [[shown(i) for i in figure.all("img")] for figure in close] == [
        [f"{i} {words}{n}".encode() for words in ("close", "close donor", "close new", "seam")]
        for i, n in (("P04", 0), ("P04", 1), ("P03", 0))
    ]
    said = [figure.all("figcaption")[-1].text for figure in close]
    assert [words.split(" of ")[0] for words in said] == [
        "The weakest place",
        "A further weak place",
        "The weakest place",
    ]
    assert all((i.attributes["width"], i.attributes["height"]) == ("360", "300") for i in close[0].all("img"))
    words = [n.text for n in close[0].all("figcaption")]
    assert words[:4] == ["Base frame", "Donor, as it was laid", "Composite", "Composite, the seam drawn"]
    assert "P04" in words[4]
    assert "200 %" in words[4]
    alts = [i.attributes["alt"] for i in close[0].all("img")]
    assert all(word in alt for alt, word in zip(alts, ["base", "comes from", "comp", "line"], strict=True))


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({}, "x 900.5, y 301 (ringed)"),
        ({"where": "left of the face", "near": None}, "x 900.5, y 301 (ringed): left of the face"),
        (
            {"where": "left of the face", "near": {"person": "P07", "distance_px": 12.4}},
            "x 900.5, y 301 (ringed): left of the face, 12 px from the face of P07",
        ),
        (
            {"where": "below the face", "near": {"person": "P07", "distance_px": 0.0}},
            "x 900.5, y 301 (ringed): below the face, on the face of P07",
        ),
    ],
)
def test_where_the_seam_is_weakest(more: dict[str, Any], words: str) -> None:
    """Exact pixels of the first fault that lies somewhere, which side of the face, and which neighbour, as
    far as the report knows them.
    """
    made = report()
    made["people"][3]["surroundings"] |= more
    facts = parsed(render_page(made, pictures())).all("dl", class_="facts")[0]
    said = dict(zip((n.text for n in facts.all("dt")), (n.text for n in facts.all("dd")), strict=True))
    assert said["Weakest at"] == words
    assert "Mask reaches the face of" not in said


def test_faults_that_lie_nowhere_have_no_place() -> None:
    """Where no fault lies anywhere in particular, the page names no place."""
    made = report()
    made["people"][3]["faults"] = made["people"][3]["faults"][:1]
    facts = parsed(render_page(made, pictures())).all("dl", class_="facts")[0]
    assert "Risk that" in facts.parent.text
    assert "Weakest at" not in facts.text


def test_neighbours_under_the_mask_are_named() -> None:
    """Whoever may have lost a bit of the face to the new head is named."""
    made = report()
    made["people"][3]["surroundings"]["touches"] = ["P02", "P07"]
    facts = parsed(render_page(made, pictures())).all("dl", class_="facts")[0]
    assert "Mask reaches the face of P02, P07" in facts.text


@pytest.mark.parametrize(
    ("layers", "tiff", "said", "unsaid"),
    [
        ("composite.ora", None, "composite.ora, a layer for each head", "composite-layers.tif"),
        ("composite.ora", "composite-layers.tif", "composite.ora or composite-layers.tif", "folder masks"),
        (None, "composite-layers.tif", "To work on: composite-layers.tif", "hidden layer"),
        (None, None, "folder masks", "To work on"),
    ],
)
def test_what_a_retoucher_has_to_work_with(
    layers: str | None, tiff: str | None, said: str, unsaid: str
) -> None:
    """The files that were written, and no other."""
    made = report() | {"layers": layers, "layered_tiff": tiff}
    (words,) = [
        n.text
        for n in parsed(render_page(made, pictures())).all("section")
        if "s-retouch" in str(n.attributes)
    ]
    assert said in words
    assert unsaid not in words


@pytest.mark.parametrize(
    ("more", "said"),
    [
        ({"blur_px": 1.234}, "sharpness blur 1.2 px 80"),
        ({"blur_px": None}, "sharpness 80"),
        ({}, "sharpness 80"),
    ],
)
def test_blur_stands_beside_the_sharpness(more: dict[str, Any], said: str) -> None:
    """In pixels, where it is known."""
    made = report()
    made["people"][0]["faces"][1] |= more
    cell = parsed(render_page(made, pictures())).all("ol", class_="strip")[0].all("li")[1]
    assert cell.all("dl")[0].text == f"score 20 eyes open 90 {said} expression 70"


def test_everybody_has_a_row(tree: Node) -> None:
    """One row a person, one place a frame, the frame's face in it, and the pick and the base marked by
    words.
    """
    rows = tree.all("ol", class_="strip")
    assert len(rows) == 4
    words = [[n.text for n in row.all("p", class_="word")] for row in rows]
    assert words[0] == ["", "✓ kept, base", ""]
    assert words[1] == ["✓ taken", "base", ""]
    assert [shown(i) for i in rows[2].all("img")] == [b"P03 0", b"P03 1"]
    assert "turned away" in rows[0].all("li")[2].text
    assert rows[0].all("li")[1].all("dl")[0].text == "score 20 eyes open 90 sharpness 80 expression 70"


def test_unknown_score_is_no_number(tree: Node) -> None:
    """A part that cannot be told is a question mark, and a word for who hears the page; never 50 of 100."""
    first = tree.all("ol", class_="strip")[0].all("li")[0]
    assert first.all("dl")[0].text == "score 91 eyes open ? unknown sharpness 80 expression 70"
    assert "expression × 0.53: mouth pulled" in first.text
    assert "in view × 0.80" in first.text
    assert "light" not in first.text


def test_frames_and_settings_are_there(tree: Node) -> None:
    """What each frame was used for, why one was left out, what else is to be said, and the settings,
    folded away.
    """
    rows = [[c.text for c in r.children if isinstance(c, Node)] for r in tree.all("tr")]
    assert ["a.jpg", "0.4", "gives P02, P03, P04; only the people matched"] in rows
    assert ["b.jpg", "0.0", "base"] in rows
    assert ["c.jpg", "–", "left out: too little background"] in rows
    assert ["align.max_error_px", "4"] in rows
    assert "d.jpg is left out: it is empty." in tree.text
    (folded,) = tree.all("details")
    assert "open" not in folded.attributes


def culled() -> dict[str, Any]:
    """Return a report without a composite."""
    made = report() | {"composite": None, "layers": None}
    for who in made["people"]:
        who |= {"mask": None, "flag": "clear", "risk": 0.0}
    return made


def with_somebody_missing(made: dict[str, Any]) -> dict[str, Any]:
    """Return a report with P05 in it, who was not found in the base and so stays as they are."""
    who = person("P05", "b.jpg", "inspect", ["a.jpg", "b.jpg", "c.jpg"])
    who["reasons"] = ["not found in the base frame: turned away"]
    who["why"] = "Nothing could be set in."
    who["faces"] = [face("a.jpg", 0.9)]
    who["missing"] = [{"frame": "b.jpg", "reason": "turned away"}]
    who["faults"] = [{"kind": "absent", "chance": 1.0, "amount": 0.0, "at": None}]
    del who["area"], who["surroundings"]
    made["people"].append(who)
    return made


@pytest.mark.parametrize("make", [report, culled], ids=["merge", "cull"])
def test_whoever_is_missing_in_the_base_is_seen(make: Any) -> None:
    """Somebody who was not found in the base is in the heading, flagged under the picture, among those to
    look at with the reason, and nowhere said to be kept or taken.
    """
    calm = parsed(render_page(make(), pictures()))
    tree = parsed(render_page(with_somebody_missing(make()), pictures()))
    already = sum(who["flag"] == "inspect" for who in make()["people"])
    assert tree.all("h1")[0].text.endswith(f", {already + 1} to look at")
    (chip,) = [a for a in tree.all("nav")[0].all("a") if a.text.startswith("P05")]
    assert (chip.text, chip.attributes["href"]) == ("P05 look closely", "#h-P05")
    (section,) = tree.all("section", **{"aria-labelledby": "s-inspect"})
    (article,) = section.all("article", **{"aria-labelledby": "h-P05"})
    assert "not found in the base frame: turned away" in article.text
    assert not [words for words in ("Head from", "Risk that") if words in article.text]
    assert len(tree.all("article")) == len(calm.all("article")) + 1
    row = tree.all("ol", class_="strip")[-1]
    assert [n.text for n in row.all("p", class_="word")] == ["", "base", ""]
    (named,) = tree.all("h3", id="p-P05")
    assert named.parent is not None
    assert [n.text for n in named.parent.all("p", class_="small")] == ["Nothing could be set in."]


def test_nobody_changed_and_somebody_missing() -> None:
    """Where no head was changed, whoever is missing is still to be looked at, and no composite is claimed."""
    tree = parsed(render_page(with_somebody_missing(unchanged()), pictures()))
    assert tree.all("h1")[0].text == "2 people, no head changed, 1 to look at"
    assert [n.attributes["aria-labelledby"] for n in tree.all("article")] == ["h-P05"]
    assert "No head was changed" in tree.all("footer")[0].text


def test_culling() -> None:
    """Without a composite the page speaks of best frames, shows no seam, and claims no composite."""
    tree = parsed(render_page(culled(), Pictures(base=b"base", faces=pictures().faces)))
    assert tree.all("h1")[0].text == "4 people in 3 frames, 3 with a better head in another frame"
    assert tree.all("article") == []
    assert "composite" not in tree.all("footer")[0].text
    assert [n.text for n in tree.all("ol", class_="strip")[1].all("p", class_="word")] == [
        "✓ best",
        "base",
        "",
    ]


def unchanged() -> dict[str, Any]:
    """Return a report in which everybody stays as they are."""
    made = report()
    made["people"] = made["people"][:1]
    return made


@pytest.mark.parametrize("make", [report, culled, unchanged, lambda: report() | {"people": []}])
def test_page_without_pictures(make: Any) -> None:
    """Pictures that are missing are left out, and the page is whole."""
    tree = parsed(render_page(make(), Pictures()))
    assert tree.all("img") == []
    assert len(tree.all("h1")) == 1


def test_report_with_the_contract_alone() -> None:
    """A report that holds only the contract's keys can be shown."""
    bare = report()
    for key in ("program", "base_why", "notes", "options"):
        del bare[key]
    more = ("row", "why", "area", "faults", "surroundings", "missing")
    for who, key in itertools.product(bare["people"], more):
        del who[key]
    for who in bare["people"]:
        who["faces"] = [face("a.jpg", 0.9)]
    tree = parsed(render_page(bare, pictures()))
    assert len(tree.all("ol", class_="strip")) == 4


def test_same_report_same_page() -> None:
    """No clock and no chance is in the page."""
    assert render_page(report(), pictures()) == render_page(report(), pictures())


@pytest.mark.parametrize(
    ("flags", "made", "said"),
    [
        (["retouch", "clear", "base"], True, "3 people, 2 heads changed, 1 needs retouching"),
        (["retouch", "retouch"], True, "2 people, 2 heads changed, 2 need retouching"),
        (["clear"], True, "1 person, 1 head changed, none needs retouching"),
        (["base", "base"], True, "2 people, no head changed"),
        (["base", "missing"], True, "2 people, no head changed, 1 to look at"),
        (
            ["retouch", "inspect", "missing"],
            True,
            "3 people, 2 heads changed, 1 needs retouching, 2 to look at",
        ),
        (
            ["clear", "missing"],
            False,
            "2 people in 3 frames, 1 with a better head in another frame, 1 to look at",
        ),
        ([], True, "0 people, no head changed"),
        (["clear", "base"], False, "2 people in 3 frames, 1 with a better head in another frame"),
        (["base"], False, "1 person in 3 frames, the base is best for all"),
    ],
)
def test_summary_reads_as_a_person_would_say_it(flags: list[str], made: bool, said: str) -> None:
    """One is singular, more are plural, none is a word."""
    frames = ["a.jpg", "b.jpg", "c.jpg"]
    kept = {"base": "clear", "missing": "inspect"}
    people = [
        person(f"P{i}", "b.jpg" if f in kept else "a.jpg", kept.get(f, f), frames)
        for i, f in enumerate(flags)
    ]
    assert summary(report() | {"people": people, "composite": "composite.tif" if made else None}) == said


def test_page_is_written_as_utf_8(tmp_path: Any) -> None:
    """The file holds the page in UTF-8, as it says."""
    names = ["ä.jpg", "日本.jpg", "c.jpg"]
    page.write_page(tmp_path / "report.html", report(names), pictures(names))
    text = (tmp_path / "report.html").read_bytes().decode("utf-8")
    assert text == render_page(report(names), pictures(names))
    assert '<meta charset="utf-8">' in text[:200]


# --- contrast -------------------------------------------------------------------------------------


def luminance(colour: str) -> float:
    """Return the relative luminance of #rgb or #rrggbb (W3C WCAG 2.2, definition of relative luminance)."""
    digits = colour[1:] if len(colour) == 7 else "".join(2 * c for c in colour[1:])
    parts = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    """Return the contrast ratio of two colours (W3C WCAG 2.2, definition of contrast ratio)."""
    low, high = sorted([luminance(a), luminance(b)])
    return (high + 0.05) / (low + 0.05)


GROUNDS = ("paper", "sheet")


@pytest.mark.parametrize("scheme", [0, 1, 2], ids=["light", "dark", "print"])
@pytest.mark.parametrize(
    ("above", "ground", "least"),
    [
        *((text, ground, 4.5) for text, ground in itertools.product(("ink", "soft"), GROUNDS)),
        ("on-mark", "mark", 4.5),
        *((line, ground, 3) for line, ground in itertools.product(("edge", "mark"), GROUNDS)),
    ],
)
def test_words_can_be_read(tree: Node, scheme: int, above: str, ground: str, least: float) -> None:
    """Text stands out 4.5 : 1 and lines that carry meaning 3 : 1, in light, dark and print (WCAG 2.2,
    1.4.3, 1.4.11).
    """
    style = tree.all("style")[0].text
    palettes = [b for b in re.findall(r":root \{(.*?)\}", style) if "--paper" in b]
    assert len(palettes) == 3
    colours = dict(re.findall(r"--([\w-]+): (#[0-9a-f]+)", palettes[scheme]))
    assert contrast(colours[above], colours[ground]) >= least
