"""Choices made again quickly: each head once, small for the screen and at full size where it is looked at."""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Container, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from facemerge import composite, imaging
from facemerge.options import Options
from facemerge.pipeline import setting
from facemerge.pipeline.draft import Draft, Kept, kept_draft_of, shrunk
from facemerge.pipeline.look import Read
from facemerge.pipeline.outlines import Outlines
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.pipeline.reviewing import Finished
from facemerge.words import (
    Array,
    Choice,
    Decisions,
    Face,
    Head,
    Person,
    Pick,
    Pixels,
    Risk,
    Stays,
    Touches,
    frozen,
)

SCREEN_PX = 1600
"""Long side of the big picture on a screen."""
MOST_SMALL_BYTES = 300_000_000
"""What frames of screen size may take: of 24 megapixels 66."""
BENCHES_KEPT = 2
"""Bases whose heads are kept: the one that is shown, and the one before it for whoever compares."""
CHOICES_KEPT = 32
"""Choices that were settled and can be shown again at once, by undo for one."""
SLACK_PX = 8
"""By how much a head may reach further at full size than its draft does."""


class _Bench(setting.Bench):
    """A bench that knows again what it has touched up, so that heads laid over that are not made anew."""

    def __init__(self, draft: Draft, base: int, outlines: Outlines, options: Options) -> None:
        super().__init__(draft, base, outlines, options)
        self._touched_up: dict[tuple[int, Touches], tuple[Head, Head, Risk]] = {}

    def _touched(
        self, person: Person, pick: Pick, head: Head, current: Pixels, touches: Touches
    ) -> tuple[Head, Risk]:
        key = id(head), touches
        # The head is kept beside what was made of it: its id stands for it as long as it lives.
        if key not in self._touched_up:
            self._touched_up[key] = (head, *super()._touched(person, pick, head, current, touches))
            while len(self._touched_up) > CHOICES_KEPT:
                self._touched_up.pop(next(iter(self._touched_up)))
        _, made, risk = self._touched_up[key]
        return made, risk


class Workshop:
    """A burst on which choices are made one after the other, each head made once; for several threads.

    What is shown small is what `merge` would choose: the same draft, the same rounds.
    """

    def __init__(self, work: Finished, read: Read, progress: Progress = no_progress) -> None:
        """Take a finished result, what gives a frame's pixels, and who is told how far it is."""
        self._work = work
        self._progress = progress
        self._forecasts: dict[setting.Swap, float] = {}
        self._settled: OrderedDict[str, setting.Set] = OrderedDict()
        self._benches: OrderedDict[int, _Bench] = OrderedDict()
        self._drafting = threading.RLock()
        self._draft = draft = kept_draft_of(work.analysis, read)
        long_side = max(max(f.size) for f in draft.analysis.frames)
        self._coarser = max(1, round(long_side / SCREEN_PX))
        # Not by way of the drafts: all frames are read for the screen, few for drafts.
        screen = shrunk(work.analysis, read, draft.shrink * self._coarser)
        self._screen = replace(screen, read=Kept(screen.read, MOST_SMALL_BYTES))
        self._screen_outlines = Outlines(self._screen)
        self._rough: tuple[int, _Bench] | None = None
        self._looking = threading.Lock()
        self._outlines = Outlines(self._draft)
        self._whole = self._draft if draft.shrink == 1 else Draft(analysis=work.analysis, read=read, shrink=1)
        # One lock where both are one.
        self._making = self._drafting if draft.shrink == 1 else threading.RLock()
        self._full: tuple[int, _Bench] | None = None

    @property
    def shrink(self) -> int:
        """How many times as wide the true frames are as the draft's."""
        return self._draft.shrink

    def read_ahead(self, frame: int) -> None:
        """Read a frame for first looks at its heads; InputError if it cannot be read."""
        self._screen.read(self._screen.analysis.frames[frame])

    def draft_from_true(self, frame: int) -> Array:
        """Return the (3, 3) matrix from a frame's pixels to its stand-in's."""
        large, small = self._work.analysis.frames[frame].size, self._draft.analysis.frames[frame].size
        return imaging.scale_matrix(large, small)

    def settled(self, decided: Decisions, progress: Progress | None = None) -> setting.Set:
        """Return what `merge` would choose, set in small, masks as they were cut.

        Parameters
        ----------
        decided
            What the user wants.
        progress
            Told before each head instead of whom the workshop was given; what it raises ends the work, and
            the heads that are made so far are kept.

        Raises
        ------
        OptionError
            If the decisions cannot be obeyed.
        InputError
            If a frame can no longer be read.
        """
        with self._drafting:
            key = _key(decided)
            if key not in self._settled:
                self._settled[key] = setting.settled(
                    self._work.analysis,
                    self._work.album,
                    decided,
                    self._bench,
                    self._work.options,
                    progress or self._progress,
                    self._forecasts,
                )
                while len(self._settled) > CHOICES_KEPT:
                    self._settled.popitem(last=False)
            self._settled.move_to_end(key)
            return self._settled[key]

    def _bench(self, base: int) -> _Bench:
        if base not in self._benches:
            while len(self._benches) >= BENCHES_KEPT:
                self._benches.popitem(last=False)
            self._benches[base] = _Bench(self._draft, base, self._outlines, self._work.options)
        self._benches.move_to_end(base)
        return self._benches[base]

    def shown(self, decided: Decisions, progress: Progress | None = None) -> setting.Set:
        """Return what `merge` would make, small, masks touched up, notes heeded; all as `settled`."""
        with self._drafting:
            made = self.settled(decided, progress)
            touches, notes = setting.touches_for(self._work.analysis, made.choice, decided)
            if touches:
                matrix = self.draft_from_true(made.choice.base)
                small = {who: _shrunk(t, matrix) for who, t in touches.items()}
                made = self._bench(made.choice.base).set_in(made.choice, progress or self._progress, small)
            risks = setting.with_notes(made.risks, decided, self._work.options)
            return replace(made, risks=risks, notes=notes)

    def first_look(
        self, decided: Decisions, before: setting.Set, person: str, frame: int
    ) -> setting.Set | None:
        """Return decisions by which one head changes, that head set in at once as a screen shows it.

        Nothing is measured, and heads that lie on that one are left as they were: `shown` makes them.

        Parameters
        ----------
        decided
            What the user wants.
        before
            What was shown before.
        person, frame
            Whose head changes, and where it is to come from; the base for their own.

        Returns
        -------
        Set or None
            None if there is no need: the true heads are made already.

        Raises
        ------
        OptionError
            If the decisions cannot be obeyed.
        InputError
            If the frame can no longer be read.
        """
        if _key(decided) in self._settled:
            return None
        chosen = self._likely(decided)
        heads = [h for h in before.heads if h.person != person]
        if frame != chosen.base:
            frames = {p.person: p.frame for p in before.choice.picks}
            frames = {h.person: frames[h.person] for h in heads}
            heads += self._roughly(before.base, heads, frames, person, chosen)
            order = [p.id for p in self._work.analysis.people]
            heads.sort(key=lambda h: order.index(h.person))
        return replace(before, choice=chosen, heads=tuple(heads))

    def bare(self, decided: Decisions) -> setting.Set | None:
        """Return decisions as they are likely to be obeyed, shown at once by the base alone, without heads.

        Parameters, errors and None as `first_look`.
        """
        if _key(decided) in self._settled:
            return None
        chosen = self._likely(decided)
        frame = self._draft.analysis.frames[chosen.base]
        missing = setting.missing_risks(self._work.analysis, chosen, self._work.options)
        return setting.Set(choice=chosen, base=self._draft.read(frame), heads=(), risks=missing)

    def _likely(self, decided: Decisions) -> Choice:
        work = self._work
        return setting.choose(work.analysis, work.album, decided, work.options, None, self._forecasts)

    def _roughly(
        self, small_base: Pixels, laid: Sequence[Head], frames: Mapping[str, int], person: str, chosen: Choice
    ) -> list[Head]:
        """Return a head at screen size, in a draft's pixels; none if the person is not in both frames.

        `frames` gives by person id the frame that each of those laid comes from.
        """
        base = chosen.base
        frame = next(p.frame for p in chosen.picks if p.person == person)
        known = self._screen.analysis
        who = next(i for i, p in enumerate(known.people) if p.id == person)
        if known.place(who, base) is None or not isinstance(known.people[who].faces[frame], Face):
            return []
        current = imaging.resize(composite.lay(small_base, laid), known.frames[base].size)
        with self._looking:
            if self._rough is None or self._rough[0] != base:
                self._rough = base, _Bench(self._screen, base, self._screen_outlines, self._work.options)
            head = self._rough[1].build(person, frame, current, frames, further=False)
        return [_enlarged(head, self._coarser)]

    def as_seen(self, decided: Decisions, seen: Choice, free: Container[str]) -> Decisions:
        """Return decisions by which the base stays as seen, and so does everybody but who is free.

        A new head for one may be a reason for another's who touches them, or even for another base: that is
        not what was asked for.

        Parameters
        ----------
        decided
            What the user wants.
        seen
            The choice that is on the screen.
        free
            Ids of the people whose heads may change.
        """
        names = [f.name for f in self._work.analysis.frames]
        picks = {p.person: names[p.frame] for p in seen.picks if p.person not in free}
        return replace(decided, stays=Stays(base=names[seen.base], picks=picks))

    def full(
        self, shown: setting.Set, decided: Decisions, area: tuple[int, int, int, int] | None
    ) -> setting.Set:
        """Return the heads that reach into an area, and those below them, at full size; errors as `settled`.

        Parameters
        ----------
        shown
            As `shown` gave it for the same decisions.
        decided
            What the user wants.
        area
            x0, y0, x1, y1 in base pixels; None: the base alone, no heads.
        """
        chosen = shown.choice
        near = self._near(shown, area) if area is not None else set()
        some = replace(
            chosen, picks=tuple(p if p.person in near else replace(p, from_base=True) for p in chosen.picks)
        )
        return self._at_full_size(replace(shown, choice=some), decided, self._progress)

    def made(self, decided: Decisions, progress: Progress | None = None) -> setting.Set:
        """Return what `merge` makes by decisions, as `settle` would; heads that were looked at are made.

        Parameters and errors as `settled`.
        """
        shown = self.settled(decided, progress)
        made = self._at_full_size(shown, decided, progress or self._progress)
        _, notes = setting.touches_for(self._work.analysis, shown.choice, decided)
        risks = setting.with_notes(made.risks, decided, self._work.options)
        return replace(made, risks=risks, notes=notes)

    def _at_full_size(self, shown: setting.Set, decided: Decisions, progress: Progress) -> setting.Set:
        """Return the heads of a choice, made at full size as they were made small."""
        chosen = shown.choice
        touches, _ = setting.touches_for(self._work.analysis, chosen, decided)
        with self._making:
            if self.shrink == 1:
                bench, sketches = self._bench(chosen.base), None
            else:
                if self._full is None or self._full[0] != chosen.base:
                    self._full = None
                    outlines = self._outlines.resized(self._whole)
                    made = _Bench(self._whole, chosen.base, outlines, self._work.options)
                    self._full = chosen.base, made
                bench = self._full[1]
                sketches = setting.sketches_of(self.settled(decided).heads, self.shrink)
            return bench.set_in(chosen, progress, touches, sketches)

    def _near(self, shown: setting.Set, area: tuple[int, int, int, int]) -> set[str]:
        """Return whose heads may change an area, and on whose heads these lie."""
        matrix = np.linalg.inv(self.draft_from_true(shown.choice.base))
        areas = [tuple(area)]
        near: set[str] = set()
        for head in reversed(shown.heads):
            mine = area_of(head, matrix, SLACK_PX)
            if any(_overlap(mine, other) for other in areas):
                near.add(head.person)
                areas.append(mine)
        return near

    def forget_full(self) -> None:
        """Give the room of the large frames free; what is asked for next is made anew."""
        with self._making:
            self._full = None


def area_of(head: Head, true_from_draft: Array, slack_px: int = 0) -> tuple[int, int, int, int]:
    """Return x0, y0, x1, y1 in the true base's pixels of what a draft's head may change."""
    (x, y), (h, w) = head.offset, head.mask.shape
    corners = imaging.transform(true_from_draft, np.array([[x - 0.5, y - 0.5], [x + w - 0.5, y + h - 0.5]]))
    (x0, y0), (x1, y1) = np.rint(corners + 0.5).astype(int).tolist()
    return x0 - slack_px, y0 - slack_px, x1 + slack_px, y1 + slack_px


def _enlarged(head: Head, times: int) -> Head:
    """Return a head as many times as wide."""
    if times == 1:
        return head
    h, w = head.mask.shape
    size = (w * times, h * times)
    return replace(
        head,
        offset=(head.offset[0] * times, head.offset[1] * times),
        pixels=frozen(imaging.resize(head.pixels, size)),
        mask=frozen(imaging.resize(head.mask, size)),
    )


def _overlap(a: Sequence[int], b: Sequence[int]) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _shrunk(touches: Touches, draft_from_true: Array) -> Touches:
    """Return touches in a draft's pixels."""
    factor = float(draft_from_true[0, 0])
    strokes = []
    for stroke in touches.strokes:
        points = imaging.transform(draft_from_true, np.array(stroke.points, np.float64))
        moved = tuple((float(x), float(y)) for x, y in points)
        strokes.append(replace(stroke, radius_px=stroke.radius_px * factor, points=moved))
    return replace(touches, widen_px=touches.widen_px * factor, strokes=tuple(strokes))


def _key(decided: Decisions) -> str:
    """Return what decisions say of the choice; notes and touches say nothing of it."""
    said: Mapping[str, Any] = {
        "base": decided.base,
        "force": decided.force,
        "forbid": sorted(decided.forbid),
        "keep": sorted(decided.keep),
        "stays": decided.stays and (decided.stays.base, decided.stays.picks),
    }
    return json.dumps(said, sort_keys=True)
