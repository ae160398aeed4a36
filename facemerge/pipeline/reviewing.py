"""What a review needs of the pipeline: a finished result with its frames, and choices made again quickly."""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from facemerge import imaging
from facemerge import options as settings
from facemerge.errors import InputError
from facemerge.formats import decisions, files, photo, report
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline import run, setting
from facemerge.pipeline.draft import Draft, draft_of
from facemerge.pipeline.look import Album, Read, analyse
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.words import (
    Analysis,
    Array,
    Choice,
    Decisions,
    Frame,
    Head,
    Person,
    Pick,
    Pixels,
    Risk,
    Touches,
)

MOST_SMALL_BYTES = 300_000_000
"""What the small stand-ins of frames may take: twenty of a burst of 24 megapixels."""
BENCHES_KEPT = 2
"""Bases whose heads are kept: the one that is shown, and the one before it for whoever compares."""
CHOICES_KEPT = 32
"""Choices that were settled and can be shown again at once, by undo for one."""
MOVED_FACES = 0.25
"""By how much of its width a face may lie elsewhere than the report says, before the frame is another one."""
SLACK_PX = 8
"""By how much a head may reach further at full size than its draft does."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Finished:
    """A finished result, and all that is needed to make it again."""

    out: Path
    sources: tuple[Path, ...]
    """The folder of the frames, or the frames, as `merge` takes them."""
    report: report.Report
    """What report.json held when the review began."""
    analysis: Analysis
    album: Album
    options: Options
    decisions: Decisions | None
    """As OUT has them; None if it has none."""
    saved: bool
    """Whether the picture in OUT was made by these decisions, as far as can be told."""

    @property
    def form(self) -> dict[str, Any]:
        """What `merge` is asked to write: the same files as before."""
        first = self.report["composite"]
        # The first is the one that the report names.
        forms = [Path(first).suffix[1:]] if first else []
        forms += [f for f in run.PICTURES if f not in forms and (self.out / f"composite.{f}").is_file()]
        return {
            "pictures": tuple(forms) or ("tif",),
            "layers": self.report["layers"] is not None or not first,
            "layered_tiff": self.report.get("layered_tiff") is not None,
            "sidecars": (self.report.get("sidecars") or {}).get("where"),
        }


# -- a finished result --------------------------------------------------------------------------------------


def pending(out: Path) -> Path:
    """Return where decisions are kept while `out` is being replaced."""
    place = out.resolve()
    return place.with_name(f".{place.name[:200]}.decisions.json")


def finished(
    out: Path, folders: Sequence[Path], models: Models, progress: Progress = no_progress
) -> Finished:
    """Return a finished result with what is known of its frames, looked at again only if that was not kept.

    Parameters
    ----------
    out
        The folder of a result.
    folders
        Where its frames are now; none: where the report says.
    models, progress
        The networks, and who is told how far it is.

    Raises
    ------
    InputError
        If there is no result, or its frames are not there or not the same.
    OptionError
        If OUT's decisions, or the settings it was made with, cannot be read.
    """
    if not out.is_dir():
        raise InputError(f"There is no folder {out}; name the folder that merge wrote.")
    told = report.read_report(out / "report.json")
    options = settings.build(told.get("options", {}))
    frames, sources = _frames(out, told, folders)
    decided, newest = _decided(out)
    analysis, album = _looked_through(out, frames, models, options, progress)
    _require_same(out, told, analysis)
    return Finished(
        out=out,
        sources=sources,
        report=told,
        analysis=analysis,
        album=album,
        options=options,
        decisions=decided,
        saved=newest and told["composite"] is not None,
    )


def _frames(out: Path, told: report.Report, folders: Sequence[Path]) -> tuple[list[Frame], tuple[Path, ...]]:
    """Return the frames of a report under its names for them, and what `merge` is to be given."""
    said = told.get("sources")
    if folders:
        places = list(folders)
    elif isinstance(said, list) and said and all(isinstance(one, str) for one in said):
        places = [out.resolve().parent / one for one in said]
    else:
        raise InputError(f"The report in {out} does not say where its frames are; name them with --frames.")
    for place in places:
        if not place.exists():
            raise InputError(
                f"The frames of {out} are no longer in {_plain(place)}; say where they are with --frames."
            )
    found, _ = photo.find_frames(places)
    names = {frame["file"]: tuple(frame.get("size", ())) for frame in told["frames"]}
    by_name = {frame.name: frame for frame in found}
    notes = [note for note in told.get("notes", []) if isinstance(note, str)]
    kept: dict[str, str] = {}
    for name, size in names.items():
        frame = by_name.get(name) or next((f for f in found if f"/{f.path}".endswith(f"/{name}")), None)
        if frame is None:
            raise InputError(
                f"{name} is not in {_plain(places[0])}, but {out} was made with it; say where the frames are "
                "with --frames, or run merge again."
            )
        if size and size != frame.size:
            raise InputError(f"{name} has changed since {out} was made; run merge again.")
        kept[frame.path] = name
    burst = [
        replace(f, name=kept.get(f.path, f.name))
        for f in found
        if f.path in kept or any(f.name in note for note in notes)
    ]
    sources = tuple(places) if len(burst) == len(found) else tuple(Path(f.path) for f in burst)
    return burst, sources


def _plain(place: Path) -> str:
    return str(place.resolve())


def _looked_through(
    out: Path, frames: Sequence[Frame], models: Models, options: Options, progress: Progress
) -> tuple[Analysis, Album]:
    """Return what is known of the frames, as `merge` would; nothing that is kept of them is tidied away."""
    known, read = run.known_of(frames, options, out)
    return analyse(frames, read, models, options, progress, known=known)


def _decided(out: Path) -> tuple[Decisions | None, bool]:
    """Return the decisions of a result (None: it has none) and whether its picture is no older."""
    place, waiting = out / files.DECISIONS, pending(out)
    # Left by a review that was killed while it wrote.
    for path in (place, waiting):
        path.with_name(f".{path.name}{decisions.HALF_DONE}").unlink(missing_ok=True)
    if waiting.is_file():
        # A save was cut off: these are newer than those in OUT.
        found = decisions.read_decisions(waiting)
        decisions.write_decisions(place, found)
        waiting.unlink(missing_ok=True)
        return found, False
    if not place.is_file():
        return None, True
    made_ns = (out / "report.json").stat().st_mtime_ns
    # Both are written by one run, one after the other.
    return decisions.read_decisions(place), place.stat().st_mtime_ns <= made_ns + 2_000_000_000


def _require_same(out: Path, told: report.Report, analysis: Analysis) -> None:
    """Refuse frames that show something else than they did when the report was written."""
    changed = InputError(f"The frames of {out} are not what they were when it was made; run merge again.")
    people = {p.id: p for p in analysis.people}
    index = {f.name: i for i, f in enumerate(analysis.frames)}
    if set(people) != {p["id"] for p in told["people"]} or set(index) != {f["file"] for f in told["frames"]}:
        raise changed
    for person in told["people"]:
        for seen in person["faces"]:
            face = people[person["id"]].faces[index[seen["frame"]]]
            box = getattr(face, "box", None)
            room = MOVED_FACES * (seen["box"][2] - seen["box"][0])
            if box is None or max(abs(a - b) for a, b in zip(box, seen["box"], strict=True)) > room:
                raise changed


# -- choosing again -----------------------------------------------------------------------------------------


class _Bench(setting.Bench):
    """A bench that knows again what it has touched up, so that heads laid over that are not made anew."""

    def __init__(self, draft: Draft, base: int, models: Models, options: Options) -> None:
        super().__init__(draft, base, models, options)
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

    def __init__(self, work: Finished, read: Read, models: Models, progress: Progress = no_progress) -> None:
        """Take a finished result, what gives a frame's pixels, the networks and who is told how far it is."""
        self._work = work
        self._models = models
        self._progress = progress
        self._forecasts: dict[setting.Swap, float] = {}
        self._settled: OrderedDict[str, setting.Set] = OrderedDict()
        self._benches: OrderedDict[int, _Bench] = OrderedDict()
        self._drafting = threading.RLock()
        draft = draft_of(work.analysis, read)
        self._draft = replace(draft, read=_Kept(draft.read))
        self._whole = self._draft if draft.shrink == 1 else Draft(analysis=work.analysis, read=read, shrink=1)
        # One lock where both are one.
        self._making = self._drafting if draft.shrink == 1 else threading.RLock()
        self._full: tuple[int, _Bench] | None = None

    @property
    def shrink(self) -> int:
        """How many times as wide the true frames are as the draft's."""
        return self._draft.shrink

    def draft_from_true(self, frame: int) -> Array:
        """Return the (3, 3) matrix from a frame's pixels to its stand-in's."""
        large, small = self._work.analysis.frames[frame].size, self._draft.analysis.frames[frame].size
        return imaging.scale_matrix(large, small)

    def settled(self, decided: Decisions) -> setting.Set:
        """Return what `merge` would choose, set in small, masks as they were cut.

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
                    self._progress,
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
            self._benches[base] = _Bench(self._draft, base, self._models, self._work.options)
        self._benches.move_to_end(base)
        return self._benches[base]

    def shown(self, decided: Decisions) -> setting.Set:
        """Return what `merge` would make, small, masks touched up, notes heeded; errors as `settled`."""
        with self._drafting:
            made = self.settled(decided)
            touches, notes = setting.touches_for(self._work.analysis, made.choice, decided)
            if touches:
                matrix = self.draft_from_true(made.choice.base)
                small = {who: _shrunk(t, matrix) for who, t in touches.items()}
                made = self._bench(made.choice.base).set_in(made.choice, self._progress, small)
            risks = setting.with_notes(made.risks, decided, self._work.options)
            return replace(made, risks=risks, notes=notes)

    def is_settled(self, decided: Decisions) -> bool:
        """Return whether the heads of decisions are made already."""
        return _key(decided) in self._settled

    def require_possible(self, decided: Decisions) -> None:
        """Raise OptionError if decisions cannot be obeyed."""
        setting.choose(self._work.analysis, self._work.album, decided, self._work.options)

    def donor(self, base: int, frame: int) -> tuple[Pixels, Analysis]:
        """Return a frame's small stand-in in the form of a base, and what is known in such pixels."""
        small = self._draft.analysis
        pixels = self._draft.read(small.frames[frame])
        return setting.in_form_of(pixels, small.frames[frame], small.frames[base]), small

    def held(self, decided: Decisions, shown: Choice, person: str) -> Decisions:
        """Return decisions by which the base stays, and everybody but one person.

        A new head for one may be a reason for another's who touches them, or even for another base: that is
        not what was asked for. Whoever would change is told to stay as shown; nobody else is.

        Parameters
        ----------
        decided
            What the user wants.
        shown
            The choice that is seen now.
        person
            Whose head may change.
        """
        frames = self._work.analysis.frames
        decided = replace(decided, base=frames[shown.base].name)
        before = {p.person: p for p in shown.picks}
        while True:
            found = self.settled(decided).choice
            moved = [
                before[p.person]
                for p in found.picks
                if p.person != person
                and p.frame != before[p.person].frame
                and p.person not in decided.force
                and p.person not in decided.keep
            ]
            if not moved:
                return decided
            stay = Decisions(
                force={p.person: frames[p.frame].name for p in moved if not p.from_base},
                keep=frozenset(p.person for p in moved if p.from_base),
            )
            decided = stay.over(decided)

    def as_reported(self, told: report.Report) -> Decisions:
        """Return decisions that give the choice of a report, for a result that has kept none."""
        names = [f.name for f in self._work.analysis.frames]
        decided = Decisions()
        picks = {p["id"]: p for p in told["people"]}
        found = self.settled(decided).choice
        if names[found.base] != told["base"]:
            decided = Decisions(base=told["base"])
            found = self.settled(decided).choice
        other = [p.person for p in found.picks if names[p.frame] != picks[p.person]["pick"]]
        stay = Decisions(
            base=told["base"] if other else None,
            force={who: picks[who]["pick"] for who in other if not picks[who]["from_base"]},
            keep=frozenset(who for who in other if picks[who]["from_base"]),
        )
        return stay.over(decided)

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
        touches, _ = setting.touches_for(self._work.analysis, chosen, decided)
        with self._making:
            if self.shrink == 1:
                bench = self._bench(chosen.base)
            else:
                if self._full is None or self._full[0] != chosen.base:
                    self._full = None
                    made = _Bench(self._whole, chosen.base, self._models, self._work.options)
                    self._full = chosen.base, made
                bench = self._full[1]
            return bench.set_in(some, self._progress, touches)

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


class _Kept:
    """Reads small frames, the last ones kept as far as there is room."""

    def __init__(self, read: Read) -> None:
        self._read = read
        self._pixels: OrderedDict[str, Pixels] = OrderedDict()
        self._lock = threading.Lock()

    def __call__(self, frame: Frame) -> Pixels:
        with self._lock:
            if frame.name in self._pixels:
                self._pixels.move_to_end(frame.name)
                return self._pixels[frame.name]
        pixels = self._read(frame)
        with self._lock:
            self._pixels[frame.name] = pixels
            while len(self._pixels) > 1 and sum(p.nbytes for p in self._pixels.values()) > MOST_SMALL_BYTES:
                self._pixels.popitem(last=False)
        return pixels


def area_of(head: Head, true_from_draft: Array, slack_px: int = 0) -> tuple[int, int, int, int]:
    """Return x0, y0, x1, y1 in the true base's pixels of what a draft's head may change."""
    (x, y), (h, w) = head.offset, head.mask.shape
    corners = imaging.transform(true_from_draft, np.array([[x - 0.5, y - 0.5], [x + w - 0.5, y + h - 0.5]]))
    (x0, y0), (x1, y1) = np.rint(corners + 0.5).astype(int).tolist()
    return x0 - slack_px, y0 - slack_px, x1 + slack_px, y1 + slack_px


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
    }
    return json.dumps(said, sort_keys=True)
