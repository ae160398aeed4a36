"""Makes what the page shows: choices and heads small and at once, parts of the picture at full size."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable, Container, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace

import numpy as np

from facemerge import composite, imaging
from facemerge.pipeline.draft import Kept
from facemerge.pipeline.looker import Read
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.pipeline.reviewing import Finished
from facemerge.pipeline.setting import Set
from facemerge.pipeline.workshop import SCREEN_PX, Workshop, area_of
from facemerge.review import pictures
from facemerge.words import Array, Choice, Decisions, Fault, FaultKind, Head, Risk

MOST_PART_PX = 1600
"""Long side of a part, on the screen."""
FILES_KEPT = 24
"""Pictures that are kept encoded."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shown:
    """One state of the picture."""

    decisions: Decisions
    made: Set
    """Small; its notes and risks are those that `merge` would report."""

    @property
    def choice(self) -> Choice:
        """The base and everybody's pick."""
        return self.made.choice


class Engine:
    """Shows decisions; for several threads."""

    def __init__(self, work: Finished, read: Read, progress: Progress = no_progress) -> None:
        """Take a finished result, what gives a frame's pixels, and who is told how far it is."""
        self._work = work
        self.read = Kept(read, 0)
        """Gives a frame's pixels; the last one is kept for whoever asks next."""
        self._workshop = Workshop(work, self.read, progress)
        self._asked = 0
        self._files: OrderedDict[tuple[object, ...], tuple[bytes, Shown]] = OrderedDict()
        self._lock = threading.Lock()

    def read_ahead(self, frame: int) -> None:
        """Read a frame for first looks at its heads; InputError if it cannot be read."""
        self._workshop.read_ahead(frame)

    def first_look(self, decided: Decisions, before: Shown, person: str, frame: int) -> Shown | None:
        """Return decisions by which one head changes, that head set in at once and not measured.

        Parameters, errors and None as `Workshop.first_look`.
        """
        made = self._workshop.first_look(decided, before.made, person, frame)
        if made is None:
            return None
        return Shown(decisions=decided, made=_unsure(made, {person: FaultKind.FIRST_LOOK}))

    def bare(self, decided: Decisions) -> Shown | None:
        """Return decisions shown at once by the base alone; all as `Workshop.bare`."""
        made = self._workshop.bare(decided)
        if made is None:
            return None
        to_come = {p.person: FaultKind.TO_COME for p in made.choice.picks if not p.from_base}
        return Shown(decisions=decided, made=_unsure(made, to_come))

    def show(self, decided: Decisions, progress: Progress | None = None) -> Shown:
        """Return the picture of decisions.

        Parameters
        ----------
        decided
            What the user wants.
        progress
            Told before each head; what it raises ends the work.

        Raises
        ------
        OptionError
            If they cannot be obeyed.
        InputError
            If a frame can no longer be read.
        """
        return Shown(decisions=decided, made=self._workshop.shown(decided, progress))

    def made(self, decided: Decisions) -> Set:
        """Return what `merge` makes by decisions, at full size; errors as `show`."""
        with self._being_asked():
            return self._workshop.made(decided)

    def make_ahead(self, shown: Shown, progress: Progress) -> None:
        """Make heads at full size before anybody asks for them; parameters and errors as `show`."""
        self._workshop.made(shown.decisions, progress)

    @property
    def is_asked(self) -> bool:
        """Whether somebody waits for heads at full size."""
        with self._lock:
            return self._asked > 0

    @contextmanager
    def _being_asked(self) -> Iterator[None]:
        with self._lock:
            self._asked += 1
        try:
            yield
        finally:
            with self._lock:
                self._asked -= 1

    def as_seen(self, decided: Decisions, seen: Shown, free: Container[str]) -> Decisions:
        """Return decisions by which only people who are free may change, by their ids."""
        return self._workshop.as_seen(decided, seen.choice, free)

    def size(self, shown: Shown) -> tuple[int, int]:
        """Return (W, H) of the base."""
        return self._work.analysis.frames[shown.choice.base].size

    def screen_size(self, shown: Shown) -> tuple[int, int]:
        """Return (W, H) of the big picture."""
        h, w = shown.made.base.shape[:2]
        return imaging.fit_within((w, h), SCREEN_PX)

    def areas(self, shown: Shown) -> dict[str, tuple[int, int, int, int]]:
        """Return by person id x0, y0, x1, y1 of what a head may change, in base pixels."""
        matrix = self._true_from_draft(shown)
        return {h.person: self._within(area_of(h, matrix), shown) for h in shown.made.heads}

    def places(self, shown: Shown) -> dict[str, list[tuple[float, float]]]:
        """Return by person id where to look, the weakest place first, in base pixels."""
        matrix = self._true_from_draft(shown)
        return {
            who: [(x, y) for x, y in imaging.transform(matrix, np.array(at)).round(1).tolist()]
            for who, risk in shown.made.risks.items()
            if (at := risk.places)
        }

    def composite(self, shown: Shown) -> bytes:
        """Return the picture at screen size as a JPEG file."""

        def make() -> bytes:
            laid = composite.lay(shown.made.base, shown.made.heads)
            return pictures.whole(laid, self._profile(shown), self.screen_size(shown))

        return self._kept(("composite", id(shown.made)), make, shown)

    def base(self, shown: Shown) -> bytes:
        """Return the base at screen size as a JPEG file."""

        def make() -> bytes:
            return pictures.whole(shown.made.base, self._profile(shown), self.screen_size(shown))

        return self._kept(("base", shown.choice.base), make, shown)

    def mask(self, shown: Shown, person: str) -> bytes | None:
        """Return a head's mask at the screen size of its area as a PNG file; None if no head was set in."""
        head = next((h for h in shown.made.heads if h.person == person), None)
        if head is None:
            return None
        factor = self.screen_size(shown)[0] / shown.made.base.shape[1]
        h, w = head.mask.shape
        size = (max(1, round(w * factor)), max(1, round(h * factor)))
        return self._kept(("mask", id(head)), lambda: pictures.mask(head, size), shown)

    def part(
        self, shown: Shown, what: str, area: tuple[int, int, int, int], zoom: int, person: str = ""
    ) -> bytes:
        """Return a part of the picture at full size as a JPEG file; errors as `show`.

        Parameters
        ----------
        shown
            What is shown.
        what
            'composite', 'base', 'donor' (a head's frame as it was laid, the base elsewhere) or
            'difference'.
        area
            x, y, w, h in base pixels; what lies outside of the picture is left out.
        zoom
            1, or 2: each pixel as four.
        person
            Whose head's donor is shown.
        """
        x, y, w, h = area
        most = MOST_PART_PX // zoom
        x0, y0, x1, y1 = self._within((x, y, x + min(w, most), y + min(h, most)), shown)
        wanted = x0, y0, x1, y1

        def make() -> bytes:
            reached = None if what == "base" else wanted
            with self._being_asked():
                full = self._workshop.full(shown.made, shown.decisions, reached)
            base = full.base[y0:y1, x0:x1]
            if what == "base":
                return pictures.part(base, self._profile(shown), zoom)
            heads = full.heads
            if what == "donor":
                heads = tuple(_bare(head) for head in full.heads if head.person == person)
            laid = composite.lay(full.base, heads, wanted)
            if what != "difference":
                return pictures.part(laid, self._profile(shown), zoom)
            return pictures.part(pictures.difference(base, laid, self._profile(shown)), None, zoom)

        return self._kept(("part", id(shown.made), what, wanted, zoom, person), make, shown)

    def make_room(self) -> None:
        """Give the memory of large frames free."""
        self._workshop.forget_full()

    def _profile(self, shown: Shown) -> bytes | None:
        return self._work.analysis.frames[shown.choice.base].profile

    def _true_from_draft(self, shown: Shown) -> Array:
        return np.asarray(np.linalg.inv(self._workshop.draft_from_true(shown.choice.base)))

    def _within(self, area: tuple[int, int, int, int], shown: Shown) -> tuple[int, int, int, int]:
        w, h = self.size(shown)
        x0, y0 = min(max(area[0], 0), w - 1), min(max(area[1], 0), h - 1)
        return x0, y0, min(max(area[2], x0 + 1), w), min(max(area[3], y0 + 1), h)

    def _kept(self, key: tuple[object, ...], make: Callable[[], bytes], shown: Shown) -> bytes:
        with self._lock:
            if key in self._files:
                self._files.move_to_end(key)
                return self._files[key][0]
        data = make()
        with self._lock:
            # What the key names by its id lives as long as the key does.
            self._files[key] = data, shown
            while len(self._files) > FILES_KEPT:
                self._files.popitem(last=False)
        return data


def _bare(head: Head) -> Head:
    """Return a head as its donor's frame shows it, all over its layer."""
    shown = np.ones(head.mask.shape, bool) if head.reached is None else head.reached
    return replace(
        head,
        pixels=head.donor,
        mask=np.where(shown, imaging.full_scale(head.mask), 0).astype(head.mask.dtype),
    )


def _unsure(made: Set, kinds: Mapping[str, FaultKind]) -> Set:
    """Return heads of whom some are not measured yet: by person id, why; it replaces what was found."""
    unknown = Risk(value=0.0, flag="clear")
    risks = {
        who: replace(made.risks.get(who, unknown), faults=(Fault(kind=kind, chance=0.0),))
        for who, kind in kinds.items()
    }
    return replace(made, risks=made.risks | risks)
