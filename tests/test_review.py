"""A review: who is let in, what can be changed, what is kept on disk, and what is saved."""

from __future__ import annotations

import dataclasses
import json
import shutil
import threading
from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bursts
import cv2
import numpy as np
import pytest
from building import watch
from starlette.testclient import TestClient

from facemerge import pipeline, text
from facemerge.errors import InputError, OptionError, OutputError
from facemerge.formats import decisions as decisions_file
from facemerge.formats import photo, report
from facemerge.models import Models
from facemerge.pipeline import draft
from facemerge.pipeline.reviewing import Finished, alone, as_reported, finished, pending
from facemerge.review import app as web
from facemerge.review import session as sessions
from facemerge.review import state
from facemerge.review.engine import Engine
from facemerge.review.serve import listen
from facemerge.words import Decisions, Fault, FaultKind, Risk

TO_COME = text.reasons(Risk(value=0.0, flag="clear", faults=(Fault(kind=FaultKind.TO_COME, chance=0.0),)))[0]
PORT, TOKEN = 8765, "token-of-a-test_0123456789abcdef"
HOST = f"127.0.0.1:{PORT}"
SAID = {"Content-Type": "application/json", "X-Facemerge": "1"}


@dataclass(frozen=True, slots=True, eq=False)
class Review:
    """One review, and a browser of it."""

    out: Path
    work: Finished
    session: sessions.Session
    client: TestClient

    def state(self) -> dict[str, Any]:
        return self.client.get("api/state").json()

    def change(self, do: Any, version: int | None = None) -> Any:
        version = self.session.mark[0] if version is None else version
        body = json.dumps({"version": version, "do": do})
        answer = self.client.post("api/change", content=body, headers=SAID)
        self.session.wait_for_heads()
        return answer

    def person(self, who: str) -> dict[str, Any]:
        return next(p for p in self.state()["people"] if p["id"] == who)

    def on_disk(self) -> Decisions:
        return decisions_file.read_decisions(self.out / "decisions.json")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory, models: Models) -> Path:
    """A finished result beside its burst, made once; never changed."""
    folder = tmp_path_factory.mktemp("made")
    pipeline.merge([bursts.write(folder / "burst")], folder / "out", models=models)
    return folder


@pytest.fixture(scope="module")
def engine(made: Path, models: Models) -> Engine:
    """What makes pictures, for all tests: it knows nothing of decisions, and makes each head once."""
    work = finished(made / "out", (), models)
    found = Engine(work, photo.read)
    # Every test begins with the true heads.
    found.show(as_reported(work.report))
    return found


@pytest.fixture
def place(made: Path, tmp_path: Path) -> Path:
    """A copy of the burst and its result: they move together."""
    for name in ("burst", "out", "out.facemerge-cache"):
        shutil.copytree(made / name, tmp_path / name)
    return tmp_path


def begin(out: Path, models: Models, engine: Engine) -> Review:
    work = finished(out, (), models)
    session = sessions.Session(work, engine, models)
    session.wait_for_heads()
    client = TestClient(
        web.application(session, TOKEN, PORT), base_url=f"http://{HOST}/{TOKEN}/", headers={"Host": HOST}
    )
    return Review(out, work, session, client)


@pytest.fixture
def review(place: Path, models: Models, engine: Engine) -> Iterator[Review]:
    begun = begin(place / "out", models, engine)
    yield begun
    begun.session.wait_for_save()


@pytest.fixture(scope="module")
def still(made: Path, models: Models, engine: Engine, tmp_path_factory: pytest.TempPathFactory) -> Review:
    """A review that no test changes."""
    folder = tmp_path_factory.mktemp("still")
    for name in ("burst", "out", "out.facemerge-cache"):
        shutil.copytree(made / name, folder / name)
    return begin(folder / "out", models, engine)


def pixels(data: bytes) -> np.ndarray:
    return cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_UNCHANGED)


# -- who is let in ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/api/state",
        f"/{TOKEN}",
        f"/{TOKEN[:-1]}/api/state",
        f"/{TOKEN}x/api/state",
        f"//{TOKEN}/api/state",
        f"/{TOKEN}/../{TOKEN}/api/state/",
        f"/{TOKEN}/api/nothing",
        f"/{TOKEN}/..%2f..%2fout%2freport.json",
        f"/{TOKEN}/%2e%2e/app.py",
        f"/{TOKEN}/static/../app.py",
        f"/{TOKEN}/api/face/..%2f..%2fburst/0/1.jpg",
        f"/{TOKEN}/api/face/P01/..%2f0/1.jpg",
        f"/{TOKEN}/api/face/P01/99/1.jpg",
        f"/{TOKEN}/api/face/P99/0/1.jpg",
        f"/{TOKEN}/api/picture/99.jpg",
        f"/{TOKEN}/api/mask/1/P99.png",
        f"/{TOKEN}/api/part/1/secret.jpg?x=0&y=0&w=9&h=9",
        f"/{TOKEN}/api/part/1/base.jpg?x=0&y=0&w=nan&h=9",
        f"/{TOKEN}/api/part/1/base.jpg?x=0&y=0&w=9&h=9&zoom=3",
    ],
)
def test_what_is_not_there_gets_nothing(still: Review, path: str) -> None:
    """A wrong token, a path outside, an unknown person, frame or version: an empty answer."""
    answer = still.client.get(f"http://{HOST}{path}")
    assert (answer.status_code, answer.content) == (404, b"")


@pytest.mark.parametrize(
    "headers",
    [
        {"Host": "portraits.example"},
        {"Host": f"portraits.example:{PORT}"},
        {"Host": "127.0.0.1"},
        {"Host": f"127.0.0.1:{PORT + 1}"},
        {"Origin": "https://portraits.example"},
        {"Origin": "null"},
        {"Origin": f"http://localhost:{PORT}"},
        {"Origin": f"https://{HOST}"},
    ],
)
@pytest.mark.parametrize("path", ["", "api/state", "api/picture/1.jpg"])
def test_other_sites_get_nothing(still: Review, headers: dict[str, str], path: str) -> None:
    """A foreign Host (a name that leads here by a trick) or Origin gets an empty answer."""
    answer = still.client.get(path, headers=headers)
    assert (answer.status_code, answer.content) == (404, b"")


@pytest.mark.parametrize("headers", [{}, {"Origin": f"http://{HOST}"}])
def test_the_page_itself_is_let_in(still: Review, headers: dict[str, str]) -> None:
    """The page's own questions are answered, with headers that keep everything to itself."""
    answer = still.client.get("api/state", headers=headers)
    assert answer.status_code == 200
    assert answer.headers["content-security-policy"].startswith("default-src 'self'; img-src 'self' blob:")
    assert answer.headers["referrer-policy"] == "no-referrer"
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cache-control"] == "no-store"
    assert still.client.get("api/state", headers={"Host": f"localhost:{PORT}"}).status_code == 200


@pytest.mark.parametrize(
    ("headers", "body", "status"),
    [
        ({"Content-Type": "application/json"}, b"{}", 403),
        ({"Content-Type": "application/json", "X-Facemerge": "yes"}, b"{}", 403),
        ({"Content-Type": "text/plain", "X-Facemerge": "1"}, b"{}", 415),
        ({"X-Facemerge": "1"}, b"{}", 415),
        (SAID, b"{", 400),
        (SAID, b"[1]", 400),
        (SAID, b"[" * 100_000, 400),
        (SAID, b" " * (web.MOST_BODY_BYTES + 1), 413),
        (SAID, b"{}", 422),
        (SAID, b'{"version": true, "do": {"undo": true}}', 422),
        ({**SAID, "Origin": "https://portraits.example"}, b"{}", 404),
    ],
)
@pytest.mark.parametrize("path", ["api/change", "api/save"])
def test_a_change_must_come_from_the_page(
    still: Review, path: str, headers: dict[str, str], body: bytes, status: int
) -> None:
    """Without the page's header, as another kind, broken or too large, a change is refused."""
    answer = still.client.post(path, content=body, headers=headers)
    assert answer.status_code == status
    assert still.session.mark == (1, False)
    assert not (still.out / "decisions.json").exists()


@pytest.mark.parametrize("method", ["PUT", "DELETE", "PATCH", "OPTIONS"])
def test_other_methods_get_nothing(still: Review, method: str) -> None:
    """Nothing but looking and posting is known."""
    answer = still.client.request(method, "api/state")
    assert (answer.status_code, answer.content) == (404, b"")


def test_it_listens_on_this_machine_alone() -> None:
    """The socket is bound to the loopback, and a port that is taken is said in one sentence."""
    with listen(0) as here:
        address, port = here.getsockname()
        assert address == "127.0.0.1"
        with pytest.raises(OptionError, match=f"Port {port} cannot be used"):
            listen(port)


def test_tokens_are_long_and_never_the_same() -> None:
    """24 random bytes, as many as no one can try."""
    assert len({web.new_token() for _ in range(100)}) == 100
    assert len(web.new_token()) == 32


# -- looking ------------------------------------------------------------------------------------------------


def test_the_state_tells_what_the_report_tells(still: Review) -> None:
    """Base, people, picks, flags and frames are those of the report; nothing is decided yet."""
    state, told = still.state(), report.read_report(still.out / "report.json")
    names = [f["name"] for f in state["frames"]]
    assert names == [f["file"] for f in told["frames"]]
    assert (names[state["base"]], state["size"]) == (told["base"], told["size"])
    assert {p["id"]: (names[p["pick"]], p["from_base"], p["flag"]) for p in state["people"]} == {
        p["id"]: (p["pick"], p["from_base"], p["flag"]) for p in told["people"]
    }
    assert (state["version"], state["undo"], state["redo"], state["saved"]) == (1, None, None, True)
    for person in state["people"]:
        assert [f["frame"] for f in person["faces"]] == [0, 1, 2, 3]
        assert (person["area"] is None) == person["from_base"]


def test_where_to_look_is_told_the_worst_first_also_on_whom_nothing_was_set_in(still: Review) -> None:
    """The places of faults in the base's pixels, those of no place left out; whoever suffers from a
    head beside them has places though their own head is the base's."""
    session = still.session
    shown = session.shown(session.mark[0])
    assert shown is not None
    stays = next(p.person for p in shown.made.choice.picks if p.from_base)
    swapped = next(p.person for p in shown.made.choice.picks if not p.from_base)
    at = [(310.0, 212.5), (20.0, 30.0)]
    found = Risk(
        value=0.5,
        flag="inspect",
        faults=(
            Fault(kind=FaultKind.BREAK, chance=0.4, amount=1.0, at=at[0]),
            Fault(kind=FaultKind.GRAIN, chance=0.2, amount=2.0),
            Fault(kind=FaultKind.STEP, chance=0.1, amount=1.0, at=at[1]),
        ),
    )
    harm = Fault(kind=FaultKind.NEIGHBOUR, chance=0.5, amount=0.1, at=at[1], person=stays, words=swapped)
    suffers = Risk(value=0.5, flag="inspect", faults=(harm,))
    made = dataclasses.replace(shown.made, risks={swapped: found, stays: suffers})
    told = state.described(still.work, session._engine, dataclasses.replace(shown, made=made))
    weak = {p["id"]: p["weak"] for p in told["people"]}
    assert weak == {swapped: [list(place) for place in at], stays: [list(at[1])]}
    theirs = next(p for p in told["people"] if p["id"] == stays)
    assert (theirs["flag"], theirs["area"]) == ("inspect", None)
    assert swapped in theirs["reasons"][0]
    made = dataclasses.replace(shown.made, risks={})
    told = state.described(still.work, session._engine, dataclasses.replace(shown, made=made))
    assert {p["id"]: (p["flag"], p["weak"], p["reasons"]) for p in told["people"]} == {
        stays: ("clear", [], [text.NOTHING_CHANGED]),
        swapped: ("clear", [], [text.NOT_MEASURED]),
    }


def test_the_pictures_have_the_sizes_that_the_state_tells(still: Review) -> None:
    """Big pictures are of screen size and show the same outside the heads; parts are cut to the pixel."""
    state = still.state()
    w, h = state["screen"]
    composite, base = (pixels(still.client.get(f"api/{k}/1.jpg").content) for k in ("picture", "base"))
    assert composite.shape == base.shape == (h, w, 3)
    assert "immutable" in still.client.get("api/base/1.jpg").headers["cache-control"]
    head = next(p for p in state["people"] if not p["from_base"])
    x0, y0, x1, y1 = head["area"]
    apart = np.abs(composite.astype(int) - base).max(axis=2)
    assert apart[y0:y1, x0:x1].max() > 30
    apart[y0 - 16 : y1 + 16, x0 - 16 : x1 + 16] = 0
    assert apart.max() <= 2
    part = f"api/part/1/composite.jpg?x={x0}&y={y0}&w=100&h=80&zoom=2"
    cut = pixels(still.client.get(part).content)
    assert cut.shape == (160, 200, 3)
    seen = composite[y0 : y0 + 80, x0 : x0 + 100].astype(int)
    assert 0 < np.abs(cut[::2, ::2].astype(int) - seen).mean() < 6
    far = part.replace("composite", "difference").replace(f"x={x0}", "x=0")
    same = pixels(still.client.get(far).content)
    assert same.max() == 255
    mask = pixels(still.client.get(f"api/mask/1/{head['id']}.png").content)
    assert mask.shape == (y1 - y0, x1 - x0, 4)
    assert (mask[..., 3].min(), mask[..., 3].max()) == (0, 255)


def test_faces_are_of_one_size_and_lie_alike(still: Review) -> None:
    """All faces of a person lie at the same place at the same scale, to a few pixels."""
    seen = [pixels(still.client.get(f"api/face/P01/{f}/1.jpg").content).astype(float) for f in range(4)]
    assert {s.shape for s in seen} == {(400, 320, 3)}
    middle = [s[120:214, 94:226].mean(axis=2) for s in seen]
    for one in middle[1:]:
        shift, sure = cv2.phaseCorrelate(middle[0], one)
        assert np.hypot(*shift) < 2.5, sure


def test_faces_are_made_once(
    still: Review, models: Models, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A second review, and one after a save, reads no frame for them again."""
    first = still.client.get("api/face/P01/2/1.jpg").content
    again = begin(still.out, models, engine)
    monkeypatch.setattr(photo, "read", None)
    assert again.client.get("api/face/P01/2/1.jpg").content == first


# -- changing -----------------------------------------------------------------------------------------------


def other(review: Review, who: str) -> int:
    """Return a frame that a person's head could come from and does not: neither the base nor the pick."""
    state, person = review.state(), review.person(who)
    return next(f["frame"] for f in person["faces"] if f["frame"] not in (state["base"], person["pick"]))


def test_take_changes_one_head_and_is_kept_at_once(review: Review) -> None:
    """The head of one person comes from the frame asked for, everybody else stays, and the disk knows it."""
    before, frame = review.state(), other(review, "P01")
    answer = review.change({"take": ["P01", frame]})
    after = answer.json()
    assert (answer.status_code, after["version"], after["saved"]) == (200, 2, False)
    assert after["base"] == before["base"]
    name = before["frames"][frame]["name"]
    picks = {p["id"]: p["pick"] for p in before["people"]} | {"P01": frame}
    assert {p["id"]: p["pick"] for p in after["people"]} == picks
    assert review.person("P01")["forced"]
    assert after["undo"] == f"P01 from {name}"
    assert review.on_disk().force["P01"] == name
    assert review.client.get("api/picture/1.jpg").content != review.client.get("api/picture/2.jpg").content


def test_a_first_look_comes_before_the_true_head(
    review: Review, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """At once the face is seen where it belongs; the true head follows as a version of the same decisions."""
    before, frame = review.state(), other(review, "P02")
    monkeypatch.setattr(engine._workshop, "_settled", OrderedDict())
    first = review.change({"take": ["P02", frame]}).json()
    told = next(p for p in first["people"] if p["id"] == "P02")
    assert (first["version"], told["pick"], told["reasons"][0][:12]) == (2, frame, "a first look")
    after = review.state()
    assert after["version"] == 3
    assert "first look" not in str(after)
    assert after["undo"] == first["undo"]
    rough, true, old = (
        pixels(review.client.get(f"api/picture/{v}.jpg").content).astype(int) for v in (2, 3, 1)
    )
    x0, y0, x1, y1 = (int(v) for v in told["box"])
    inside = np.s_[y0:y1, x0:x1]
    assert np.abs(rough - true)[inside].mean() < 0.5 * np.abs(old - true)[inside].mean()
    assert np.array_equal(rough[:40], true[:40])
    assert review.change({"note": ["P01", "to the first look"]}, version=2).status_code == 200
    assert review.change({"note": ["P01", "to no version"]}, version=2).status_code == 409
    assert before["version"] == 1


def test_a_review_begins_at_once_and_another_base_is_seen_at_once(
    place: Path, models: Models, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """First the base alone, with everybody's frame told; then the same decisions with the heads set in."""
    monkeypatch.setattr(engine._workshop, "_settled", OrderedDict())
    show, may = engine.show, threading.Event()
    monkeypatch.setattr(engine, "show", lambda *words: may.wait() and show(*words))
    session = sessions.Session(finished(place / "out", (), models), engine, models)
    for version, base in ((1, session.state()["base"]), (3, 2)):
        first = session.state()
        assert (first["version"], first["base"]) == (version, base)
        heads = {p["id"] for p in first["people"] if not p["from_base"]}
        assert heads == {p["id"] for p in first["people"] if p["reasons"] == [TO_COME]}
        assert engine.composite(session.shown(version)) == engine.base(session.shown(version))  # type: ignore[arg-type]
        may.set()
        session.wait_for_heads()
        then = session.state()
        assert (then["version"], then["base"]) == (version + 1, base)
        assert TO_COME not in str(then)
        if heads:
            assert engine.composite(session.shown(version + 1)) != engine.base(session.shown(version + 1))  # type: ignore[arg-type]
        if version == 1:
            assert then["saved"]
            may.clear()
            session.change(2, {"base": 2})


def test_the_reasons_are_those_of_the_first_run(still: Review) -> None:
    """Nobody has been told anything: whoever stays was chosen for the reason that the report tells."""
    told = report.read_report(still.out / "report.json")
    state = still.state()
    assert state["base_why"] == told["base_why"]
    assert {p["id"]: p["why"] for p in state["people"]} == {p["id"]: p["why"] for p in told["people"]}


def test_true_heads_that_were_overtaken_are_given_up(
    review: Review, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Taken twice at once, the first frame's true head is never shown; both first looks were."""
    monkeypatch.setattr(engine._workshop, "_settled", OrderedDict())
    made: list[bool] = []
    show = engine.show

    def waits(decided: Decisions, progress: Any = None) -> Any:
        if not made:
            made.append(True)
            overtaken.wait()
        return show(decided, progress)

    overtaken = threading.Event()
    monkeypatch.setattr(engine, "show", waits)
    before, frame = review.person("P02"), other(review, "P02")
    body = {"version": 1, "do": {"take": ["P02", frame]}}
    review.client.post("api/change", content=json.dumps(body), headers=SAID)
    first = review.session._refining
    body = {"version": 2, "do": {"take": ["P02", before["faces"][0]["frame"]]}}
    review.client.post("api/change", content=json.dumps(body), headers=SAID)
    overtaken.set()
    assert first is not None
    first.join()
    review.session.wait_for_heads()
    assert review.session.mark[0] == 4
    assert review.person("P02")["pick"] == before["faces"][0]["frame"]
    assert [review.session.shown(v).made.choice.picks[1].frame for v in (2, 3, 4)] == [  # type: ignore[union-attr]
        frame,
        *[before["faces"][0]["frame"]] * 2,
    ]


def test_frames_are_read_ahead_once(review: Review, monkeypatch: pytest.MonkeyPatch) -> None:
    """All of them, those with the best faces first, none twice; faces are made with them."""
    read: list[int] = []
    monkeypatch.setattr(review.session.engine, "read_ahead", read.append)
    review.session._read_ahead(threading.Event())
    scores = review.work.analysis.scores.values()
    sums = [sum(s.total for s in told if s) for told in zip(*scores, strict=True)]
    assert sorted(read) == list(range(4))
    assert [sums[f] for f in read] == sorted(sums, reverse=True)
    monkeypatch.setattr(review.session.faces, "_read", lambda frame: pytest.fail("read again"))
    assert review.client.get("api/face/P01/2/1.jpg").status_code == 200
    ended = threading.Event()
    ended.set()
    review.session.work_ahead(ended)
    assert len(read) == 4


def test_heads_are_made_at_full_size_ahead_and_give_way(
    review: Review, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Once for each picture that is shown, when nothing else is done; whoever asks for a part goes before."""
    monkeypatch.setattr(sessions, "LOOK_AGAIN_S", 0.001)
    monkeypatch.setattr(sessions, "PAUSE_S", 0.001)
    monkeypatch.setattr(engine, "read_ahead", lambda frame: None)
    made: list[Decisions] = []
    news, ended = threading.Event(), threading.Event()

    def make_ahead(shown: Any, go_on: Callable[[], None]) -> None:
        go_on()
        made.append(shown.decisions)
        if len(made) == 1:
            with engine._being_asked(), pytest.raises(sessions._OvertakenError):
                go_on()
            raise sessions._OvertakenError
        news.set()

    monkeypatch.setattr(engine, "make_ahead", make_ahead)
    ahead = threading.Thread(target=review.session.work_ahead, args=(ended,))
    ahead.start()
    assert news.wait(20)
    news.clear()
    review.change({"note": ["P01", "a hair"]})
    assert news.wait(20)
    ended.set()
    ahead.join()
    assert [d.notes for d in made] == [{}, {}, {"P01": "a hair"}]


def test_undo_and_redo_go_all_the_way(review: Review) -> None:
    """Undone, the decisions on disk are those of before, to the last byte; redone, those of after."""
    disk = review.out / "decisions.json"
    steps: list[bytes] = []
    for do in ({"note": ["P02", "a hair"]}, {"take": ["P01", other(review, "P01")]}, {"keep": "P02"}):
        assert review.change(do).status_code == 200
        steps.append(disk.read_bytes())
    assert len(set(steps)) == 3
    for expected in (steps[1], steps[0]):
        assert review.change({"undo": True}).status_code == 200
        assert disk.read_bytes() == expected
    review.change({"undo": True})
    assert dataclasses.replace(review.on_disk(), stays=None) == Decisions()
    assert review.state()["undo"] is None
    assert review.change({"undo": True}).json()["version"] == review.session.mark[0]
    for expected in steps:
        review.change({"redo": True})
        assert disk.read_bytes() == expected
    assert review.state()["redo"] is None


def test_a_change_after_undo_ends_what_could_be_redone(review: Review) -> None:
    """The way forward is lost with a new change, as everywhere."""
    review.change({"note": ["P01", "one"]})
    review.change({"undo": True})
    assert review.state()["redo"] == "note on P01"
    review.change({"note": ["P01", "two"]})
    assert review.state()["redo"] is None


def _head(review: Review) -> str:
    return next(p["id"] for p in review.state()["people"] if not p["from_base"])


STROKE = {"mode": "erase", "radius": 9.5, "softness": 0.5, "points": [[0, 0], [300.256, 250]]}


@pytest.mark.parametrize(
    ("do", "holds"),
    [
        (lambda r: {"keep": "P01"}, lambda r: r.person("P01")["kept"] and r.person("P01")["from_base"]),
        (lambda r: {"take": ["P01", r.state()["base"]]}, lambda r: "P01" in r.on_disk().keep),
        (lambda r: {"forbid": 0}, lambda r: r.state()["forbidden"] == [0]),
        (
            lambda r: {"forbid_for": ["P01", 0]},
            lambda r: [f["frame"] for f in r.person("P01")["faces"] if f["forbidden"]] == [0],
        ),
        (lambda r: {"base": 2}, lambda r: r.state()["base"] == 2 and r.state()["base_forced"]),
        (
            lambda r: {"note": ["P01", "  a hair  "]},
            lambda r: r.person("P01")["note"] == "a hair" and r.person("P01")["flag"] == "retouch",
        ),
        (
            lambda r: {"widen": [_head(r), -3.5]},
            lambda r: r.person(_head(r))["widen_px"] == -3.5 and r.person(_head(r))["touched"],
        ),
        (lambda r: {"stroke": [_head(r), STROKE]}, lambda r: r.person(_head(r))["strokes"] == 1),
    ],
)
def test_every_change_holds_on_screen_and_on_disk(
    review: Review,
    models: Models,
    engine: Engine,
    do: Callable[[Review], Any],
    holds: Callable[[Review], bool],
) -> None:
    """A change is seen in the state, and by a review begun anew after this one was killed."""
    answer = review.change(do(review))
    assert answer.status_code == 200, answer.json()["error"]
    assert holds(review)
    again = begin(review.out, models, engine)
    assert holds(again)
    assert again.session.decisions == review.session.decisions == review.on_disk()
    assert again.state()["people"] == review.state()["people"]


@pytest.mark.parametrize(
    ("do", "back"),
    [
        (lambda r: {"take": ["P01", other(r, "P01")]}, lambda r: {"release": "P01"}),
        (lambda r: {"keep": "P01"}, lambda r: {"release": "P01"}),
        (lambda r: {"forbid": 1}, lambda r: {"allow": 1}),
        (lambda r: {"forbid_for": ["P02", 1]}, lambda r: {"allow_for": ["P02", 1]}),
        (lambda r: {"base": 2}, lambda r: {"base": None}),
        (lambda r: {"note": ["P02", "x"]}, lambda r: {"note": ["P02", " "]}),
        (lambda r: {"widen": [_head(r), 4]}, lambda r: {"widen": [_head(r), 0]}),
        (lambda r: {"stroke": [_head(r), STROKE]}, lambda r: {"clear_mask": _head(r)}),
    ],
)
def test_what_is_done_can_be_taken_back(
    review: Review, do: Callable[[Review], Any], back: Callable[[Review], Any]
) -> None:
    """Every change has one that takes it back: people and picture are as before, the base perhaps held."""
    before = review.state()["people"]
    assert review.change(do(review)).status_code == 200
    assert review.change(back(review)).status_code == 200
    assert [{**p, "kept": 0, "forced": 0, "why": 0} for p in review.state()["people"]] == [
        {**p, "kept": 0, "forced": 0, "why": 0} for p in before
    ]
    assert not review.on_disk().notes
    assert not review.on_disk().masks
    assert not review.on_disk().forbid


@pytest.mark.parametrize(
    ("do", "words"),
    [
        (None, "one of take"),
        ({}, "one of take"),
        ({"undo": False}, "no change 'undo'"),
        ({"shave": "P01"}, "no change 'shave'; there are take"),
        ({"take": "P01"}, "takes two things"),
        ({"take": ["P77", 0]}, "no person 'P77'"),
        ({"take": [["P01"], 0]}, "no person"),
        ({"take": ["P01", 77]}, "no frame number 77"),
        ({"take": ["P01", True]}, "no frame number True"),
        ({"take": ["P01", "../x"]}, "no frame number"),
        ({"base": -1}, "no frame number -1"),
        ({"note": ["P01", 5]}, "a text of up to"),
        ({"note": ["P01", "x" * 2001]}, "a text of up to"),
        ({"widen": ["P01", "wide"]}, "no number"),
        ({"stroke": ["P01", {"mode": "smear"}]}, "no stroke"),
    ],
)
def test_what_is_not_understood_is_said_and_changes_nothing(still: Review, do: Any, words: str) -> None:
    """One sentence, and neither version nor disk knows of it."""
    answer = still.change(do)
    assert answer.status_code == 422
    assert words in answer.json()["error"]
    assert still.session.mark == (1, False)
    assert not (still.out / "decisions.json").exists()


@pytest.mark.parametrize(
    ("drawn", "words"),
    [
        ({"radius": 0}, "radius_px must be from"),
        ({"softness": 2}, "softness must be from"),
        ({"points": []}, "no stroke"),
        ({"points": [[1]]}, "no stroke"),
        ({"points": [[1, "2"]]}, "no number"),
        ({"points": [[1, 1e9]]}, "must be from"),
    ],
)
def test_strokes_that_cannot_be_kept_are_refused(still: Review, drawn: dict[str, Any], words: str) -> None:
    """A stroke that the file would not take is not shown either."""
    answer = still.change({"stroke": [_head(still), STROKE | drawn]})
    assert (answer.status_code, still.session.mark[0]) == (422, 1)
    assert words in answer.json()["error"]


def test_a_frame_ruled_out_for_everybody_gives_no_head(review: Review) -> None:
    """Demanded all the same, it is refused with the way out; ruled out for one, a demand wins."""
    frame = other(review, "P01")
    review.change({"forbid": frame})
    answer = review.change({"take": ["P01", frame]})
    assert answer.status_code == 422
    assert "allow it first" in answer.json()["error"]
    review.change({"allow": frame})
    review.change({"forbid_for": ["P01", frame]})
    assert review.change({"take": ["P01", frame]}).status_code == 200
    assert not review.on_disk().forbid


def test_two_pages_lose_nothing(review: Review) -> None:
    """The page that shows an older version is told the newer state; its change is made when asked anew."""
    assert review.change({"note": ["P01", "first page"]}, version=1).status_code == 200
    late = review.change({"note": ["P02", "second page"]}, version=1)
    assert (late.status_code, late.json()["version"]) == (409, 2)
    assert review.on_disk().notes == {"P01": "first page"}
    assert review.change({"note": ["P02", "second page"]}, version=late.json()["version"]).status_code == 200
    assert review.on_disk().notes == {"P01": "first page", "P02": "second page"}


def test_waiting_ends_with_news(review: Review, monkeypatch: pytest.MonkeyPatch) -> None:
    """A page that knows less is answered at once; one that knows all waits, though not for ever."""
    review.change({"note": ["P01", "x"]})
    assert review.client.get("api/wait?version=1").json()["version"] == 2
    assert review.client.get("api/wait?version=2&saving=1").json()["version"] == 2
    monkeypatch.setattr(web, "WAIT_S", 0.1)
    assert review.client.get("api/wait?version=2").json()["version"] == 2


def test_a_change_that_cannot_be_kept_is_not_shown(review: Review, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the disk full the change is refused: what is shown is what is kept."""

    def full(*_: object) -> None:
        raise OutputError("Nothing was written to decisions.json: there is no space left.")

    monkeypatch.setattr(decisions_file, "write_decisions", full)
    answer = review.change({"keep": "P01"})
    assert answer.status_code == 422
    assert "no space left" in answer.json()["error"]
    assert review.state()["version"] == 1


# -- saving -------------------------------------------------------------------------------------------------


def _files(out: Path) -> dict[str, bytes]:
    return {
        p.relative_to(out).as_posix(): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.is_file() and p.name not in ("decisions.json", "report.json", "report.html")
    }


def test_save_writes_what_merge_writes(
    review: Review, tmp_path: Path, models: Models, engine: Engine
) -> None:
    """The files are those of a merge by the same decisions, to the last byte."""
    review.change({"take": ["P01", other(review, "P01")]})
    answer = review.client.post(
        "api/save", content=json.dumps({"version": review.session.mark[0]}), headers=SAID
    )
    assert answer.json() == {"started": True}
    review.session.wait_for_save()
    state = review.state()
    assert (state["saved"], state["saving"], state["problem"]) == (True, False, None)
    pipeline.merge([tmp_path / "burst"], tmp_path / "again", decisions=review.on_disk(), models=models)
    assert _files(review.out) == _files(tmp_path / "again")
    assert (
        report.read_report(review.out / "report.json")["people"]
        == (report.read_report(tmp_path / "again" / "report.json")["people"])
    )
    shown = {p["id"]: state["frames"][p["pick"]]["name"] for p in state["people"]}
    told = report.read_report(review.out / "report.json")
    assert {p["id"]: p["pick"] for p in told["people"]} == shown
    assert begin(review.out, models, engine).state()["saved"]


def test_large_frames_are_saved_as_merge_makes_them(
    place: Path, tmp_path: Path, models: Models, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tried on drafts, looked at in part, touched up: what is saved is what a merge by the same decisions is,
    to the last byte, and of a head that was looked at nothing is made again."""
    monkeypatch.setattr(draft, "DRAFT_FACE_PX", 45.0)
    work = finished(place / "out", (), models)
    engine = Engine(work, photo.read)
    assert engine._workshop.shrink == 2
    review = begin(place / "out", models, engine)
    review.change({"take": ["P01", other(review, "P01")]})
    x, y, _, _ = (int(v) for v in review.person("P01")["area"])
    review.change({"stroke": ["P01", STROKE | {"points": [[x + 40, y + 40]]}]})
    version = review.session.mark[0]
    looked = review.client.get(f"api/part/{version}/composite.jpg?x={x}&y={y}&w=60&h=60&zoom=1")
    assert looked.status_code == 200
    built: list[str] = []
    watch(monkeypatch, lambda who, _base, _donor: built.append(who))
    review.session.save(version)
    review.session.wait_for_save()
    assert review.state()["saved"]
    assert "P01" not in built
    pipeline.merge([tmp_path / "burst"], tmp_path / "again", decisions=review.on_disk(), models=models)
    assert _files(review.out) == _files(tmp_path / "again")
    told, again = (report.read_report(out / "report.json") for out in (review.out, tmp_path / "again"))
    assert told["people"] == again["people"]


def test_a_change_made_while_saving_is_kept(
    review: Review, models: Models, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It waits beside OUT while that is replaced, is in OUT then, and the picture counts as not saved."""
    merge = sessions.merge

    def slowly(*args: Any, **said: Any) -> Any:
        assert review.change({"note": ["P02", "meanwhile"]}).status_code == 200
        assert pending(review.out).is_file()
        # Killed now, the next review would know it.
        shutil.copytree(review.out.parent, review.out.parent.with_name("killed"))
        return merge(*args, **said)

    monkeypatch.setattr(sessions, "merge", slowly)
    review.change({"keep": "P01"})
    review.session.save(review.session.mark[0])
    review.session.wait_for_save()
    state = review.state()
    assert (state["saved"], state["saving"], state["problem"]) == (False, False, None)
    assert review.on_disk().notes == {"P02": "meanwhile"}
    assert not pending(review.out).exists()
    killed = begin(review.out.parent.with_name("killed") / "out", models, engine)
    assert killed.session.decisions == review.session.decisions
    assert not killed.state()["saved"]
    shutil.rmtree(review.out.parent.with_name("killed"))


def test_a_save_writes_what_the_first_run_wrote(
    place: Path, models: Models, engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every form, layers as TIFF, sidecars, and the place where it was taken, if that was asked for."""
    asked = {
        "pictures": ("png", "jpg"),
        "layers": False,
        "layered_tiff": True,
        "sidecars": "out",
        "keep_location": True,
    }
    pipeline.merge([place / "burst"], place / "out", models=models, **asked)
    review = begin(place / "out", models, engine)
    told: dict[str, Any] = {}
    monkeypatch.setattr(sessions, "merge", lambda *_, **said: told.update(said))
    review.session.save(1)
    review.session.wait_for_save()
    assert {name: told[name] for name in asked} == asked


def test_a_save_that_fails_says_why_and_leaves_out_as_it_was(review: Review) -> None:
    """OUT holds something of somebody else: one sentence, and nothing changed."""
    review.change({"keep": "P01"})
    (review.out / "contract.pdf").write_bytes(b"somebody's")
    before = _files(review.out)
    review.session.save(review.session.mark[0])
    review.session.wait_for_save()
    state = review.state()
    assert "contract.pdf" in state["problem"]
    assert not state["saved"]
    assert _files(review.out) == before


def test_saving_an_old_version_is_refused(review: Review) -> None:
    """What is saved is what is seen."""
    review.change({"keep": "P01"})
    answer = review.client.post("api/save", content=b'{"version": 1}', headers=SAID)
    assert answer.status_code == 409
    assert not answer.json()["saving"]


def test_two_reviews_of_one_result_do_not_run_at_once(place: Path) -> None:
    """The second is told; when the first has ended nothing lies about, and another may begin."""
    before = sorted(p.name for p in place.iterdir())
    for _ in range(2):
        with alone(place / "out"):
            with pytest.raises(OutputError, match="out is under review already"):
                with alone(place / "out"):
                    pass
            with alone(place / "burst"):
                pass
        assert sorted(p.name for p in place.iterdir()) == before
    with pytest.raises(InputError, match="There is no folder"):
        with alone(place / "nowhere"):
            pass


# -- where the frames are -----------------------------------------------------------------------------------


def _without_sources(place: Path) -> None:
    path = place / "out" / "report.json"
    told = json.loads(path.read_text())
    told.pop("sources", None)
    path.write_text(json.dumps(told))


def _renamed(place: Path) -> None:
    (place / "burst").rename(place / "moved")


def _one_gone(place: Path) -> None:
    (place / "burst" / "frame_001.jpg").unlink()


def _one_other(place: Path) -> None:
    picture = bursts.frame(1)[:-8]
    cv2.imwrite(str(place / "burst" / "frame_001.jpg"), picture[..., ::-1])


def _turned(place: Path) -> None:
    from PIL import Image

    path = place / "burst" / "frame_001.jpg"
    with Image.open(path) as image:
        image.transpose(Image.Transpose.FLIP_LEFT_RIGHT).save(path, exif=image.getexif())


def _no_report(place: Path) -> None:
    (place / "out" / "report.json").unlink()


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (_without_sources, "does not say where its frames are; name them with --frames"),
        (_renamed, "no longer in .*burst; say where they are with --frames"),
        (_one_gone, "frame_001.jpg is not in .*burst"),
        (_one_other, "frame_001.jpg has changed since"),
        (_turned, "not what they were"),
        (_no_report, "cannot be opened"),
    ],
)
def test_frames_that_are_not_there_are_said_so(
    place: Path, models: Models, spoil: Callable[[Path], None], words: str
) -> None:
    """One sentence that says what to do, before the page opens."""
    spoil(place)
    with pytest.raises(InputError, match=words):
        finished(place / "out", (), models)


def test_moved_frames_are_found_where_they_are_said_to_be(place: Path, models: Models) -> None:
    """--frames names the folder; a further picture there is none of the burst."""
    _renamed(place)
    shutil.copy(place / "moved" / "frame_000.jpg", place / "moved" / "unrelated.jpg")
    work = finished(place / "out", (place / "moved",), models)
    assert [f.name for f in work.analysis.frames] == [f"frame_{n:03d}.jpg" for n in range(4)]
    assert len(work.sources) == 4


def test_a_result_made_by_hand_is_shown_as_it_is(place: Path, models: Models, engine: Engine) -> None:
    """A merge with --base keeps no file of decisions; its review begins with what its report tells."""
    pipeline.merge([place / "burst"], place / "out", decisions=Decisions(base="frame_003.jpg"), models=models)
    (place / "out" / "decisions.json").unlink(missing_ok=True)
    begun = begin(place / "out", models, engine)
    assert (begun.state()["base"], begun.state()["saved"]) == (3, True)
