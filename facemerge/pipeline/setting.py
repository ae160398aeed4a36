"""Chooses heads and sets them in."""

from __future__ import annotations

from collections import OrderedDict

from facemerge import choice, composite, faces, risk
from facemerge.formats import icc, photo
from facemerge.models import Models
from facemerge.options import Options
from facemerge.pipeline.look import Album, Read
from facemerge.pipeline.progress import Progress, no_progress
from facemerge.words import (
    Analysis,
    Choice,
    Decisions,
    Face,
    Frame,
    Head,
    Missing,
    Person,
    Pick,
    Pixels,
    Risk,
)

DONORS_KEPT = 3


def choose(analysis: Analysis, album: Album, decisions: Decisions, options: Options) -> Choice:
    """Return the base and everybody's pick, weighing scores against the seams they are expected to show.

    Raises
    ------
    OptionError
        If a decision names what does not exist or cannot be obeyed.
    """

    def seam_cost(base: int, person: int, frame: int) -> float:
        who = analysis.people[person].id
        mine, theirs = album.patches.get((who, base)), album.patches.get((who, frame))
        return 1.0 if mine is None or theirs is None else composite.forecast(mine, theirs)

    return choice.choose(analysis, seam_cost, decisions, options.choice)


def set_in(
    analysis: Analysis,
    chosen: Choice,
    read: Read,
    models: Models,
    options: Options,
    progress: Progress = no_progress,
) -> tuple[Pixels, tuple[Head, ...], dict[str, Risk]]:
    """Return the base's pixels, the heads to lay over it (back row first) and the risks by person id.

    A person who was not found in the base has a risk of their own: somebody must look.

    Parameters
    ----------
    analysis, chosen
        What is known, and what is to be set into what.
    read
        Gives a frame's pixels as its file has them; donors are converted to the base's profile and depth.
    models, options, progress
        The networks, the settings, and who is told how far it is.

    Raises
    ------
    InputError
        If a frame can no longer be read.
    """
    frame = analysis.frames[chosen.base]
    base = read(frame)
    donors = _Donors(analysis, lambda f: _in_form_of(read(f), f, frame))
    heads: list[Head] = []
    risks = missing_risks(analysis, chosen, options)
    current = base
    swaps = [(p, k) for p, k in zip(analysis.people, chosen.picks, strict=True) if not k.from_base]
    for done, (person, pick) in enumerate(swaps):
        progress("Setting heads in", done, len(swaps))
        head = _head(analysis, chosen.base, person, pick, base, current, donors(pick.frame), models, options)
        heads.append(head)
        current = composite.lay(current, [head])
        risks[person.id] = _risk(analysis, chosen.base, person, pick, head, options)
    progress("Setting heads in", len(swaps), len(swaps))
    return base, tuple(heads), risks


def missing_risks(analysis: Analysis, chosen: Choice, options: Options) -> dict[str, Risk]:
    """Return a risk for everybody who was not found in the base, by person id."""
    return {
        p.id: _not_in_base(gap, options)
        for p in analysis.people
        if isinstance(gap := p.faces[chosen.base], Missing)
    }


def _in_form_of(pixels: Pixels, frame: Frame, base: Frame) -> Pixels:
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


def _others(analysis: Analysis, person: Person, frame: int) -> list[Face]:
    return [face for p in analysis.people if p is not person and isinstance(face := p.faces[frame], Face)]


def _head(
    analysis: Analysis,
    base: int,
    person: Person,
    pick: Pick,
    untouched: Pixels,
    current: Pixels,
    donor: Pixels,
    models: Models,
    options: Options,
) -> Head:
    base_face, donor_face = person.faces[base], person.faces[pick.frame]
    assert isinstance(base_face, Face)
    assert isinstance(donor_face, Face)
    return composite.build_head(
        current=current,
        donor=donor,
        base_from_donor=analysis.base_from_frame(base, pick.frame),
        person=person.id,
        base_face=base_face,
        donor_face=donor_face,
        base_others=_others(analysis, person, base),
        donor_others=_others(analysis, person, pick.frame),
        models=models,
        options=options.composite,
        base=untouched,
    )


def _risk(analysis: Analysis, base: int, person: Person, pick: Pick, head: Head, options: Options) -> Risk:
    base_face, donor_face = person.faces[base], person.faces[pick.frame]
    assert isinstance(base_face, Face)
    assert isinstance(donor_face, Face)
    return risk.assess(
        head.seam,
        head_turn_deg=faces.turn_deg(donor_face) - faces.turn_deg(base_face),
        align_error_px=analysis.error_to_base_px(base, pick.frame),
        options=options.risk,
    )
