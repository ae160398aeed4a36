"""A stand-in for the review's server: the same address, words and headers, over drawn people and no engine.

What the page does is judged by what it asked for (`asked`) and by the state it left.
"""

from __future__ import annotations

import copy
import json
import re
import secrets
import sys
import threading
from functools import lru_cache
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

import cv2
import numpy as np
from numpy.typing import NDArray

import facemerge

STATIC = Path(facemerge.__file__).parent / "review" / "static"
SIZE, SCREEN = (2400, 1600), (1200, 800)
FACE = 150
"""Width of a drawn face in the base."""
HEADERS = {
    "Content-Security-Policy": "default-src 'self'; img-src 'self' blob: data:; style-src 'self'; "
    "script-src 'self'; frame-ancestors 'none'; base-uri 'none'; form-action 'none'",
    "Referrer-Policy": "no-referrer",
    "X-Content-Type-Options": "nosniff",
}
TYPES = {".html": "text/html; charset=utf-8", ".css": "text/css", ".js": "text/javascript"}
WORDS = ("", "", "mouth pulled", "hair before an eye", "eyes shut")
"""What is drawn wrong with a face, by how weak it is."""
PLACES = ("first", "second", "third", "fourth", "fifth", "sixth", "seventh", "eighth", "ninth", "tenth")


class Review:
    """What the server knows, and the changes it makes."""

    def __init__(self, people: int = 6, frames: int = 12) -> None:
        self.news = threading.Condition()
        self.past: list[tuple[str, dict[str, Any]]] = []
        self.future: list[tuple[str, dict[str, Any]]] = []
        self.asked: list[tuple[str, str]] = []
        """Method and path of every request, the token left out."""
        self.actions: list[dict[str, Any]] = []
        self.writes = 0
        self.hold = threading.Event()
        """While it is not set, changes wait: so a test can look at the page meanwhile."""
        self.hold.set()
        self.refuse = ""
        names = [f"DSC_{40 + n:04}.JPG" for n in range(frames)]
        self.state: dict[str, Any] = {
            "version": 1,
            "size": list(SIZE),
            "screen": list(SCREEN),
            "frames": [
                {"index": n, "name": name, "aligned": n != frames - 1, "note": ""}
                for n, name in enumerate(names)
            ],
            "base": 2,
            "base_forced": False,
            "base_why": f"{names[2]} is the base: most faces are good here.",
            "forbidden": [],
            "people": [_person(n, people, frames) for n in range(people)],
            "undo": None,
            "redo": None,
            "saved": True,
            "saving": False,
            "problem": None,
        }

    @property
    def mark(self) -> tuple[int, bool]:
        """What a page waits for to change."""
        return self.state["version"], self.state["saving"]

    def person(self, id: str) -> dict[str, Any]:
        """Return one person of the state."""
        return next(p for p in self.state["people"] if p["id"] == id)

    def change(self, action: dict[str, Any]) -> None:
        """Make one change and tell everybody who waits."""
        self.hold.wait(10)
        ((verb, what),) = action.items()
        with self.news:
            self.actions.append(action)
            if verb in ("undo", "redo"):
                self._step(self.past, self.future) if verb == "undo" else self._step(self.future, self.past)
            else:
                words = f"{verb.replace('_', ' ')} {what[0] if isinstance(what, list) else what}"
                self.past.append((words, self._kept()))
                self.future.clear()
                self._apply(verb, what)
            self.state["version"] += 1
            self.state["saved"] = False
            self.state["undo"] = self.past[-1][0] if self.past else None
            self.state["redo"] = self.future[-1][0] if self.future else None
            self.news.notify_all()

    def save(self) -> None:
        """Begin to write the files, or rather count that it was asked for; `saved` ends it."""
        with self.news:
            self.writes += 1
            self.state["saving"] = True
            self.news.notify_all()
        threading.Timer(0.2, self.saved).start()

    def saved(self) -> None:
        """End what `save` began."""
        with self.news:
            self.state["saved"], self.state["saving"] = True, False
            self.news.notify_all()

    def _kept(self) -> dict[str, Any]:
        return copy.deepcopy({k: self.state[k] for k in ("base", "base_forced", "forbidden", "people")})

    def _step(self, back: list[tuple[str, dict[str, Any]]], on: list[tuple[str, dict[str, Any]]]) -> None:
        if not back:
            return
        words, kept = back.pop()
        on.append((words, self._kept()))
        self.state.update(kept)

    def _apply(self, verb: str, what: Any) -> None:
        state = self.state
        if verb == "base":
            state["base"], state["base_forced"] = (2, False) if what is None else (what, True)
            why = ": most faces are good here" if what is None else ", as you asked"
            state["base_why"] = f"{state['frames'][state['base']]['name']} is the base{why}."
        elif verb in ("forbid", "allow"):
            others = [i for i in state["forbidden"] if i != what]
            state["forbidden"] = others + [what] * (verb == "forbid")
        else:
            person = self.person(what if isinstance(what, str) else what[0])
            person["touched"] = True
            if verb == "take":
                _take(person, what[1], state["base"])
                person["forced"], person["kept"] = True, False
            elif verb == "keep":
                _take(person, state["base"], state["base"])
                person["forced"], person["kept"] = False, True
            elif verb == "release":
                _take(person, person["own"], state["base"])
                person["forced"] = person["kept"] = person["touched"] = False
            elif verb in ("forbid_for", "allow_for"):
                next(f for f in person["faces"] if f["frame"] == what[1])["forbidden"] = verb == "forbid_for"
            elif verb == "note":
                person["note"] = what[1]
            elif verb == "widen":
                person["widen_px"] = what[1]
            elif verb == "stroke":
                person["strokes"] += 1
            elif verb == "clear_mask":
                person["strokes"] = person["widen_px"] = 0


def _take(person: dict[str, Any], frame: int, base: int) -> None:
    x0, y0, x1, y1 = person["box"]
    person["pick"], person["from_base"] = frame, frame == base
    person["area"] = None if frame == base else [x0 - 60, y0 - 80, x1 + 60, y1 + 70]
    person["weak"] = [] if frame == base else [[x0 - 20, y1], [x0 - 20, y1 - 90]]
    person["weak_donors"] = [person["id"]] * len(person["weak"])
    person["weak_words"] = ["visible break in an edge", "a step in tone"][: len(person["weak"])]


def weakness(person: int, frame: int) -> int:
    """Return what is wrong with a person's face in a frame, as a place in `WORDS`."""
    return (frame * 7 + person * 3) % len(WORDS)


def _person(n: int, people: int, frames: int) -> dict[str, Any]:
    columns = min(people, 10)
    x = SIZE[0] * (n % columns + 1) / (columns + 1)
    y = (240 if people > columns else 620) + 260 * (n // columns)
    wide = min(FACE, 0.6 * SIZE[0] / (columns + 1))
    flag = ("retouch", "inspect", "clear")[min(n, 2)]
    place = PLACES[n % 10] + (" from left" if n % 2 else " from left, back row")
    faces = []
    for frame in range(frames - 1):
        weak = weakness(n, frame)
        word = WORDS[weak]
        score = round(0.98 - 0.17 * weak, 2)
        faces.append(
            {
                "frame": frame,
                "score": score,
                "eyes": None if weak == 3 else round(min(1, score + 0.1), 2),
                "sharpness": 0.97,
                "expression": 0.9,
                "words": [word] if word else [],
                "forbidden": False,
            }
        )
    pick = max(faces, key=lambda face: face["score"])["frame"]
    person = {
        "id": f"P{n + 1:02}",
        "place": place,
        "row": n // columns,
        "box": [round(x - wide / 2), round(y - wide * 0.65), round(x + wide / 2), round(y + wide * 0.65)],
        "own": pick,
        "forced": False,
        "kept": False,
        "why": "Eyes are open." if pick != 2 else "Already at their best in the base frame.",
        "flag": flag,
        "risk": {"retouch": 0.82, "inspect": 0.44, "clear": 0.08}[flag],
        "reasons": {
            "retouch": ["the collar breaks at the seam", "the old ear may show on the left"],
            "inspect": ["a neighbour's hair lies over the seam"],
            "clear": [],
        }[flag],
        "note": "",
        "touched": False,
        "widen_px": 0,
        "strokes": 0,
        "faces": faces,
    }
    _take(person, pick, 2)
    return person


def face(person: str, frame: int) -> NDArray[np.uint8]:
    """Return a drawn face of 240 x 300: eyes, mouth and turn follow from the frame."""
    seed = int(person[1:])
    skin = np.array([(120, 160, 214), (92, 128, 190), (150, 186, 232), (70, 98, 150)][seed % 4])
    hair = [(40, 50, 70), (30, 30, 30), (90, 140, 190), (140, 140, 150)][(seed // 2) % 4]
    image = np.full((300, 240, 3), (176, 180, 172), np.uint8)
    cv2.ellipse(image, (120, 330), (120, 80), 0, 180, 360, (60 + 30 * (seed % 5), 90, 110), -1, cv2.LINE_AA)
    cv2.ellipse(image, (120, 130), (88, 108), 0, 0, 360, hair, -1, cv2.LINE_AA)
    cv2.ellipse(image, (120, 155), (70, 90), 0, 0, 360, skin.tolist(), -1, cv2.LINE_AA)
    weak = weakness(seed - 1, frame)
    lid = 1 if weak == 4 else 8
    for x in (92, 148):
        cv2.ellipse(image, (x, 140), (14, max(1, lid)), 0, 0, 360, (245, 245, 245), -1, cv2.LINE_AA)
        if lid > 3:
            cv2.circle(image, (x + frame % 3 - 1, 140), 6, (60, 50, 40), -1, cv2.LINE_AA)
        else:
            cv2.line(image, (x - 14, 140), (x + 14, 140), (50, 60, 90), 2, cv2.LINE_AA)
    dark = (skin * 0.6).tolist()
    cv2.line(image, (120, 150), (116, 180), dark, 2, cv2.LINE_AA)
    mouth = (14, 18) if weak == 2 else (26, 5 + 3 * (frame % 3))
    cv2.ellipse(image, (120, 205), mouth, 0, 0, 180, (70, 60, 150), -1, cv2.LINE_AA)
    if weak == 3:
        cv2.ellipse(image, (80, 120), (40, 34), 30, 0, 360, hair, -1, cv2.LINE_AA)
    return image


def picture(review: Review, *, base: bool) -> NDArray[np.uint8]:
    """Return the whole picture, (H, W, 3) BGR, everybody with the face of the pick or of the base."""
    own = review.state["base"] if base else None
    people = review.state["people"]
    return _picture(tuple((p["id"], p["pick"] if own is None else own, tuple(p["box"])) for p in people))


@lru_cache(maxsize=8)
def _picture(picks: tuple[tuple[str, int, tuple[int, int, int, int]], ...]) -> NDArray[np.uint8]:
    image = np.full((SIZE[1], SIZE[0], 3), (196, 190, 178), np.uint8)
    image[SIZE[1] * 2 // 3 :] = (120, 140, 130)
    for y in range(0, SIZE[1], 80):
        cv2.line(image, (0, y), (SIZE[0], y), (184, 178, 166), 2)
    for id, frame, (x0, y0, x1, y1) in picks:
        w, h = x1 - x0, y1 - y0
        bust = (60 + 30 * (int(id[1:]) % 5), 90, 110)
        cv2.ellipse(image, ((x0 + x1) // 2, y1 + 3 * h), (w, 3 * h), 0, 180, 360, bust, -1, cv2.LINE_AA)
        small = cv2.resize(face(id, frame), (round(w * 1.6), round(h * 1.6)), interpolation=cv2.INTER_AREA)
        shape = np.zeros(small.shape[:2], np.float32)
        ends = (round(small.shape[1] * 0.37), round(small.shape[0] * 0.37))
        cv2.ellipse(shape, (small.shape[1] // 2, round(small.shape[0] * 0.44)), ends, 0, 0, 360, 1.0, -1)
        left, top = (x0 + x1 - small.shape[1]) // 2, (y0 + y1 - small.shape[0]) // 2
        under = image[top : top + small.shape[0], left : left + small.shape[1]]
        under[:] = shape[..., None] * small + (1 - shape[..., None]) * under
    return image


def mask(person: dict[str, Any]) -> NDArray[np.uint8]:
    """Return the (h, w, 4) mask of a head over its area: an ellipse, wider or narrower as was asked."""
    x0, y0, x1, y1 = person["area"]
    w, h = (x1 - x0) // 2, (y1 - y0) // 2
    alpha = np.zeros((h, w), np.uint8)
    reach = person["widen_px"] // 2
    ends = (max(3, round(w * 0.36) + reach), max(3, round(h * 0.4) + reach))
    cv2.ellipse(alpha, (w // 2, h // 2), ends, 0, 0, 360, 255, -1)
    return np.dstack([alpha, alpha, alpha, cv2.GaussianBlur(alpha, (0, 0), 3)])


class Handler(BaseHTTPRequestHandler):
    """Answers as the review's server does."""

    protocol_version = "HTTP/1.1"
    server: Server

    def log_message(self, format: str, *args: Any) -> None:
        """Keep quiet."""

    def do_GET(self) -> None:
        path = self._path()
        review = self.server.review
        if path is None:
            self._answer(404, b"", "text/plain")
        elif path == "api/state":
            self._json(200, review.state)
        elif path.startswith("api/wait"):
            asked = parse_qs(urlsplit(path).query)
            known = (int(asked["version"][0]), asked["saving"] == ["1"])
            with review.news:
                review.news.wait_for(lambda: self.server.closing or review.mark != known, 20)
            self._json(200, review.state)
        elif path.startswith("api/"):
            self._picture(path)
        else:
            file = STATIC / (path or "index.html")
            if file.parent != STATIC or not file.is_file():
                self._answer(404, b"", "text/plain")
            else:
                self._answer(200, file.read_bytes(), TYPES[file.suffix])

    def do_POST(self) -> None:
        path = self._path()
        review = self.server.review
        body = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        ours = self.headers.get("X-Facemerge") == "1" and self.headers["Content-Type"] == "application/json"
        if path is None or not ours:
            self._answer(404, b"", "text/plain")
            return
        told = json.loads(body)
        if told["version"] != review.state["version"]:
            self._json(409, review.state)
        elif path == "api/save":
            self._json(200, {"started": True})
            review.save()
        elif review.refuse:
            self._json(400, {"error": review.refuse})
        else:
            review.change(told["do"])
            self._json(200, review.state)

    def _path(self) -> str | None:
        token, _, path = self.path.removeprefix("/").partition("/")
        if token != self.server.token:
            return None
        self.server.review.asked.append((self.command, path))
        return path

    def _picture(self, path: str) -> None:
        review = self.server.review
        where = urlsplit(path)
        if found := re.fullmatch(r"api/face/(P\d+)/(\d+)/\d+\.jpg", where.path):
            self._image(".jpg", face(found[1], int(found[2])))
        elif found := re.fullmatch(r"api/mask/\d+/(P\d+)\.png", where.path):
            self._image(".png", mask(review.person(found[1])))
        elif found := re.fullmatch(r"api/(picture|base)/\d+\.jpg", where.path):
            whole = picture(review, base=found[1] == "base")
            self._image(".jpg", cv2.resize(whole, SCREEN, interpolation=cv2.INTER_AREA))
        elif found := re.fullmatch(r"api/part/\d+/(composite|base|donor)\.jpg", where.path):
            x, y, w, h, zoom = (int(parse_qs(where.query)[k][0]) for k in ("x", "y", "w", "h", "zoom"))
            if not (0 <= x < x + w <= SIZE[0] and 0 <= y < y + h <= SIZE[1] and max(w, h) * zoom <= 1600):
                self._json(400, {"error": "The part lies outside the picture."})
                return
            part = picture(review, base=found[1] == "base")[y : y + h, x : x + w]
            self._image(".jpg", cv2.resize(part, None, fx=zoom, fy=zoom, interpolation=cv2.INTER_CUBIC))
        else:
            self._answer(404, b"", "text/plain")

    def _image(self, suffix: str, image: NDArray[Any]) -> None:
        done, data = cv2.imencode(suffix, image)
        assert done
        kind = "image/jpeg" if suffix == ".jpg" else "image/png"
        self._answer(200, data.tobytes(), kind, "private, max-age=31536000, immutable")

    def _json(self, status: int, words: dict[str, Any]) -> None:
        self._answer(status, json.dumps(words).encode(), "application/json")

    def _answer(self, status: int, data: bytes, kind: str, keep: str = "no-store") -> None:
        self.send_response(status)
        for name, value in (HEADERS | {"Content-Type": kind, "Cache-Control": keep}).items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(data)))
        self.end_headers()
        self.wfile.write(data)


class Server(ThreadingHTTPServer):
    """The stand-in on a free port of this machine; a context that stops it at the end."""

    daemon_threads = True
    block_on_close = False

    def __init__(self, review: Review) -> None:
        super().__init__(("127.0.0.1", 0), Handler)
        self.review = review
        self.closing = False
        self.errors: list[BaseException | None] = []
        self.token = secrets.token_urlsafe(24)
        self.address = f"http://127.0.0.1:{self.server_port}/{self.token}/"
        self.thread = threading.Thread(target=self.serve_forever, kwargs={"poll_interval": 0.02})

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Keep an error for the end of the context; a page that was closed breaks its questions off."""
        error = sys.exc_info()[1]
        if not isinstance(error, ConnectionError):
            self.errors.append(error)

    def __enter__(self) -> Server:
        self.thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.closing = True
        with self.review.news:
            self.review.news.notify_all()
        self.shutdown()
        self.thread.join()
        self.server_close()
        assert not self.errors
