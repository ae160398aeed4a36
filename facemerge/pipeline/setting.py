"""Chooses heads and sets them in."""

from __future__ import annotations

import dataclasses
from collections import OrderedDict
from collections.abc import Callable, Container, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from facemerge import choice, composite, faults, imaging
from facemerge.composite.touch import touch
from facemerge.errors import OptionError
from facemerge.options import Options
from facemerge.pipeline.draft import Draft, kept_draft_of
from facemerge.pipeline.look import Album, Read
from facemerge.pipeline.outlines import Outlines, blurred_in, in_form_of
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.words import (
    MOST_MISFIT,
    Aligned,
    Analysis,
    Choice,
    Decisions,
    Extent,
    Face,
    Fault,
    FaultKind,
    Head,
    Missing,
    Person,
    Pick,
    Pixels,
    Risk,
    Score,
    Touches,
)

DONORS_KEPT = 3
SPARE_ERROR_PX = 2.0
"""Expected error of alignment up to which a third frame's background is trusted to join."""
MOVED_COST = 0.2
"""What a move costs a face width: light falls a little differently on a head that has moved."""
WHOLE_RISK = 0.6
"""Risk to be expected of somebody who is taken whole; what was measured takes its place."""
ROUNDS = 3
"""How often a choice is made and looked at, at most."""
SHUT_BELOW = 0.3
"""How open eyes are below which whoever stays so is to be looked at."""
FORESEEN_MOST = 0.75
"""The most that is foreseen of a person taken whole: nobody is given up for a forecast alone."""
OWNERS_SHRINK = 0.25
"""How much smaller than a layer the map of whose its pixels are is: outlines are told on small copies."""
ROOM_SHARE = 0.12
"""How much further than on the draft a head may reach at full size, and be painted, of its height."""

Area = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sketch:
    """What a head that was made small says of the same one at full size."""

    area: Area
    """x0, y0, x1, y1 in the base's pixels beyond which it is not to reach."""
    extent: Extent
    """How much of the person is taken."""


Swap = tuple[int, int, int]
"""(base, person's index, frame)."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Set:
    """Heads set into a base."""

    choice: Choice
    base: Pixels
    """(H, W, 3) the base frame as its file has it."""
    heads: tuple[Head, ...]
    """In the order they are laid, back row first."""
    risks: dict[str, Risk]
    """By person id; who was not found in the base has a risk too: somebody must look. So has whom the user
    has noted something of."""
    measured: Mapping[Swap, float] = field(default_factory=dict)
    """The risk of every swap by itself, whatever was done to that person by those beside them."""
    notes: tuple[str, ...] = ()
    """Sentences on what could not be done as the user had decided it."""


def choose(
    analysis: Analysis,
    album: Album,
    decisions: Decisions,
    options: Options,
    tried: Mapping[Swap, float] | None = None,
    forecasts: dict[Swap, float] | None = None,
    only: Container[Swap] | None = None,
) -> Choice:
    """Return the base and everybody's pick, weighing scores against the seams they are expected to show.

    Parameters
    ----------
    analysis, album, decisions, options
        What is known, the small copies of it, what the user wants, the settings.
    tried
        The risk of swaps that were made and measured; it takes the place of their forecast.
    forecasts
        Forecasts reckoned earlier, to which those that are new are added.
    only
        The swaps that may be made; None: any.

    Raises
    ------
    OptionError
        If a decision names what does not exist or cannot be obeyed.
    """
    measured, expected = tried or {}, {} if forecasts is None else forecasts
    blurred = blurred_in(analysis)
    _require_known(analysis, decisions)

    def seam_cost(base: int, person: int, frame: int) -> float:
        swap = base, person, frame
        if swap in measured:
            return measured[swap]
        if swap not in expected:
            expected[swap] = _forecast(analysis, album, swap, blurred=person in blurred[base])
        return expected[swap]

    return choice.choose(analysis, seam_cost, decisions, options.choice, only)


def _forecast(analysis: Analysis, album: Album, swap: Swap, *, blurred: bool) -> float:
    """Return the risk that a swap is expected to show; whoever is `blurred` in the base is taken whole."""
    base, person, frame = swap
    who = analysis.people[person]
    mine, theirs = album.patches.get((who.id, base)), album.patches.get((who.id, frame))
    surroundings = 1.0 if mine is None or theirs is None else composite.forecast(mine, theirs)
    rough = analysis.is_rough(base, frame)
    whole = 1.0 if rough else min(FORESEEN_MOST, 1 - (1 - WHOLE_RISK) * (1 - surroundings))
    old, new = who.faces[base], who.faces[frame]
    if blurred or not isinstance(old, Face) or not isinstance(new, Face):
        return whole
    face = faults.of_face(composite.pose_misfit(old, new) / MOST_MISFIT["pose"])
    # Between frames that lie roughly it is not known how far somebody moved.
    moved = 0.0 if rough else _moved(analysis, base, frame, old, new)
    # As a seam costs its risk squared, a move costs so much more a face width.
    return min(whole, float(np.sqrt(face**2 + MOVED_COST * moved)))


def _moved(analysis: Analysis, base: int, frame: int, old: Face, new: Face) -> float:
    """Return how far a face has moved against the scene between two frames, in face widths."""
    laid = imaging.transform(analysis.base_from_frame(base, frame), new.landmarks[:, :2])
    far = float(np.linalg.norm(laid.mean(0) - old.landmarks[:, :2].mean(0)))
    return far / (old.box[2] - old.box[0])


def settle(
    analysis: Analysis,
    album: Album,
    decisions: Decisions,
    read: Read,
    options: Options,
    progress: Progress = no_progress,
) -> Set:
    """Choose, set in, look at the seams, and choose again where one would be found.

    A forecast from small copies cannot know every seam. What was measured replaces it, and the choice is made
    anew, until it stands or `ROUNDS` are over: so a slightly lesser face on a clean seam beats the best face
    on a broken one. Large frames are tried smaller; what is chosen is made in the way that was best there,
    and measured, at full size. Masks that were touched up by hand play no part in the choice; they are
    touched up once it stands.

    Parameters
    ----------
    analysis, album, decisions
        What is known, the small copies of it, what the user wants.
    read
        Gives a frame's pixels as its file has them; donors are converted to the base's profile and depth.
    options, progress
        The settings, and who is told how far it is.

    Raises
    ------
    OptionError
        If a decision names what does not exist or cannot be obeyed.
    InputError
        If a frame can no longer be read.
    """
    draft = kept_draft_of(analysis, read)
    outlines = Outlines(draft)
    benches: dict[int, Bench] = {}

    def bench_of(base: int) -> Bench:
        # Made only where there is none yet: a bench reads its base frame.
        if base not in benches:
            benches[base] = Bench(draft, base, outlines, options)
        return benches[base]

    best = settled(analysis, album, decisions, bench_of, options, progress)
    touches, notes = touches_for(analysis, best.choice, decisions)
    if draft.shrink > 1:
        sketches = sketches_of(best.heads, draft.shrink)
        # The drafts take room that the large frames may need.
        benches.clear()
        whole = Draft(analysis=analysis, read=read, shrink=1)
        bench = Bench(whole, best.choice.base, outlines.resized(whole), options)
        best = bench.set_in(best.choice, progress, touches, sketches)
    elif touches:
        best = benches[best.choice.base].set_in(best.choice, progress, touches)
    return dataclasses.replace(best, risks=with_notes(best.risks, decisions, options), notes=notes)


def settled(
    analysis: Analysis,
    album: Album,
    decisions: Decisions,
    bench_of: Callable[[int], Bench],
    options: Options,
    progress: Progress = no_progress,
    forecasts: dict[Swap, float] | None = None,
) -> Set:
    """Return the best choice that was set in on benches, round by round; masks as they were cut.

    Parameters and errors as `settle`, but for those below.

    Parameters
    ----------
    bench_of
        Gives the bench of a base frame's index.
    forecasts
        As `choose` takes them.
    """
    tried: dict[Swap, float] = {}
    forecasts = {} if forecasts is None else forecasts
    rounds: list[Set] = []
    for _ in range(ROUNDS):
        chosen = choose(analysis, album, decisions, options, tried, forecasts)
        if any(_same(chosen, made.choice) for made in rounds):
            break
        made = bench_of(chosen.base).set_in(chosen, progress)
        rounds.append(made)
        tried |= made.measured
        if all(risk.flag == "clear" for risk in made.risks.values()):
            break
    found = choose(analysis, album, decisions, options, tried, forecasts)
    if not any(_same(found, made.choice) for made in rounds):
        # What is still hoped for was not made: of what was, the best is taken, somebody left out or put back.
        found = choose(analysis, album, decisions, options, tried, forecasts, only=tried)
    best = next((made for made in rounds if _same(found, made.choice)), None)
    if best is None:
        best = bench_of(found.base).set_in(found, progress)
    # The same heads, in words that know what was measured.
    return dataclasses.replace(best, choice=found)


def set_in(
    analysis: Analysis,
    chosen: Choice,
    read: Read,
    options: Options,
    progress: Progress = no_progress,
    touches: Mapping[str, Touches] | None = None,
) -> tuple[Pixels, tuple[Head, ...], dict[str, Risk]]:
    """Return the base's pixels, the heads of one choice (back row first) and the risks by person id.

    Parameters and errors as `settle`; `touches` by person id, as `touches_for` gives them.
    """
    whole = Draft(analysis=analysis, read=read, shrink=1)
    made = Bench(whole, chosen.base, Outlines(whole), options).set_in(chosen, progress, touches)
    return made.base, made.heads, made.risks


def touches_for(
    analysis: Analysis, chosen: Choice, decisions: Decisions
) -> tuple[dict[str, Touches], tuple[str, ...]]:
    """Return what was done by hand to the masks of a choice, and notes on what belongs to other heads.

    Parameters
    ----------
    analysis
        What is known.
    chosen
        The base and everybody's pick.
    decisions
        What the user has done, to heads of this choice and of others.

    Returns
    -------
    touches
        By person id, for heads that come from the very frame, into the very base, that they were touched up
        in.
    notes
        A sentence for each person whose mask was touched up, but not that of the head chosen now.
    """
    base = analysis.frames[chosen.base].name
    fitting: dict[str, Touches] = {}
    notes = []
    for pick in chosen.picks:
        done = decisions.masks.get(pick.person, ())
        donor = analysis.frames[pick.frame].name
        found = None if pick.from_base else decisions.touches(pick.person, base, donor)
        if found is not None:
            fitting[pick.person] = found
        elif done:
            now = "stays as in the base" if pick.from_base else f"comes from {donor}"
            notes.append(
                f"{pick.person}'s mask was touched up by hand for the head from {done[-1].donor} in "
                f"{done[-1].base}; the base is {base} now and {pick.person} {now}, so that was left out."
            )
    return fitting, tuple(notes)


def with_notes(risks: Mapping[str, Risk], decisions: Decisions, options: Options) -> dict[str, Risk]:
    """Return risks by person id in which everybody of whom the user has noted something needs retouching.

    Parameters
    ----------
    risks
        What was measured.
    decisions, options
        The notes, and the risk from which a head needs retouching.
    """
    noted = dict(risks)
    for person, words in decisions.notes.items():
        known = risks.get(person)
        noted[person] = Risk(
            value=max(options.risk.retouch_from, known.value if known else 0.0),
            flag="retouch",
            faults=(
                Fault(kind=FaultKind.NOTED, chance=1.0, words=words),
                *(known.faults if known else ()),
            ),
            face_box=known.face_box if known else None,
        )
    return noted


def _require_known(analysis: Analysis, decisions: Decisions) -> None:
    people = sorted(p.id for p in analysis.people)
    for person in (*decisions.notes, *decisions.masks):
        if person not in people:
            raise OptionError(f"There is no person {person!r} in this burst; there are {', '.join(people)}.")


def _same(a: Choice, b: Choice) -> bool:
    return a.base == b.base and [p.frame for p in a.picks] == [p.frame for p in b.picks]


def _swaps(chosen: Choice) -> list[Swap]:
    return [(chosen.base, i, pick.frame) for i, pick in enumerate(chosen.picks) if not pick.from_base]


class Bench:
    """One base frame, and the heads that have been made for it."""

    def __init__(self, draft: Draft, base: int, outlines: Outlines, options: Options) -> None:
        """Take the burst, the base's index, everybody's outlines, and the settings."""
        analysis, read = draft.analysis, draft.read
        self._draft = draft
        self._analysis = analysis
        self._index = base
        self._outlines = outlines
        self._options = options
        frame = analysis.frames[base]
        self._base = read(frame)
        self._donors = _Donors(analysis, lambda f: in_form_of(read(f), f, frame))
        self._made: dict[tuple[str, int, Sketch | None], list[tuple[list[Head], Head, Risk]]] = {}

    def set_in(
        self,
        chosen: Choice,
        progress: Progress,
        touches: Mapping[str, Touches] | None = None,
        sketches: Mapping[str, Sketch] | None = None,
    ) -> Set:
        """Return the heads of a choice with this base, back row first, and everybody's risk.

        Parameters
        ----------
        chosen
            The base and everybody's pick.
        progress
            Told before each head.
        touches
            What was done to masks by hand, by person id; such a head is what later heads are laid on.
        sketches
            By person id, what is known of their head, as `sketches_of` gives it.
        """
        analysis, options = self._analysis, self._options
        heads: list[Head] = []
        frames = {k.person: k.frame for k in chosen.picks}
        risks = missing_risks(analysis, chosen, options)
        current = self._base
        swaps = [(p, k) for p, k in zip(analysis.people, chosen.picks, strict=True) if not k.from_base]
        for done, (person, pick) in enumerate(swaps):
            progress("Setting heads in", done, len(swaps))
            head, found = self._head(person, pick, current, heads, frames, (sketches or {}).get(person.id))
            if touches and person.id in touches:
                head, found = self._touched(person, pick, head, current, touches[person.id])
            heads.append(head)
            current = composite.lay(current, [head])
            risks[person.id] = found
        progress("Setting heads in", len(swaps), len(swaps))
        set_in = {head.person: risks[head.person] for head in heads}
        numbers = {p.id: i for i, p in enumerate(analysis.people)}
        measured = {(chosen.base, numbers[p], frames[p]): risk.value for p, risk in set_in.items()}
        boxes = {p.id: f.box for p in analysis.people if isinstance(f := p.faces[chosen.base], Face)}
        for who, suffered in faults.of_neighbours(set_in, boxes, options.risk).items():
            risks[who] = _both(risks.get(who), suffered)
        return Set(choice=chosen, base=self._base, heads=tuple(heads), risks=risks, measured=measured)

    def _head(
        self,
        person: Person,
        pick: Pick,
        current: Pixels,
        laid: Sequence[Head],
        frames: Mapping[str, int],
        sketch: Sketch | None,
    ) -> tuple[Head, Risk]:
        """Return a head and its risk, made anew only if what lies under it is not what it was made for.

        `frames` gives by person id the frame that each of those laid comes from.
        """
        for under, head, found in self._made.get((person.id, pick.frame, sketch), ()):
            if under == [h for h in laid if _meet(h, head)]:
                return head, found
        before = {h.person: frames[h.person] for h in laid}
        head = self.build(person.id, pick.frame, current, before, sketch=sketch)
        under = [h for h in laid if _meet(h, head)]
        found = self._risk(person, pick, head, current)
        self._made.setdefault((person.id, pick.frame, sketch), []).append((under, head, found))
        return head, found

    def build(
        self,
        person: str,
        frame: int,
        current: Pixels,
        laid: Mapping[str, int],
        *,
        sketch: Sketch | None = None,
        further: bool = True,
    ) -> Head:
        """Return one head: the inner face where that does, else the person as far as they are seen.

        Parameters
        ----------
        person, frame
            Who is set in, and from where.
        current
            The base with the heads laid so far.
        laid
            By person id, the frames that these come from.
        sketch
            What is known of it from a smaller one; None = nothing.
        further
            Whether further frames are asked for what the donor does not show.
        """
        people = self._analysis.people
        indices = {p.id: i for i, p in enumerate(people)}
        who = indices[person]
        area = None if sketch is None else sketch.area
        if self._may_be_inner(who, frame) if sketch is None else sketch.extent == "face":
            base_face, donor_face = (people[who].faces[f] for f in (self._index, frame))
            assert isinstance(base_face, Face)
            assert isinstance(donor_face, Face)
            head = composite.build_face(
                base=current,
                donor=self._donors(frame),
                base_face=base_face,
                donor_face=donor_face,
                person=person,
                area=area,
                certain=sketch is not None,
            )
            if head is not None:
                return head
        rough = self._analysis.is_rough(self._index, frame)
        offers = further_frames(self._analysis, self._index, frame) if further and not rough else []
        base, donor = self._shot(self._index, current), self._shot(frame, self._donors(frame))
        if rough:
            # What lies about the face at least is laid where the face is.
            donor = dataclasses.replace(donor, base_from_frame=composite.by_face(donor, base, who))
        head = composite.build_person(
            base=base,
            donor=donor,
            person=person,
            who=who,
            rows=[p.row for p in people],
            others=[self._offer(f) for f in offers],
            laid={indices[i]: self._shot(f, self._donors(f)) for i, f in laid.items()},
            area=area,
        )
        return dataclasses.replace(head, placement="similarity") if rough else head

    def _may_be_inner(self, who: int, frame: int) -> bool:
        """Return whether an inner face could do: never in a head turned away, nor a sharp one in a blur."""
        if not isinstance(self._analysis.people[who].faces[self._index], Face):
            return False
        return who not in self._outlines.blurred(self._index) or who in self._outlines.blurred(frame)

    def _shot(self, frame: int, pixels: Pixels) -> composite.Shot:
        """Return a frame in which somebody was found, with everybody's silhouette."""
        told = self._outlines.of(frame)
        assert told is not None
        return composite.Shot(
            pixels=pixels,
            faces=self._outlines.faces(frame),
            silhouettes=told,
            base_from_frame=self._analysis.base_from_frame(self._index, frame),
            blurred=self._outlines.blurred(frame),
        )

    def _offer(self, frame: int) -> composite.Offer:
        return composite.Offer(
            faces=self._outlines.faces(frame),
            base_from_frame=self._analysis.base_from_frame(self._index, frame),
            blurred=self._outlines.blurred(frame),
            read=partial(self._further, frame),
        )

    def _further(self, frame: int) -> composite.Shot | None:
        return None if self._outlines.of(frame) is None else self._shot(frame, self._donors(frame))

    def _touched(
        self, person: Person, pick: Pick, head: Head, current: Pixels, touches: Touches
    ) -> tuple[Head, Risk]:
        made = touch(head, touches, (current.shape[1], current.shape[0]))
        found = self._risk(person, pick, made, current)
        if made is head:
            return head, found
        by_hand = Fault(kind=FaultKind.TOUCHED, chance=0.0)
        return made, dataclasses.replace(found, faults=(*found.faults, by_hand))

    def _risk(self, person: Person, pick: Pick, head: Head, current: Pixels) -> Risk:
        """Return what is found of a head that is laid over `current`."""
        who = next(i for i, p in enumerate(self._analysis.people) if p.id == person.id)
        face = self._analysis.place(who, self._index)
        assert face is not None
        (x, y), (h, w) = head.offset, head.mask.shape
        owners = self._owners(person, pick.frame, head) if head.extent == "person" else None
        places = faults.find(
            current[y : y + h, x : x + w], head, face.box[2] - face.box[0], owners, self._draft.shrink
        )
        return faults.assess(places, head, self._options.risk, face.box)

    def _owners(self, person: Person, frame: int, head: Head) -> faults.Owners | None:
        """Return whose the pixels of a head's layer are in the base and in the donor's frame."""
        before, there = self._outlines.of(self._index), self._outlines.of(frame)
        if before is None or there is None or head.base_from_donor is None:
            return None
        h, w = head.mask.shape
        size = max(8, round(w * OWNERS_SHRINK)), max(8, round(h * OWNERS_SHRINK))
        window = imaging.scale_matrix((w, h), size) @ imaging.shift_matrix(-head.offset[0], -head.offset[1])
        ids = [p.id for p in self._analysis.people]
        return faults.Owners(
            before=before.owners(window, size),
            donor=there.owners(window @ head.base_from_donor, size),
            who=ids.index(person.id),
            names=dict(enumerate(ids)),
        )


def _both(one: Risk | None, other: Risk) -> Risk:
    """Return the greater of two risks of one person, with the faults of both."""
    if one is None:
        return other
    greater = max(one, other, key=lambda r: r.value)
    together = sorted((*one.faults, *other.faults), key=lambda f: -f.chance)
    return dataclasses.replace(greater, faults=tuple(together), face_box=one.face_box or other.face_box)


def sketches_of(heads: Sequence[Head], shrink: int) -> dict[str, Sketch]:
    """Return by person id what heads that were made small say of those at full size.

    Parameters
    ----------
    heads
        As they were set into a draft.
    shrink
        How many times as wide the true frames are.
    """
    found = {}
    for head in heads:
        part = head.shown_part
        if part is None:
            continue
        (x, y), (h, w), (rows, columns) = head.offset, head.mask.shape, part
        room = round(ROOM_SHARE * (rows.stop - rows.start))
        low = max(x, x + columns.start - room), max(y, y + rows.start - room)
        high = min(x + w, x + columns.stop - 1 + room), min(y + h, y + rows.stop - 1 + room)
        area = low[0] * shrink, low[1] * shrink, (high[0] + 1) * shrink, (high[1] + 1) * shrink
        found[head.person] = Sketch(area=area, extent=head.extent)
    return found


def further_frames(analysis: Analysis, base: int, donor: int) -> list[int]:
    """Return the frames, neither base nor donor, aligned well enough to show what the donor does not.

    Parameters
    ----------
    analysis
        What is known of the burst.
    base, donor
        Indices of the two frames.
    """
    return [
        frame
        for frame, aligned in enumerate(analysis.alignments)
        if frame not in (base, donor)
        and isinstance(aligned, Aligned)
        and not analysis.is_rough(base, frame)
        and analysis.error_to_base_px(base, frame) <= SPARE_ERROR_PX
    ]


def _meet(a: Head, b: Head) -> bool:
    """Return whether the windows of two heads overlap."""
    return all(
        a.offset[k] < b.offset[k] + b.mask.shape[1 - k] and b.offset[k] < a.offset[k] + a.mask.shape[1 - k]
        for k in (0, 1)
    )


def missing_risks(analysis: Analysis, chosen: Choice, options: Options) -> dict[str, Risk]:
    """Return a risk for everybody who is to be looked at though nothing of them was changed, by person id.

    They were not found in the base, keep shut eyes, or are left as in it though another frame shows them
    better. Whoever was not found and is set in after all has what was found of that instead.
    """
    said = {
        p.id: [Fault(kind=FaultKind.ABSENT, chance=1.0, words=gap.reason)]
        for p in analysis.people
        if isinstance(gap := p.faces[chosen.base], Missing)
    }
    for pick in chosen.picks:
        score = analysis.scores[pick.person][pick.frame]
        if pick.left is not None:
            better = analysis.frames[pick.left].name
            said.setdefault(pick.person, []).append(Fault(kind=FaultKind.LEFT, chance=1.0, words=better))
        elif pick.from_base and _is_shut(score):
            said.setdefault(pick.person, []).append(Fault(kind=FaultKind.SHUT, chance=1.0))
    return {
        who: Risk(value=options.risk.inspect_from, flag="inspect", faults=tuple(told))
        for who, told in said.items()
    }


def _is_shut(score: Score | None) -> bool:
    return score is not None and score.eyes.value is not None and score.eyes.value < SHUT_BELOW


class _Donors:
    """Frames that give heads, the last few kept so that one that gives several is read once."""

    def __init__(self, analysis: Analysis, read: Read) -> None:
        self._analysis = analysis
        self._read = read
        self._kept: OrderedDict[int, Pixels] = OrderedDict()

    def __call__(self, frame: int) -> Pixels:
        if frame not in self._kept:
            while len(self._kept) >= DONORS_KEPT:
                self._kept.popitem(last=False)
            self._kept[frame] = self._read(self._analysis.frames[frame])
        self._kept.move_to_end(frame)
        return self._kept[frame]
