"""Chooses heads and sets them in."""

from __future__ import annotations

import dataclasses
from collections import OrderedDict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from facemerge import choice, composite, faces, imaging, risk
from facemerge.composite.touch import touch
from facemerge.errors import OptionError
from facemerge.formats import icc, photo
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.draft import Draft, draft_of
from facemerge.pipeline.look import Album, Read
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.words import (
    Aligned,
    Analysis,
    Choice,
    Decisions,
    Face,
    Float,
    Frame,
    Head,
    Missing,
    Person,
    Pick,
    Pixels,
    Risk,
    Touches,
    Way,
)

DONORS_KEPT = 3
MOST_WITNESSES, FEWEST_WITNESSES = 7, 1
"""How many frames people are told apart by, and how few other ones are too few for it."""
SPARES_OFFERED = 2
"""How many third frames a head may ask for what stood behind it."""
SPARE_ERROR_PX = 2.0
"""Expected error of alignment up to which a third frame's background is trusted to join."""
FAR_FACES = 1.5
"""From how many face widths on it makes no difference how far off the nearest head of a third frame is."""
SHARP_ENOUGH = 0.6
"""A face less sharp than this share of the person's sharpest one is blurred."""
ROUNDS = 6
"""How often a choice is made and looked at, at most."""
TOUCHED = (
    "its mask was touched up by hand: colours, patterns and lines along the new edge were measured again, "
    "the old head and neighbours were not looked for again"
)
"""Said of a risk."""

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
    notes: tuple[str, ...] = ()
    """Sentences on what could not be done as the user had decided it."""


def choose(
    analysis: Analysis,
    album: Album,
    decisions: Decisions,
    options: Options,
    tried: Mapping[Swap, float] | None = None,
    forecasts: dict[Swap, float] | None = None,
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

    Raises
    ------
    OptionError
        If a decision names what does not exist or cannot be obeyed.
    """
    measured, expected = tried or {}, {} if forecasts is None else forecasts
    _require_known(analysis, decisions)

    def seam_cost(base: int, person: int, frame: int) -> float:
        swap = base, person, frame
        if swap in measured:
            return measured[swap]
        if swap not in expected:
            who = analysis.people[person].id
            mine, theirs = album.patches.get((who, base)), album.patches.get((who, frame))
            expected[swap] = 1.0 if mine is None or theirs is None else composite.forecast(mine, theirs)
        return expected[swap]

    return choice.choose(analysis, seam_cost, decisions, options.choice)


def settle(
    analysis: Analysis,
    album: Album,
    decisions: Decisions,
    read: Read,
    models: Models,
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
    models, options, progress
        The networks, the settings, and who is told how far it is.

    Raises
    ------
    OptionError
        If a decision names what does not exist or cannot be obeyed.
    InputError
        If a frame can no longer be read.
    """
    draft = draft_of(analysis, read)
    benches: dict[int, Bench] = {}

    def bench_of(base: int) -> Bench:
        # Made only where there is none yet: a bench reads its base frame.
        if base not in benches:
            benches[base] = Bench(draft, base, models, options)
        return benches[base]

    best = settled(analysis, album, decisions, bench_of, options, progress)
    touches, notes = touches_for(analysis, best.choice, decisions)
    if draft.shrink > 1 or touches:
        bench = benches[best.choice.base] if draft.shrink == 1 else None
        # Their frames take room that the large ones may need.
        benches.clear()
        if bench is None:
            whole = Draft(analysis=analysis, read=read, shrink=1)
            bench = Bench(whole, best.choice.base, models, options)
        best = bench.set_in(best.choice, progress, touches, ways_of(best.heads))
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
        tried |= _measured(analysis, chosen, made.risks)
        if all(risk.flag == "clear" for risk in made.risks.values()):
            break
    found = choose(analysis, album, decisions, options, tried, forecasts)
    return _best(analysis, rounds, found, tried, options)


def _best(
    analysis: Analysis, rounds: Sequence[Set], found: Choice, tried: Mapping[Swap, float], options: Options
) -> Set:
    """Return the round that was found best in the end."""
    for made in rounds:
        if _same(found, made.choice):
            # The same heads, in words that know what was measured.
            return dataclasses.replace(made, choice=found)
    # Every round was better in its forecast than the last one turned out: the best of them stands.
    return max(rounds, key=lambda made: _worth(analysis, made.choice, tried, options))


def set_in(
    analysis: Analysis,
    chosen: Choice,
    read: Read,
    models: Models,
    options: Options,
    progress: Progress = no_progress,
    touches: Mapping[str, Touches] | None = None,
    ways: Mapping[str, Way] | None = None,
) -> tuple[Pixels, tuple[Head, ...], dict[str, Risk]]:
    """Return the base's pixels, the heads of one choice (back row first) and the risks by person id.

    Parameters and errors as `settle`; `touches` and `ways` by person id, as `touches_for` and `ways_of` give
    them.
    """
    whole = Draft(analysis=analysis, read=read, shrink=1)
    made = Bench(whole, chosen.base, models, options).set_in(chosen, progress, touches, ways)
    return made.base, made.heads, made.risks


def ways_of(heads: Sequence[Head]) -> dict[str, Way]:
    """Return by person id how heads were set in: at full size the seam is sought on as small a copy again."""
    return {head.person: head.way for head in heads if head.way is not None}


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
            reasons=(f"noted by hand: {words}", *(known.reasons if known else ())),
        )
    return noted


def _require_known(analysis: Analysis, decisions: Decisions) -> None:
    people = sorted(p.id for p in analysis.people)
    for person in (*decisions.notes, *decisions.masks):
        if person not in people:
            raise OptionError(f"There is no person {person!r} in this burst; there are {', '.join(people)}.")


def _same(a: Choice, b: Choice) -> bool:
    return a.base == b.base and [p.frame for p in a.picks] == [p.frame for p in b.picks]


def _measured(analysis: Analysis, chosen: Choice, risks: Mapping[str, Risk]) -> dict[Swap, float]:
    return {
        (chosen.base, i, pick.frame): risks[pick.person].value
        for i, pick in enumerate(chosen.picks)
        if not pick.from_base
    }


def _worth(analysis: Analysis, chosen: Choice, tried: Mapping[Swap, float], options: Options) -> float:
    """Return what a choice that was made turned out to be worth: scores less the price of its seams."""
    worth = 0.0
    for i, pick in enumerate(chosen.picks):
        score = analysis.scores[pick.person][pick.frame]
        worth += 0.0 if score is None else score.total
        if not pick.from_base:
            worth -= options.choice.swap_cost
            worth -= options.choice.seam_weight * tried[chosen.base, i, pick.frame]
    return worth


class Bench:
    """One base frame, and the heads that have been made for it."""

    def __init__(self, draft: Draft, base: int, models: Models, options: Options) -> None:
        analysis, read = draft.analysis, draft.read
        self._draft = draft
        self._analysis = analysis
        self._index = base
        self._models = models
        self._options = options
        frame = analysis.frames[base]
        self._base = read(frame)
        self._donors = _Donors(analysis, lambda f: in_form_of(read(f), f, frame))
        self._made: dict[tuple[str, int], list[tuple[list[Head], Head]]] = {}
        self._glimpses: dict[int, composite.Glimpse] = {}
        self._silhouettes: dict[int, composite.Silhouettes | None] = {}

    def set_in(
        self,
        chosen: Choice,
        progress: Progress,
        touches: Mapping[str, Touches] | None = None,
        ways: Mapping[str, Way] | None = None,
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
        ways
            How heads are to be set in, by person id; whoever has none, and all if there are none, in the way
            that shows least.
        """
        analysis, options = self._analysis, self._options
        heads: list[Head] = []
        self._laid_from = {k.person: k.frame for k in chosen.picks}
        risks = missing_risks(analysis, chosen, options)
        current = self._base
        swaps = [(p, k) for p, k in zip(analysis.people, chosen.picks, strict=True) if not k.from_base]
        for done, (person, pick) in enumerate(swaps):
            progress("Setting heads in", done, len(swaps))
            head = self._head(person, pick, current, heads, (ways or {}).get(person.id))
            if touches and person.id in touches:
                head, found = self._touched(person, pick, head, current, touches[person.id])
            else:
                found = _risk(self._draft, chosen.base, person, pick, head, options)
            heads.append(head)
            current = composite.lay(current, [head])
            risks[person.id] = found
        progress("Setting heads in", len(swaps), len(swaps))
        return Set(choice=chosen, base=self._base, heads=tuple(heads), risks=risks)

    def _head(
        self, person: Person, pick: Pick, current: Pixels, laid: Sequence[Head], way: Way | None
    ) -> Head:
        """Return a head, made anew only if what lies under its window is not what it was made for."""
        for under, head in self._made.get((person.id, pick.frame), ()):
            if way in (None, head.way) and under == [h for h in laid if _meet(h, head)]:
                return head
        donor = self._donors(pick.frame)
        base_face, donor_face = _faces(person, self._index, pick)
        layer = None
        if self._options.composite.whole_people and (way is None or way.whole):
            layer = self._layer(person, pick, current, laid)
        head = layer or composite.build_head(
            current=current,
            donor=donor,
            base_from_donor=self._analysis.base_from_frame(self._index, pick.frame),
            person=person.id,
            base_face=base_face,
            donor_face=donor_face,
            base_others=others(self._analysis, person, self._index),
            donor_others=others(self._analysis, person, pick.frame),
            models=self._models,
            options=self._options.composite,
            base=self._base,
            spares=[partial(self._spare, f) for f in spare_frames(self._analysis, self._index, person, pick)],
            way=None if way is None or way.whole else way,
        )
        under = [h for h in laid if _meet(h, head)]
        self._made.setdefault((person.id, pick.frame), []).append((under, head))
        return head

    def _layer(self, person: Person, pick: Pick, current: Pixels, laid: Sequence[Head]) -> Head | None:
        """Return a person set in whole, as a layer; None if too little is known for it."""
        people = self._analysis.people
        who = people.index(person)
        base, donor = self._shot(self._index, current), self._shot(pick.frame, self._donors(pick.frame))
        if base is None or donor is None:
            return None
        before = {}
        for head in laid:
            index = next(i for i, p in enumerate(people) if p.id == head.person)
            shot = self._shot(self._laid_from[head.person], self._donors(self._laid_from[head.person]))
            if shot is not None:
                before[index] = shot
        spares = [
            composite.Offer(
                faces=self._faces_in(f),
                base_from_frame=self._analysis.base_from_frame(self._index, f),
                blurred=self._blurred_in(f),
                read=partial(self._spare_shot, f),
            )
            for f, a in enumerate(self._analysis.alignments)
            if f not in (self._index, pick.frame)
            and isinstance(a, Aligned)
            and self._analysis.error_to_base_px(self._index, f) <= SPARE_ERROR_PX
        ]
        layering = composite.Layering(base, donor, spares, who, [p.row for p in people], before)
        return composite.build_layer(layering, person.id, current.dtype)

    def _spare_shot(self, frame: int) -> composite.Shot | None:
        return self._shot(frame, self._donors(frame))

    def _shot(self, frame: int, pixels: Pixels) -> composite.Shot | None:
        """Return a frame with its silhouettes; None if there is nobody, or no frame to tell them by."""
        told = self._silhouettes_of(frame)
        if told is None:
            return None
        return composite.Shot(
            pixels=pixels,
            faces=self._faces_in(frame),
            silhouettes=told,
            base_from_frame=self._analysis.base_from_frame(self._index, frame),
            blurred=self._blurred_in(frame),
        )

    def _blurred_in(self, frame: int) -> frozenset[int]:
        """Return who is much less sharp in a frame than in their sharpest one."""
        found = set()
        for i, person in enumerate(self._analysis.people):
            scores = self._analysis.scores[person.id]
            mine = scores[frame]
            if mine is None or mine.sharpness.value < SHARP_ENOUGH * max(
                s.sharpness.value for s in scores if s is not None
            ):
                found.add(i)
        return frozenset(found)

    def _silhouettes_of(self, frame: int) -> composite.Silhouettes | None:
        if frame not in self._silhouettes:
            others = [
                (self._glimpse(f), self._analysis.base_from_frame(frame, f))
                for f in self._witnesses()
                if f != frame
            ]
            target = self._glimpse(frame)
            enough = bool(target.faces) and len(others) >= FEWEST_WITNESSES
            self._silhouettes[frame] = composite.silhouettes(target, others) if enough else None
        return self._silhouettes[frame]

    def _witnesses(self) -> list[int]:
        """Return the frames by which people are told apart: some, spread over the burst."""
        usable = [f for f, a in enumerate(self._analysis.alignments) if isinstance(a, Aligned)]
        shown = np.linspace(0, len(usable) - 1, min(MOST_WITNESSES, len(usable))).round().astype(int)
        return [usable[i] for i in dict.fromkeys(shown.tolist())]

    def _glimpse(self, frame: int) -> composite.Glimpse:
        if frame not in self._glimpses:
            faces = self._faces_in(frame)
            pixels = self._base if frame == self._index else self._donors(frame)
            widths = [
                f.box[2] - f.box[0] for p in self._analysis.people for f in p.faces if isinstance(f, Face)
            ]
            self._glimpses[frame] = composite.glimpse(pixels, faces, float(np.median(widths)))
        return self._glimpses[frame]

    def _faces_in(self, frame: int) -> dict[int, Face]:
        return {
            i: face for i, p in enumerate(self._analysis.people) if isinstance(face := p.faces[frame], Face)
        }

    def _touched(
        self, person: Person, pick: Pick, head: Head, current: Pixels, touches: Touches
    ) -> tuple[Head, Risk]:
        base_face, _ = _faces(person, self._index, pick)
        face_px = base_face.box[2] - base_face.box[0]
        made = touch(head, touches, current, face_px=face_px, base=self._base)
        found = _risk(self._draft, self._index, person, pick, made, self._options)
        if made is head:
            return head, found
        return made, dataclasses.replace(found, reasons=(*found.reasons, TOUCHED))

    def _spare(self, frame: int) -> tuple[Pixels, Float]:
        return self._donors(frame), self._analysis.base_from_frame(self._index, frame)


def spare_frames(analysis: Analysis, base: int, person: Person, pick: Pick) -> list[int]:
    """Return the third frames that may show what stood behind a person's head in the base, the best first.

    Well aligned ones whose picture reaches there; first those in which heads are farthest from there, and of
    equals the best aligned.

    Parameters
    ----------
    analysis
        What is known.
    base
        Index of the base frame.
    person, pick
        Whose head is set in, and from where.
    """
    face = person.faces[base]
    assert isinstance(face, Face)
    width = face.box[2] - face.box[0]
    corners = np.array([(face.box[i], face.box[j]) for i in (0, 2) for j in (1, 3)], np.float64)
    ranked: list[tuple[float, float, int]] = []
    for frame, aligned in enumerate(analysis.alignments):
        if frame in (base, pick.frame) or not isinstance(aligned, Aligned):
            continue
        error = analysis.error_to_base_px(base, frame)
        base_from_frame = analysis.base_from_frame(base, frame)
        there = imaging.transform(np.asarray(np.linalg.inv(base_from_frame), np.float64), corners)
        inside = (there >= 0).all() and (there < np.array(analysis.frames[frame].size)).all()
        if error > SPARE_ERROR_PX or not inside:
            continue
        gaps = [
            float(
                np.linalg.norm(
                    imaging.transform(base_from_frame, f.landmarks[:, :2]).mean(0) - corners.mean(0)
                )
            )
            for p in analysis.people
            if isinstance(f := p.faces[frame], Face)
        ]
        ranked.append((-min([FAR_FACES, *(g / width for g in gaps)]), error, frame))
    return [frame for _, _, frame in sorted(ranked)[:SPARES_OFFERED]]


def _meet(a: Head, b: Head) -> bool:
    """Return whether the windows of two heads overlap."""
    return all(
        a.offset[k] < b.offset[k] + b.mask.shape[1 - k] and b.offset[k] < a.offset[k] + a.mask.shape[1 - k]
        for k in (0, 1)
    )


def missing_risks(analysis: Analysis, chosen: Choice, options: Options) -> dict[str, Risk]:
    """Return a risk for everybody who was not found in the base, by person id."""
    return {
        p.id: _not_in_base(gap, options)
        for p in analysis.people
        if isinstance(gap := p.faces[chosen.base], Missing)
    }


def in_form_of(pixels: Pixels, frame: Frame, base: Frame) -> Pixels:
    """Return a donor's pixels in the base's profile, depth and, if that is grey, without colour."""
    pixels = photo.converted(pixels, frame, profile=base.profile, bit_depth=base.bit_depth)
    return icc.without_colour(pixels) if base.channels == 1 else pixels


def _not_in_base(gap: Missing, options: Options) -> Risk:
    return Risk(
        value=options.risk.inspect_from,
        flag="inspect",
        reasons=(f"not found in the base frame, so nothing was set in: {gap.reason}",),
    )


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


def others(analysis: Analysis, person: Person, frame: int) -> list[Face]:
    """Return everybody else's faces in a frame, in its pixels."""
    return [face for p in analysis.people if p is not person and isinstance(face := p.faces[frame], Face)]


def _faces(person: Person, base: int, pick: Pick) -> tuple[Face, Face]:
    base_face, donor_face = person.faces[base], person.faces[pick.frame]
    assert isinstance(base_face, Face)
    assert isinstance(donor_face, Face)
    return base_face, donor_face


def _risk(draft: Draft, base: int, person: Person, pick: Pick, head: Head, options: Options) -> Risk:
    base_face, donor_face = _faces(person, base, pick)
    return risk.assess(
        draft.true_seam(head.seam),
        head_turn_deg=faces.turn_deg(donor_face) - faces.turn_deg(base_face),
        align_error_px=draft.analysis.error_to_base_px(base, pick.frame) * draft.shrink,
        options=options.risk,
    )
