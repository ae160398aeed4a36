"""What `seams.py` holds a composite against: windows of the base frame drawn with other people's moments.

People are drawn once and moved as layers, so that a group standing a little elsewhere costs no drawing.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray
from render import burst as drawing
from render import portrait, scene
from render.paint import to_linear, to_srgb
from render.plan import Moment, Place, Plan, Shot

Image = NDArray[np.uint8]
Map = NDArray[np.float32]
Part = tuple[slice, slice]

MOST_STEPS = 4
"""Into how many steps the way from the base's place to the donor's is cut."""


@contextmanager
def drawn_once() -> Iterator[None]:
    """Within, nobody is drawn twice in the same moment before the same camera: frames share most people."""
    draw = drawing._layer
    known: dict[bytes, Any] = {}

    def remembered(*given: Any, **named: Any) -> Any:
        key = pickle.dumps((given, sorted(named.items())))
        if key not in known:
            known[key] = draw(*given, **named)
        return known[key]

    drawing._layer = remembered
    try:
        yield
    finally:
        drawing._layer = draw


class Layer(NamedTuple):
    """One person as seen in the frame."""

    colour: Map
    """(h, w, 3) premultiplied sRGB."""
    alpha: Map
    """(h, w)."""
    corner: tuple[int, int]
    """x, y of its upper left pixel in the frame."""


class Scene:
    """One shot of a plan, of which any window can be had with anybody in another moment or place."""

    def __init__(self, plan: Plan, shot: Shot) -> None:
        self._plan, self._shot = plan, shot
        canvas, canvas_from_scene = drawing._background(plan)
        self._wall: Map = scene.photograph(
            canvas, canvas_from_scene, shot.homography, (plan.width, plan.height), plan.oversample
        )
        # The renderer's own order: the back row first, and in a row the outer ones first.
        self._order = sorted(
            range(len(plan.people)),
            key=lambda i: (plan.places[i].row, -abs(plan.places[i].x - plan.width / 2)),
        )
        self._layers: dict[tuple[int, Moment], Layer] = {}

    def layer(self, person: int, moment: Moment) -> Layer:
        """Return a person in a moment, before this shot's camera."""
        key = (person, moment)
        if key not in self._layers:
            plan = self._plan
            drawn, corner = drawing._layer(
                plan.people[person],
                moment,
                self._shot.homography,
                plan.width,
                plan.height,
                plan.supersample,
            )
            colour, alpha = portrait.smear(drawn, moment.blur, moment.motion, moment.motion_deg)
            self._layers[key] = Layer(colour, alpha, corner)
        return self._layers[key]

    def picture(self, part: Part, cast: Sequence[Moment], stands: Sequence[Place]) -> Image:
        """Return a window of the shot.

        Parameters
        ----------
        part : (slice, slice)
            Rows and columns of the frame.
        cast : sequence of Moment
            Everybody's face, blur and motion.
        stands : sequence of Place
            Where everybody stands; their layers are moved there from the places of `cast`.

        Returns
        -------
        (h, w, 3) uint8
            Exposed like the shot, without grain: it would be averaged out again.
        """
        image = self._wall[part].copy()
        for i in self._order:
            colour, alpha = self._moved(self.layer(i, cast[i]), part, cast[i].place, stands[i])
            image *= 1 - alpha[..., None]
            image += colour
        steps = np.linspace(0, 1, 4096, dtype=np.float32)
        curve = to_srgb(to_linear(steps) * self._shot.gain).astype(np.float32)
        seen = curve[np.clip(np.rint(image * 4095), 0, 4095).astype(np.int32)]
        return np.clip(np.rint(seen * 255), 0, 255).astype(np.uint8)

    def _moved(self, layer: Layer, part: Part, drawn_at: Place, stands_at: Place) -> tuple[Map, Map]:
        grow = stands_at.px_per_cm / drawn_at.px_per_cm
        there = np.array(
            [
                [grow, 0, stands_at.x - grow * drawn_at.x],
                [0, grow, stands_at.y - grow * drawn_at.y],
                [0, 0, 1.0],
            ]
        )
        h = self._shot.homography
        x, y = part[1].start, part[0].start
        window_from_frame = np.array([[1, 0, -x], [0, 1, -y], [0, 0, 1.0]])
        frame_from_layer = np.array([[1, 0, layer.corner[0]], [0, 1, layer.corner[1]], [0, 0, 1.0]])
        m = window_from_frame @ h @ there @ np.linalg.inv(h) @ frame_from_layer
        size = (part[1].stop - x, part[0].stop - y)
        # Cubic weights go a little below nought and above one beside sharp edges.
        colour = cv2.warpPerspective(layer.colour, m, size, flags=cv2.INTER_CUBIC)
        alpha = cv2.warpPerspective(layer.alpha, m, size, flags=cv2.INTER_CUBIC)
        return np.clip(colour, 0, 1), np.clip(alpha, 0, 1)


def between(one: Place, other: Place, share: float) -> Place:
    """Return the place that lies `share` of the way from one to the other."""
    return replace(
        one,
        x=one.x + share * (other.x - one.x),
        y=one.y + share * (other.y - one.y),
        px_per_cm=one.px_per_cm + share * (other.px_per_cm - one.px_per_cm),
    )


class Standing(NamedTuple):
    """A true picture with people standing somewhere."""

    moved_px: float
    """How far from the base's place the person stands."""
    picture: Image


class Truth:
    """What a perfect composite would show."""

    def __init__(self, plan: Plan, base: int, taken: Mapping[int, int]) -> None:
        """Take the base's index and, by person's index, the frame their head comes from."""
        self._plan, self._base, self._taken = plan, plan.shots[base], dict(taken)
        self._scene = Scene(plan, self._base)

    def goal(self, part: Part, person: int, seen: Image, inside: NDArray[np.bool_], most_px: float) -> Place:
        """Return where a composite has put a person's head.

        Usually that is where the base or the donor has it; where nothing but sky tells how the frames lie on
        each other it is a few pixels beside. That is a placement like any other, and no seam.

        Parameters
        ----------
        part
            Rows and columns of the base.
        person
            Whose head it is, index into the plan.
        seen
            (h, w, 3) uint8, the composite there.
        inside
            (h, w) where its mask is full.
        most_px
            How far beside the nearer of the two places it may be; else that place is returned.
        """
        donor = self._plan.shots[self._taken[person]].moments[person].place
        own = self._base.moments[person].place
        cast = self._cast([person])
        stands = [m.place for m in self._base.moments]
        core = inside.astype(np.float32)
        target = _luma(seen)
        best, place = np.inf, donor
        for candidate in (own, donor):
            stands[person] = candidate
            truth = _luma(self._scene.picture(part, cast, stands))
            apart = float(np.abs(truth - target)[inside].mean())
            if apart < best:
                (dx, dy), _ = cv2.phaseCorrelate(
                    (truth - truth[inside].mean()) * core, (target - target[inside].mean()) * core
                )
                near = np.hypot(dx, dy) <= most_px
                best = apart
                place = replace(candidate, x=candidate.x + dx, y=candidate.y + dy) if near else candidate
        return place

    def pictures(self, part: Part, person: int, goal: Place, reach_px: float) -> list[Standing]:
        """Return windows of the true picture that differ in where people stand; the others as in the base.

        That person stands anywhere between where the base has them and where they were put. Everybody else
        stands between where the base and where the donor has them: the patch may show their shoulders too.

        Parameters
        ----------
        part
            Rows and columns of the base.
        person
            Whose head it is, index into the plan.
        goal
            Where the composite has put them.
        reach_px
            That person stands in neighbouring truths at most that far apart.
        """
        donor = self._plan.shots[self._taken[person]].moments
        others = {i: m for i, m in enumerate(donor) if i != person}
        return self._drawn(part, self._cast([person]), person, others, self._own(person, goal, reach_px))

    def among(self, part: Part, person: int, goal: Place, reach_px: float) -> list[Standing]:
        """Return the same with everybody's exchanged heads; what a pixel under another's mask may show."""
        others = {i: self._plan.shots[f].moments[i] for i, f in self._taken.items() if i != person}
        if not others:
            return []
        cast = self._cast([person, *others])
        return self._drawn(part, cast, person, others, self._own(person, goal, reach_px))

    def _own(self, person: int, goal: Place, reach_px: float) -> list[Place]:
        own = self._base.moments[person].place
        steps = int(np.ceil(np.hypot(own.x - goal.x, own.y - goal.y) / reach_px))
        return [between(own, goal, float(s)) for s in np.linspace(0, 1, min(max(steps, 1), MOST_STEPS) + 1)]

    def _cast(self, exchanged: Sequence[int]) -> list[Moment]:
        cast = list(self._base.moments)
        for i in exchanged:
            # Everybody is drawn where the base has them, and moved from there.
            cast[i] = replace(self._plan.shots[self._taken[i]].moments[i], place=self._base.moments[i].place)
        return cast

    def _drawn(
        self,
        part: Part,
        cast: Sequence[Moment],
        person: int,
        others: Mapping[int, Moment],
        own: Sequence[Place],
    ) -> list[Standing]:
        here = [m.place for m in self._base.moments]
        drawn = []
        for theirs in (0.0, 0.5, 1.0) if others else (0.0,):
            stands = [between(h, others[i].place, theirs) if i in others else h for i, h in enumerate(here)]
            for place in own:
                stands[person] = place
                moved = float(np.hypot(place.x - here[person].x, place.y - here[person].y))
                drawn.append(Standing(moved, self._scene.picture(part, cast, stands)))
        return drawn


def _luma(picture: Image) -> Map:
    return np.asarray(cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY), np.float32)
