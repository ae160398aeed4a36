"""Measures a review as its page waits for it: from asking for a change to the picture that shows it."""

from __future__ import annotations

import json
import signal
import subprocess
import time
import urllib.request
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from bench.watch import FailedError

Record = dict[str, Any]

PATIENCE_S = 120.0
POLL_S = 0.02
STROKE_FACES, RADIUS_FACES = 0.3, 0.12
"""Where a stroke is drawn beside a face's middle and how broad, in face widths."""


class Review:
    """A review that runs, asked as its page asks."""

    def __init__(self, command: Sequence[str], environment: Mapping[str, str], out: Path) -> None:
        """Start `facemerge review` on a result; FailedError if it does not start."""
        begun = time.perf_counter()
        self._process = subprocess.Popen(
            [*command, "-m", "facemerge", "review", str(out), "--no-browser"],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            text=True,
            env=dict(environment),
        )
        assert self._process.stdout
        words = self._process.stdout.readline().split()
        if not words:
            raise FailedError(f"The review of {out} did not start.")
        self._address = words[-1]
        self.picture(self.state())
        self.ready_s = time.perf_counter() - begun

    def end(self) -> None:
        """End it, as Ctrl-C does."""
        self._process.send_signal(signal.SIGINT)
        self._process.communicate(timeout=PATIENCE_S)

    def state(self) -> Record:
        """Return all that the page shows."""
        found: Record = json.loads(self._asked("api/state"))
        return found

    def picture(self, state: Record) -> int:
        """Fetch the picture of a state; returns its bytes' number."""
        return len(self._asked(f"api/picture/{state['version']}.jpg"))

    def part(self, state: Record, x: int, y: int, w: int, h: int) -> int:
        """Fetch a part of the picture at full size; returns its bytes' number."""
        return len(self._asked(f"api/part/{state['version']}/composite.jpg?x={x}&y={y}&w={w}&h={h}&zoom=1"))

    def change(self, do: Record) -> Record:
        """Ask for a change, and return what the page shows then."""
        found: Record = json.loads(self._asked("api/change", {"version": self.state()["version"], "do": do}))
        return found

    def save(self) -> None:
        """Ask for the files to be written."""
        self._asked("api/save", {"version": self.state()["version"]})

    def until(self, holds: Any) -> Record:
        """Return the first state for which something holds; FailedError if none comes."""
        end = time.perf_counter() + PATIENCE_S
        while time.perf_counter() < end:
            state = self.state()
            if holds(state):
                return state
            time.sleep(POLL_S)
        raise FailedError("The review did not come to an end of what it was asked for.")

    def _asked(self, path: str, said: Record | None = None) -> bytes:
        # The address is the review's own, on this machine.
        request = urllib.request.Request(
            self._address + path,
            None if said is None else json.dumps(said).encode(),
            {} if said is None else {"Content-Type": "application/json", "X-Facemerge": "1"},
        )
        with urllib.request.urlopen(request, timeout=PATIENCE_S) as answer:
            data: bytes = answer.read()
        return data


def measure(review: Review) -> Record:
    """Return the seconds that each thing a photographer does has taken, a list for each.

    Everybody is given another face once, the first ones while frames are still read ahead; then a mask is
    touched up, a seam looked at, all of it undone, and the files are written.

    Parameters
    ----------
    review
        One that has just begun.
    """
    took: dict[str, list[float]] = {"ready": [review.ready_s]}

    def timed(what: str, do: Any) -> Any:
        begun = time.perf_counter()
        found = do()
        took.setdefault(what, []).append(time.perf_counter() - begun)
        return found

    for person in sorted(review.state()["people"], key=lambda p: p["id"]):
        frame = another(review.state(), person["id"])
        if frame is None:
            continue
        begun = time.perf_counter()
        state = review.change({"take": [person["id"], frame]})
        review.picture(state)
        took.setdefault("first", []).append(time.perf_counter() - begun)
        state = review.until(
            lambda now: not any("a first look" in r for p in now["people"] for r in p["reasons"])
        )
        review.picture(state)
        took.setdefault("true", []).append(time.perf_counter() - begun)
    touched = next((p for p in review.state()["people"] if p["area"]), None)
    if touched is not None:
        x0, y0, x1, _ = touched["box"]
        wide = x1 - x0
        at = [[x0 + (0.5 + k * STROKE_FACES) * wide, y0] for k in (-1, 0, 1)]
        drawn = {"mode": "paint", "radius": RADIUS_FACES * wide, "softness": 0.5, "points": at}
        state = timed("stroke", lambda: _shown(review, {"stroke": [touched["id"], drawn]}))
        area = max(0, round(x0 - wide)), max(0, round(y0 - wide)), 1400, 800
        timed("seam", lambda: review.part(state, *area))
        timed("seam again", lambda: review.part(state, area[0] + 16, *area[1:]))
    timed("undo", lambda: _shown(review, {"undo": True}))

    def written() -> None:
        review.save()
        state = review.until(lambda now: not now["saving"])
        if state["problem"]:
            raise FailedError(state["problem"])

    timed("save", written)
    return {"seconds": took}


def _shown(review: Review, do: Record) -> Record:
    state = review.change(do)
    review.picture(state)
    return state


def another(state: Record, who: str) -> int | None:
    """Return the frame of a person's best face that is neither taken nor the base's; None: there is none."""
    person = next(p for p in state["people"] if p["id"] == who)
    placed = {f["index"] for f in state["frames"] if f["aligned"]} - {person["pick"], state["base"]}
    others = [f for f in person["faces"] if f["frame"] in placed]
    return max(others, key=lambda f: f["score"])["frame"] if others else None
