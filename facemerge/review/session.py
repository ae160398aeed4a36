"""What one review knows: decisions, their history, the picture of the moment, and whether it is saved."""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

from facemerge import machine
from facemerge.errors import FacemergeError, MachineError, lack_of
from facemerge.formats import decisions as decisions_file
from facemerge.formats import files
from facemerge.models import Models
from facemerge.pipeline import merge
from facemerge.pipeline.reviewing import Finished, as_reported, pending
from facemerge.review.actions import Action, understood
from facemerge.review.engine import Engine, Shown
from facemerge.review.pictures import Faces
from facemerge.review.state import described
from facemerge.words import Decisions

VERSIONS_KEPT = 8
"""Pictures of the last versions that a page may still ask for."""
HISTORY_KEPT = 500
"""Changes that can be undone."""
LOOK_AGAIN_S, PAUSE_S = 0.1, 1.5
"""How often it is looked whether something else is still being done, and for how long nothing was."""

LEAVE_S = 10.0
"""How long the end of a review waits for heads that are being made."""
_FAILED = "The picture could not be made: the program failed; see where it was started."

State = dict[str, Any]


@dataclass(frozen=True, slots=True)
class _Past:
    """A state of the decisions, and the change that led away from it."""

    label: str
    decisions: Decisions


class StaleError(Exception):
    """A change was made to a version that is no longer the newest."""


class _OvertakenError(Exception):
    """What is being made was asked for before the last change."""


class Session:
    """One review; for several pages and threads at once.

    A change is obeyed, kept on disk and only then shown. A change that cannot be obeyed changes nothing.
    """

    def __init__(self, work: Finished, engine: Engine, models: Models) -> None:
        """Take a finished result, what makes its pictures, and the networks."""
        self._work = work
        self._models = models
        self._engine = engine
        self.faces = Faces(work.analysis, work.out, engine.read)
        # One change at a time; the other lock is held for moments only, so that nobody waits to look.
        self._changing = threading.Lock()
        self._lock = threading.Lock()
        self._undo: list[_Past] = []
        self._redo: list[_Past] = []
        self._saved = False
        self._saving: threading.Thread | None = None
        self._refining: threading.Thread | None = None
        self._ended = threading.Event()
        self._pending = False
        self._problem: str | None = None
        self._version = 0
        self._kept: OrderedDict[int, Shown] = OrderedDict()
        decided = work.decisions or as_reported(work.report)
        rough = engine.bare(decided)
        self._publish(rough or engine.show(decided))
        self._reckon_saved()
        if rough is not None:
            self._refine(rough, self._reckon_saved)

    def begin_work_ahead(self) -> threading.Thread | None:
        """Begin `work_ahead` in a thread; where none is to be had nothing is done ahead."""
        with suppress(MachineError):
            return machine.started("facemerge-ahead", lambda: self.work_ahead(self._ended))
        return None

    def end(self, ahead: threading.Thread | None = None) -> None:
        """Finish a save that has begun, and end all else that is being done in threads.

        Parameters
        ----------
        ahead
            As `begin_work_ahead` gave it.
        """
        self._ended.set()
        self.wait_for_save()
        # A change that is being written down is written to its end.
        if self._changing.acquire(timeout=LEAVE_S):
            self._changing.release()
        with self._lock:
            threads = [t for t in (self._refining, ahead) if t is not None]
        for thread in threads:
            # Each gives up before the next head. One that is amid a large head is left to itself: it writes
            # nothing.
            thread.join(LEAVE_S)

    def work_ahead(self, ended: threading.Event) -> None:
        """Do what may be asked for next, while nothing else is to be done, until the review ends.

        First every frame is read once, those with the best faces first; then the heads that are shown are
        made at full size, for whoever looks at a seam, or saves.

        Parameters
        ----------
        ended
            Set when the review ends.
        """
        self._read_ahead(ended)
        made: Shown | None = None
        while not ended.wait(LOOK_AGAIN_S):
            shown = self._newest()
            if shown is not made and not self._at_work() and not ended.wait(PAUSE_S):
                made = self._made_ahead(shown, ended) or made

    def _made_ahead(self, shown: Shown, ended: threading.Event) -> Shown | None:
        """Return what is shown, once its heads are made at full size; None if something else came first."""

        def go_on(*_: object) -> None:
            other = self._engine.is_asked or self._at_work() or self._newest() is not shown
            if other or ended.is_set():
                raise _OvertakenError

        try:
            go_on()
            self._engine.make_ahead(shown, go_on)
        except _OvertakenError:
            return None
        except Exception as error:
            # Told to whoever asks for it.
            if not isinstance(error, FacemergeError) and lack_of(error) is None:
                raise
        return shown

    def _read_ahead(self, ended: threading.Event) -> None:
        scores = self._work.analysis.scores.values()
        good = [sum(s.total for s in told if s is not None) for told in zip(*scores, strict=True)]
        for frame in sorted(range(len(good)), key=lambda f: -good[f]):
            while self._at_work() and not ended.wait(LOOK_AGAIN_S):
                pass
            if ended.is_set():
                return
            # A frame that is gone is told to whoever asks for it.
            with suppress(FacemergeError):
                self._engine.read_ahead(frame)
                self.faces.make(frame)

    def _at_work(self) -> bool:
        with self._lock:
            threads = [t for t in (self._saving, self._refining) if t is not None]
        return self._changing.locked() or any(t.is_alive() for t in threads)

    # -- looking --------------------------------------------------------------------------------------------

    @property
    def engine(self) -> Engine:
        """What makes the pictures."""
        return self._engine

    @property
    def decisions(self) -> Decisions:
        """What is decided now."""
        return self._newest().decisions

    @property
    def mark(self) -> tuple[int, bool]:
        """What a page waits for to change: the version, and whether the picture is being saved."""
        with self._lock:
            return self._version, self._saving is not None

    def shown(self, version: int) -> Shown | None:
        """Return the picture of a version, None if it is not known any more."""
        with self._lock:
            return self._kept.get(version)

    def state(self) -> State:
        """Return all that the page shows, ready for JSON."""
        with self._lock:
            return self._state | {
                "version": self._version,
                "undo": self._undo[-1].label if self._undo else None,
                "redo": self._redo[-1].label if self._redo else None,
                "saved": self._saved,
                "saving": self._saving is not None,
                "problem": self._problem,
            }

    def frame_count(self) -> int:
        """Return how many frames the burst has."""
        return len(self._work.analysis.frames)

    # -- changing -------------------------------------------------------------------------------------------

    def change(self, version: int, asked: object) -> None:
        """Do what the page asks for.

        Parameters
        ----------
        version
            The version that the page shows.
        asked
            The action as JSON has it.

        Raises
        ------
        StaleError
            If there is a newer version.
        OptionError
            If the action is not understood or cannot be obeyed.
        InputError, OutputError
            If a frame can no longer be read, or the decisions cannot be kept on disk.
        """
        with self._changing:
            self._require_newest(version)
            match asked:
                case {"undo": True, **rest} if not rest:
                    self._step(self._undo, self._redo)
                case {"redo": True, **rest} if not rest:
                    self._step(self._redo, self._undo)
                case _:
                    self._obey(self._understood(asked))

    def _understood(self, asked: object) -> Action:
        seam_weight = self._work.options.choice.seam_weight
        return understood(asked, self._work.analysis, self._newest(), seam_weight)

    def _require_newest(self, version: int) -> None:
        """Raise StaleError unless a version is decided as the newest one is."""
        with self._lock:
            known = self._kept.get(version)
            # A first look and the true heads after it are two versions of the same decisions.
            if known is None or known.decisions != self._kept[self._version].decisions:
                raise StaleError

    def _obey(self, action: Action) -> None:
        before, rough = self._newest(), None
        if action.decided == before.decisions:
            return
        if action.free is None:
            decided = replace(action.decided, stays=None)
            rough = self._engine.bare(decided)
        else:
            decided = self._engine.as_seen(action.decided, before, action.free)
            if action.frame is not None:
                [person] = action.free
                rough = self._engine.first_look(decided, before, person, action.frame)
        shown = rough or self._engine.show(decided)
        self._keep(decided)
        with self._lock:
            self._undo.append(_Past(action.label, before.decisions))
            del self._undo[:-HISTORY_KEPT]
            self._redo.clear()
        self._publish(shown)
        if rough is not None:
            self._refine(rough)

    def _reckon_saved(self) -> None:
        saved = self._work.saved and self._as_in_report()
        with self._lock:
            self._saved = saved

    def _refine(self, rough: Shown, then: Callable[[], None] = lambda: None) -> None:
        """Begin to make the true heads in a thread, which gives up as soon as something is changed."""

        def go_on(*_: object) -> None:
            if self._newest() is not rough or self._ended.is_set():
                raise _OvertakenError

        def make() -> None:
            try:
                shown = self._engine.show(rough.decisions, go_on)
                with self._changing:
                    go_on()
                    self._publish(shown)
                    then()
            except _OvertakenError:
                pass
            except Exception as error:
                told = error if isinstance(error, FacemergeError) else lack_of(error)
                with self._lock:
                    self._problem = str(told or _FAILED)
                if told is None:
                    raise

        try:
            self._refining = machine.started("facemerge-heads", make)
        except MachineError:
            # Without a thread whoever asks waits for it.
            make()

    def wait_for_heads(self) -> None:
        """Return when what is shown is no first look any more."""
        with self._lock:
            thread = self._refining
        if thread is not None:
            thread.join()

    def _step(self, back: list[_Past], forth: list[_Past]) -> None:
        if not back:
            return
        before, past = self._newest().decisions, back[-1]
        shown = self._engine.show(past.decisions)
        self._keep(past.decisions)
        with self._lock:
            back.pop()
            forth.append(_Past(past.label, before))
        self._publish(shown)

    def _newest(self) -> Shown:
        with self._lock:
            return self._kept[self._version]

    def _publish(self, shown: Shown) -> None:
        described_now = described(self._work, self._engine, shown)
        with self._lock:
            old = self._kept.get(self._version)
            self._version += 1
            self._kept[self._version] = shown
            while len(self._kept) > VERSIONS_KEPT:
                self._kept.popitem(last=False)
            self._state = described_now
            self._saved &= old is not None and old.decisions == shown.decisions
            self._problem = None

    def _keep(self, decided: Decisions) -> None:
        """Write decisions to disk: into OUT, or beside it while OUT is being replaced."""
        with self._lock:
            place = pending(self._work.out) if self._saving else self._work.out / files.DECISIONS
            self._pending |= self._saving is not None
        decisions_file.write_decisions(place, decided)

    def _as_in_report(self) -> bool:
        """Return whether the report tells of the choice that is shown."""
        told, names = self._work.report, [f.name for f in self._work.analysis.frames]
        choice = self._newest().choice
        picks = {p["id"]: p["pick"] for p in told["people"]}
        return names[choice.base] == told["base"] and all(
            picks[p.person] == names[p.frame] for p in choice.picks
        )

    # -- saving ---------------------------------------------------------------------------------------------

    def save(self, version: int) -> None:
        """Begin to write the files that `merge` writes, by the decisions of now, in a thread of its own.

        Raises
        ------
        StaleError
            If there is a newer version than the page shows.
        MachineError
            If there is no thread to be had.
        """
        with self._changing:
            self._require_newest(version)
            with self._lock:
                if self._saving is not None:
                    return
                decided = self._kept[self._version].decisions
                thread = threading.Thread(target=self._save, args=(decided,), name="facemerge-save")
                self._saving, self._problem = thread, None
            try:
                thread.start()
            except RuntimeError as error:
                with self._lock:
                    self._saving = None
                raise MachineError("The picture cannot be saved: no more threads may be started.") from error

    def wait_for_save(self) -> None:
        """Return when nothing is being saved."""
        with self._lock:
            thread = self._saving
        if thread is not None:
            thread.join()

    def _save(self, decided: Decisions) -> None:
        problem: str | None = _FAILED
        try:
            made = self._engine.made(decided)
            merge(
                self._work.sources,
                self._work.out,
                options=self._work.options,
                decisions=decided,
                models=self._models,
                made=made,
                **self._work.form,
            )
            problem = None
        except Exception as error:
            told = error if isinstance(error, FacemergeError) else lack_of(error)
            problem = str(told or _FAILED)
            if told is None:
                raise
        finally:
            self._engine.make_room()
            with self._changing:
                problem = self._settle_files() or problem
                with self._lock:
                    self._saving = None
                    self._saved = problem is None and self._kept[self._version].decisions == decided
                    self._problem = problem
            self.faces.keep_again()

    def _settle_files(self) -> str | None:
        """Bring OUT's decisions up to date with what was changed meanwhile; return what failed."""
        newest, place = self._newest().decisions, self._work.out / files.DECISIONS
        try:
            if self._pending or not place.is_file():
                decisions_file.write_decisions(place, newest)
            pending(self._work.out).unlink(missing_ok=True)
            self._pending = False
        except (FacemergeError, OSError) as error:
            return str(error)
        return None
