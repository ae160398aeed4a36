"""What was seen of a frame goes into its sidecar, and what others have written there stays theirs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import pyexiv2
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from facemerge.formats import rdf
from facemerge.formats.names import OURS, RDF
from facemerge.formats.regions import Area, Region
from facemerge.formats.sidecar import NEW, Seen, merged, rating_in

FACES = (
    Region(person="P01", area=Area(x=0.4, y=0.35, w=0.2, h=0.3), text="best of 12"),
    Region(person="P02", area=Area(x=0.1, y=0.3, w=0.1, h=0.2), text="left eye 80 % closed"),
)
SEEN = Seen(size=(6000, 4000), rating=4, caption="Best head here: P01.", keepers=("P01",), regions=FACES)
NOTHING = Seen(size=(6000, 4000), rating=None, caption="", keepers=(), regions=())

# As a raw developer might leave it: a rating, a title, keywords, edits, a person's face, another namespace.
OTHERS = b"""<?xml version="1.0" encoding="UTF-8"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/" x:xmptk="Some Toolkit 1.0">
<!-- kept -->
\t<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
  <rdf:Description rdf:about='' xmlns:xmp="http://ns.adobe.com/xap/1.0/"
   xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:dev="http://developer.invalid/1/"
   xmlns:mwg-rs="http://www.metadataworkinggroup.com/schemas/regions/"
   xmlns:stArea="http://ns.adobe.com/xmp/sType/Area#" xmlns:stDim="http://ns.adobe.com/xap/1.0/sType/Dimensions#"
   xmp:Rating="2" dev:Exposure="+0.35" dev:Odd='a > b &amp; "c"'>
   <dc:title><rdf:Alt><rdf:li xml:lang="x-default">Harvest &lt;day&gt;</rdf:li></rdf:Alt></dc:title>
   <dc:subject><rdf:Bag><rdf:li>school</rdf:li><rdf:li>\xc3\xbcber</rdf:li></rdf:Bag></dc:subject>
   <dev:Curve><![CDATA[0,0 <255,255>]]></dev:Curve>
   <mwg-rs:Regions rdf:parseType="Resource">
    <mwg-rs:AppliedToDimensions stDim:w="6000" stDim:h="4000" stDim:unit="pixel"/>
    <mwg-rs:RegionList>
     <rdf:Bag>
      <rdf:li>
       <rdf:Description mwg-rs:Name="Somebody" mwg-rs:Type="Face">
        <mwg-rs:Area stArea:x="0.51" stArea:y="0.49" stArea:w="0.25" stArea:h="0.35"
          stArea:unit="normalized"/>
       </rdf:Description>
      </rdf:li>
     </rdf:Bag>
    </mwg-rs:RegionList>
   </mwg-rs:Regions>
  </rdf:Description>
 </rdf:RDF>
</x:xmpmeta>
"""


@contextmanager
def opened(packet: bytes, path: Path) -> Iterator[Any]:
    """Give a sidecar to the independent program, Exiv2, and close it again."""
    path.write_bytes(packet)
    image = pyexiv2.Image(str(path))
    try:
        yield image
    finally:
        image.close()


def told(packet: bytes, path: Path) -> dict[str, Any]:
    """Return what an independent reader, Exiv2, finds in a sidecar."""
    with opened(packet, path) as image:
        return dict(image.read_xmp())


def changed(packet: bytes, path: Path, values: dict[str, Any]) -> bytes:
    """Return a sidecar after another program has changed values and written all of it anew in its own way."""
    with opened(packet, path) as image:
        image.modify_xmp(values)
    return path.read_bytes()


def test_an_independent_reader_finds_what_was_written(tmp_path: Path) -> None:
    """Exiv2 reads stars, caption, keepers and both kinds of regions as they were meant."""
    found = told(merged(NEW, SEEN), tmp_path / "a.xmp")
    assert found["Xmp.xmp.Rating"] == "4"
    assert found["Xmp.dc.description"] == {'lang="x-default"': "Best head here: P01."}
    assert found["Xmp.facemerge.keepers"] == ["P01"]
    mwg, iptc = "Xmp.mwg-rs.Regions/mwg-rs:", "Xmp.iptcExt.ImageRegion"
    assert [found[f"{mwg}AppliedToDimensions/stDim:{k}"] for k in ("w", "h", "unit")] == [
        "6000",
        "4000",
        "pixel",
    ]
    for i, (name, centre, corner) in enumerate(
        [
            ("P01", ("0.5", "0.5", "0.2", "0.3"), ("0.4", "0.35", "0.2", "0.3")),
            ("P02", ("0.15", "0.4", "0.1", "0.2"), ("0.1", "0.3", "0.1", "0.2")),
        ],
        1,
    ):
        one, other = f"{mwg}RegionList[{i}]/mwg-rs:", f"{iptc}[{i}]/Iptc4xmpExt:"
        assert (found[f"{one}Name"], found[f"{one}Type"]) == (name, "Face")
        assert tuple(found[f"{one}Area/stArea:{k}"] for k in "xywh") == centre
        assert found[f"{one}Area/stArea:unit"] == "normalized"
        assert found[f"{one}Description"] == FACES[i - 1].text
        boundary = f"{other}RegionBoundary/Iptc4xmpExt:"
        assert tuple(found[boundary + k] for k in ("rbX", "rbY", "rbW", "rbH")) == corner
        assert (found[f"{boundary}rbShape"], found[f"{boundary}rbUnit"]) == ("rectangle", "relative")
        assert found[f"{other}Name"] == {'lang="x-default"': name}
    assert f"{iptc}[3]" not in found


@pytest.mark.parametrize("start", [NEW, OTHERS], ids=["new", "others"])
def test_a_second_time_changes_nothing(start: bytes) -> None:
    """The same facts give the same bytes, however often they are written."""
    once = merged(start, SEEN)
    assert once != start
    assert merged(once, SEEN) == once


@pytest.mark.parametrize("start", [NEW, OTHERS], ids=["new", "others"])
def test_taken_back_it_leaves_no_trace(start: bytes) -> None:
    """When there is nothing left to say, the sidecar is what it was before, byte for byte."""
    assert merged(merged(start, SEEN), NOTHING) == start
    assert merged(start, NOTHING) == start


def test_what_others_wrote_stays(tmp_path: Path) -> None:
    """Every byte of a foreign sidecar is still there, in its order, and reads the same."""
    out = merged(OTHERS, SEEN)
    at = 0
    for line in OTHERS.splitlines(keepends=True):
        at = out.index(line.strip(), at)
    before, after = told(OTHERS, tmp_path / "a.xmp"), told(out, tmp_path / "b.xmp")
    assert before.items() <= after.items()
    assert len(before) > 15


def test_a_persons_stars_and_caption_stay(tmp_path: Path) -> None:
    """A rating or a caption that was there is never overwritten, nor taken for ours later."""
    theirs = OTHERS.replace(
        b"   <dc:title>",
        b"   <dc:description><rdf:Alt><rdf:li xml:lang='x-default'>Ours</rdf:li></rdf:Alt></dc:description>"
        b"<dc:title>",
    )
    # The same value as ours by chance does not make it ours.
    for rating in (2, 4):
        out = merged(merged(theirs, replace(SEEN, rating=rating, caption="Ours")), replace(SEEN, rating=5))
        found = told(out, tmp_path / "a.xmp")
        assert found["Xmp.xmp.Rating"] == "2"
        assert found["Xmp.dc.description"] == {'lang="x-default"': "Ours"}
        assert "Xmp.facemerge.rating" not in found


@pytest.mark.parametrize("theirs", ["0", "0.0", ""])
def test_unrated_is_not_a_rating(tmp_path: Path, theirs: str) -> None:
    """0 is 'unrated' and the same as no rating (ISO 16684-1, xmp:Rating), so that stars may be given."""
    out = merged(OTHERS.replace(b'xmp:Rating="2"', f'xmp:Rating="{theirs}"'.encode()), SEEN)
    assert told(out, tmp_path / "a.xmp")["Xmp.xmp.Rating"] == "4"
    assert out.count(b"Rating") == merged(NEW, SEEN).count(b"Rating")


@pytest.mark.parametrize("theirs", ["-1", "3.5", "-0.5", "five"])
def test_any_other_rating_is_somebodys(tmp_path: Path, theirs: str) -> None:
    """Rejected, half stars, and even what the standard does not allow, are left as they are.

    ISO 16684-1, xmp:Rating: -1 or in [0, 5]; values between -1 and 0 are invalid.
    """
    out = merged(OTHERS.replace(b'xmp:Rating="2"', f'xmp:Rating="{theirs}"'.encode()), SEEN)
    assert told(out, tmp_path / "a.xmp")["Xmp.xmp.Rating"] == theirs


def test_our_own_stars_may_change(tmp_path: Path) -> None:
    """What an earlier run gave is replaced by what is known now, and taken back if nothing is."""
    once = merged(OTHERS.replace(b'xmp:Rating="2" ', b""), SEEN)
    assert told(merged(once, replace(SEEN, rating=2)), tmp_path / "a.xmp")["Xmp.xmp.Rating"] == "2"
    assert "Xmp.xmp.Rating" not in told(merged(once, replace(SEEN, rating=None)), tmp_path / "b.xmp")


@pytest.mark.parametrize(
    ("change", "kept"),
    [
        ({"Xmp.xmp.Rating": "2"}, {"Xmp.xmp.Rating": "2"}),
        ({"Xmp.xmp.Rating": "0"}, {"Xmp.xmp.Rating": "0"}),
        ({"Xmp.xmp.Rating": ""}, {"Xmp.xmp.Rating": ""}),
        ({"Xmp.dc.description": "Theirs"}, {"Xmp.dc.description": {'lang="x-default"': "Theirs"}}),
        ({"Xmp.dc.description": ""}, {"Xmp.dc.description": {'lang="x-default"': ""}}),
        ({"Xmp.mwg-rs.Regions/mwg-rs:RegionList[1]/mwg-rs:Name": "Anna"},
         {"Xmp.mwg-rs.Regions/mwg-rs:RegionList[2]/mwg-rs:Name": "P02",
          "Xmp.mwg-rs.Regions/mwg-rs:RegionList[1]/mwg-rs:Name": "Anna"}),
    ],
)  # fmt: skip
def test_what_a_person_changed_is_theirs(
    tmp_path: Path, change: dict[str, Any], kept: dict[str, Any]
) -> None:
    """Stars given, taken away, a caption written or emptied, a face named in another program: all of it
    stays, after that program has written the whole sidecar anew, and after two further runs.
    """
    theirs = changed(merged(NEW, SEEN), tmp_path / "a.xmp", change)
    for run in (1, 2):
        theirs = merged(theirs, replace(SEEN, rating=run, caption=f"Run {run}."))
        found = told(theirs, tmp_path / "b.xmp")
        assert {name: found.get(name) for name in kept} == kept
    assert len([name for name in found if name.endswith("mwg-rs:Name")]) == 2


def test_what_a_person_took_away_stays_away(tmp_path: Path) -> None:
    """Stars and a caption that somebody has removed, property and all, do not come back."""
    theirs = changed(merged(NEW, SEEN), tmp_path / "a.xmp", {"Xmp.dc.title": "New"})
    theirs = theirs.replace(b'xmp:Rating="4"', b"")
    start = theirs.rindex(b"<dc:description>")
    theirs = theirs[:start] + theirs[theirs.rindex(b"</dc:description>") + len(b"</dc:description>") :]
    assert not {"Xmp.xmp.Rating", "Xmp.dc.description"} & set(told(theirs, tmp_path / "b.xmp"))
    for run in (1, 2):
        theirs = merged(theirs, replace(SEEN, rating=run, caption=f"Run {run}."))
        found = told(theirs, tmp_path / "b.xmp")
        assert not {"Xmp.xmp.Rating", "Xmp.dc.description"} & set(found)


def test_another_programs_way_of_writing_is_understood(tmp_path: Path) -> None:
    """After another program has written everything anew, ours is still found and not written twice."""
    theirs = changed(merged(NEW, SEEN), tmp_path / "a.xmp", {"Xmp.dc.title": "New"})
    out = merged(theirs, replace(SEEN, rating=1, regions=FACES[:1]))
    found = told(out, tmp_path / "b.xmp")
    assert found["Xmp.dc.title"] == {'lang="x-default"': "New"}
    assert found["Xmp.xmp.Rating"] == "1"
    assert len([name for name in found if name.endswith("mwg-rs:Name")]) == 1
    assert len([name for name in found if name.endswith("Iptc4xmpExt:rId")]) == 1
    assert merged(out, replace(SEEN, rating=1, regions=FACES[:1])) == out


def test_a_face_that_somebody_has_marked_is_not_marked_twice(tmp_path: Path) -> None:
    """Somebody's region of the same face stays alone; a face that nobody has marked is added after it."""
    found = told(merged(OTHERS, SEEN), tmp_path / "a.xmp")
    names = [v for k, v in found.items() if k.endswith("mwg-rs:Name")]
    assert names == ["Somebody", "P02"]
    # IPTC's list is nobody's, so that both are in it.
    assert len([k for k in found if k.endswith("Iptc4xmpExt:rId")]) == 2


def test_regions_of_another_cut_are_left_alone(tmp_path: Path) -> None:
    """Where a list is for a picture of other proportions, ours would be in the wrong place and stay out."""
    other = OTHERS.replace(b'stDim:w="6000"', b'stDim:w="4000"')
    found = told(merged(other, SEEN), tmp_path / "a.xmp")
    assert [v for k, v in found.items() if k.endswith("mwg-rs:Name")] == ["Somebody"]
    half = OTHERS.replace(b'stDim:w="6000" stDim:h="4000"', b'stDim:w="3000" stDim:h="2000"')
    assert b"<mwg-rs:Name>P02" in merged(half, SEEN)


def iptc(boundary: str) -> bytes:
    """Return a sidecar with somebody's region in IPTC's form."""
    fields = "".join(f"<e:{k}>{v}</e:{k}>" for k, v in (w.split("=") for w in boundary.split()))
    boundary = f'<e:RegionBoundary rdf:parseType="Resource">{fields}</e:RegionBoundary>'
    region = f'<rdf:li rdf:parseType="Resource">{boundary}</rdf:li>'
    inside = f"<e:ImageRegion><rdf:Bag>{region}</rdf:Bag></e:ImageRegion>"
    names = 'xmlns:e="http://iptc.org/std/Iptc4xmpExt/2008-02-29/"'
    return NEW.replace(
        b" </rdf:RDF>",
        f'<rdf:Description rdf:about="" {names}>{inside}</rdf:Description> </rdf:RDF>'.encode(),
    )


@pytest.mark.parametrize(
    ("boundary", "added"),
    [
        ("rbShape=rectangle rbUnit=relative rbX=0.41 rbY=0.34 rbW=0.2 rbH=0.3", ["P02"]),
        ("rbShape=rectangle rbUnit=pixel rbX=2460 rbY=1360 rbW=1200 rbH=1200", ["P02"]),
        ("rbShape=circle rbUnit=relative rbX=0.5 rbY=0.5 rbRx=0.1", ["P02"]),
        ("rbShape=circle rbUnit=pixel rbX=3000 rbY=2000 rbRx=600", ["P02"]),
        # The whole picture, a speck, another place, and what cannot be told.
        ("rbShape=rectangle rbUnit=relative rbX=0 rbY=0 rbW=1 rbH=1", ["P01", "P02"]),
        ("rbShape=rectangle rbUnit=relative rbX=0.49 rbY=0.49 rbW=0.02 rbH=0.02", ["P01", "P02"]),
        ("rbShape=rectangle rbUnit=relative rbX=0.7 rbY=0.35 rbW=0.2 rbH=0.3", ["P01", "P02"]),
        ("rbShape=rectangle rbUnit=relative rbX=far rbY=0.35 rbW=0.2 rbH=0.3", ["P01", "P02"]),
    ],
)  # fmt: skip
def test_somebodys_region_in_the_other_form(boundary: str, added: list[str]) -> None:
    """Rectangles and circles, in shares or pixels, are seen to be of the same face, or not to be."""
    out = merged(iptc(boundary), SEEN)
    assert re.findall(r"rId>facemerge-(P\d\d)<", out.decode()) == added
    assert boundary.split()[2].replace("=", ">").encode() in out
    assert merged(out, SEEN) == out


@pytest.mark.parametrize("bag", [b"<rdf:Bag/>", b"<rdf:Bag></rdf:Bag>", b"<rdf:Bag> </rdf:Bag>"])
def test_an_empty_list_is_nobodys(bag: bytes) -> None:
    """A list without entries gives way to ours, once and for all."""
    start = (
        OTHERS[: OTHERS.index(b"     <rdf:Bag>\n")]
        + bag
        + OTHERS[OTHERS.index(b"    </mwg-rs:RegionList>") :]
    )
    out = merged(start, SEEN)
    assert out.count(b"<mwg-rs:Regions") == 1
    assert b"<mwg-rs:Name>P01" in out
    assert merged(out, SEEN) == out


def test_a_list_that_is_not_understood_is_left_alone() -> None:
    """Regions written in a way that is no list stay, and nothing is added to them."""
    odd = b'<mwg-rs:Regions rdf:resource="http://elsewhere.invalid/"/>'
    start = re.sub(rb"<mwg-rs:Regions.*</mwg-rs:Regions>", odd, OTHERS, flags=re.DOTALL)
    out = merged(start, SEEN)
    assert odd in out
    assert b"<mwg-rs:Name>" not in out


TWO = b'<rdf:Description rdf:about="a"/><rdf:Description rdf:about="b"/> </rdf:RDF>'
LAUGHS = (
    '<!DOCTYPE x [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;">]>'
    f'<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="{RDF}">&c;</rdf:RDF></x:xmpmeta>'
)
OUTSIDE = LAUGHS.replace('<!ENTITY a "ha">', '<!ENTITY a SYSTEM "file:///etc/passwd">')


@pytest.mark.parametrize(
    ("packet", "why"),
    [
        (b"", "broken"),
        (b"not XML at all", "broken"),
        (OTHERS[:-30], "broken"),
        (OTHERS.replace(b"</dc:title>", b"</dc:tutle>"), "broken"),
        (OTHERS.replace(b"Harvest", b"&harvest;"), "broken"),
        (b"<html/>", "no metadata"),
        (OTHERS.replace(b"adobe:ns:meta/", b"x").replace(RDF.encode(), b"y"), "no metadata"),
        (OTHERS.replace(b"\xc3\xbc", b"\xfc"), "UTF-8"),
        (OTHERS.replace(b'encoding="UTF-8"', b'encoding="ISO-8859-1"'), "UTF-8"),
        (OTHERS.decode().encode("utf-16"), "UTF-8"),
        (LAUGHS.encode(), "document type"),
        (OUTSIDE.encode(), "document type"),
        (b"<a>" * 300 + b"</a>" * 300, "nested too deep"),
        (b" " * (rdf.MOST_BYTES + 1), "too long"),
        (OTHERS.replace(b" </rdf:RDF>", TWO), "several things"),
        (b"<a>" + NEW[NEW.index(b"<x:") : NEW.index(b"<?xpacket end")] * 2 + b"</a>", "two packets"),
    ],
)  # fmt: skip
def test_a_broken_sidecar_is_refused_in_words(packet: bytes, why: str) -> None:
    """Nothing is expanded, fetched or mended: what cannot be read whole is refused, in words after 'it'."""
    with pytest.raises(rdf.BrokenPacketError, match=why):
        merged(packet, SEEN)
    assert rating_in(packet) == 0


def test_what_the_packet_is_about_is_kept() -> None:
    """Our description is about the same thing as the others', as RDF needs it."""
    out = merged(OTHERS.replace(b"rdf:about=''", b"rdf:about='uuid:1&amp;2'"), SEEN)
    assert b'<rdf:Description rdf:about="uuid:1&amp;2" ' in out
    assert len({rdf.about(rdf.parse(p)) for p in (out, merged(out, SEEN))}) == 1


@pytest.mark.parametrize("mark", [b"\xef\xbb\xbf", b""])
def test_a_byte_order_mark_is_no_hindrance(mark: bytes) -> None:
    """With the mark at the beginning or without, changes fall where they should."""
    out = merged(mark + OTHERS, SEEN)
    assert out.startswith(mark)
    assert out[len(mark) :] == merged(OTHERS, SEEN)


texts = st.text(st.characters(codec="utf-8"), max_size=40)


@given(texts, st.none() | st.integers(0, 5), st.lists(st.sampled_from(["P01", "P02", "P03"]), unique=True))
@example("NAN", None, [])
def test_any_words_survive(caption: str, rating: int | None, who: list[str]) -> None:
    """Whatever a file name or a reason holds, the sidecar can be read, says it, and settles at once."""
    area = Area(x=0.1, y=0.1, w=0.1, h=0.1)
    said = Seen(
        size=(60, 40),
        rating=rating,
        caption=caption,
        keepers=tuple(who),
        regions=tuple(Region(person=p, area=area, text=caption) for p in who),
    )
    for start in (NEW, OTHERS):
        out = merged(start, said)
        assert merged(out, said) == out
        assert merged(out, NOTHING) == start
    found = rdf.properties(rdf.parse(merged(NEW, said)))
    marks = found.get(f"{OURS} description", [None])
    assert (
        rdf.text(marks[0]).split()
        == re.sub("[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "\ufffd", caption).split()
    )


@pytest.mark.parametrize(("said", "rating"), [("3", 3.0), ("-1", -1.0), ("0", 0.0), ("", 0.0), ("x", 0.0)])
def test_rating_of_a_packet(said: str, rating: float) -> None:
    """A rating is read whichever way it is written."""
    attribute = OTHERS.replace(b'xmp:Rating="2"', f'xmp:Rating="{said}"'.encode())
    element = OTHERS.replace(b'xmp:Rating="2"', b"").replace(
        b"<dc:title>", f"<xmp:Rating>{said}</xmp:Rating><dc:title>".encode()
    )
    assert [rating_in(p) for p in (attribute, element)] == [rating, rating]


@given(
    st.integers(0, len(OTHERS)),
    st.integers(0, 60),
    st.sampled_from([b"", b"<rdf:li/>", b"<a x='1'>", b"&lt;", b"0"]),
)
def test_damage_never_makes_more_damage(at: int, length: int, new: bytes) -> None:
    """Whatever is cut out of a sidecar or put into it, it is refused, or stays readable and settles."""
    harmed = OTHERS[:at] + new + OTHERS[at + length :]
    try:
        out = merged(harmed, SEEN)
    except rdf.BrokenPacketError:
        return
    assert merged(out, SEEN) == out
