"""Chooses the base frame and everybody's head together.

For a base, every person's frame is worth its score, less the price of a swap and of the seam it is expected
to show; two people whose heads touch pay once more if their heads come from different frames. The best sum
over everybody is found exactly: alone where heads touch nobody, else as a small mixed-integer programme
(HiGHS through scipy). A base whose most hopeful sum cannot beat the best one found is not solved at all.

After Shah and Kwatra, "All Smiles: automatic photo enhancement by facial expression analysis", CVMP 2012,
who take the base of best total score; here the seams are weighed with it.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Container, Iterable, Mapping, Sequence

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from facemerge.errors import OptionError
from facemerge.options import ChoiceOptions
from facemerge.words import Aligned, Analysis, Choice, Decisions, Face, Float, Missing, Person, Pick

SeamCost = Callable[[int, int, int], float]
"""(base, person's index, frame) -> the risk in [0, 1] that the swap is expected to show."""

# A person who is not in the base cannot be set into it: worse than any face that anybody pulls.
NOT_IN_BASE = 10.0
HEAD_REACH_FACES = 0.35
WORTH_SAYING = 0.02
POOR = 0.5
"""Score below which nobody is told to be at their best."""
ASKED_SHARE = 0.25
"""How much of its weight a seam keeps in a base that was asked for."""


def choose(
    analysis: Analysis,
    seam_cost: SeamCost,
    decisions: Decisions,
    options: ChoiceOptions,
    only: Container[tuple[int, int, int]] | None = None,
) -> Choice:
    """Return the base and the picks of greatest worth that obey the user's decisions.

    Parameters
    ----------
    analysis
        All that is known of the burst.
    seam_cost
        The forecast of the seam for a base, a person (index into `analysis.people`) and a frame.
    decisions
        What the user forces, forbids and keeps.
    options
        The price of a swap and of a seam.
    only
        The swaps that may be made, (base, person's index, frame) each; None: any.

    Raises
    ------
    OptionError
        If a decision names a frame or a person that does not exist, or cannot be obeyed.
    """
    wanted = _understood(analysis, decisions)
    aligned = [f for f, a in enumerate(analysis.alignments) if isinstance(a, Aligned)]
    if wanted.base is not None:
        bases = [wanted.base]
    else:
        bases = [f for f in aligned if all(analysis.place(i, f) for i in wanted.force)]
    best: tuple[float, _Plan, list[int]] | None = None
    # Forecasts of seams are asked for last: with every frame as the base they are frames squared in number.
    # A plan comes up by its hope first, then by its bound.
    plans = [_Plan(analysis, base, seam_cost, wanted, options, only) for base in bases]
    waiting = [(-p.hope, False, p.base, p) for p in plans]
    heapq.heapify(waiting)
    while waiting:
        most, reckoned, _, plan = heapq.heappop(waiting)
        if best is not None and -most <= best[0] + 1e-9:
            break
        if not reckoned:
            plan.reckon()
            heapq.heappush(waiting, (-plan.bound, True, plan.base, plan))
            continue
        worth, frames = plan.solve()
        if best is None or worth > best[0] + 1e-9:
            best = (worth, plan, frames)
    if best is None:
        raise OptionError("No frame could serve as the base: nobody who is to be set in is found in one.")
    _, plan, frames = best
    picks = tuple(plan.pick(i, f) for i, f in enumerate(frames))
    return Choice(base=plan.base, picks=picks, why=_why_base(analysis, plan.base, picks, wanted))


def seam_weight(options: ChoiceOptions, *, base_asked: bool) -> float:
    """Return what a seam that is surely found counts against a better face.

    Whoever asks for a base wants the best heads in it as well as it goes; the program's own choice rather
    leaves a head as it is than delivers one that is found.
    """
    return options.seam_weight * (ASKED_SHARE if base_asked else 1.0)


def seam_price(risk: float, weight: float) -> float:
    """Return what a seam of some risk counts against a better face.

    The square: a face that somebody has to look at is better than a bad one, one that is surely found is not.
    """
    return weight * risk * risk


def value(score: float) -> float:
    """Return what a score is worth when faces are weighed against each other and against seams.

    A score is a product of parts, so a blink of somebody who is soft or looks away scores 0.01 and their open
    eyes 0.09: not a small gain but all there is to gain. The square root lets it count as such, and two good
    faces differ by less than they did.
    """
    return float(np.sqrt(score)) if score > 0 else score


class _Wanted:
    """The user's decisions in indices."""

    def __init__(self) -> None:
        self.base: int | None = None
        self.base_stays = False
        self.force: dict[int, int] = {}
        self.keep: set[int] = set()
        self.forbid: set[tuple[int, int]] = set()
        self.stay: dict[int, int] = {}


def _understood(analysis: Analysis, decisions: Decisions) -> _Wanted:
    frames = {f.name: i for i, f in enumerate(analysis.frames)}
    people = {p.id: i for i, p in enumerate(analysis.people)}
    wanted = _Wanted()
    stays = decisions.stays
    if stays is not None and decisions.base not in (None, stays.base):
        # Said of a picture with another base.
        stays = None
    wanted.base_stays = decisions.base is None and stays is not None
    base = decisions.base if stays is None else stays.base
    if base is not None:
        wanted.base = _known(base, frames, "frame")
        if not isinstance(analysis.alignments[wanted.base], Aligned):
            raise OptionError(f"{base} cannot be the base: it could not be aligned with the others.")
    wanted.keep = {_known(p, people, "person") for p in decisions.keep}
    for person, name in decisions.forbid:
        frame = _known(name, frames, "frame")
        who = range(len(people)) if person == "*" else [_known(person, people, "person")]
        wanted.forbid |= {(i, frame) for i in who}
    for person, name in decisions.force.items():
        i, frame = _known(person, people, "person"), _known(name, frames, "frame")
        if not _can_give(analysis, i, frame):
            raise OptionError(f"{name} cannot give {person}'s head: {_why_not(analysis, i, frame)}.")
        if i in wanted.keep:
            raise OptionError(f"{person} cannot both stay as in the base and come from {name}.")
        if (i, frame) in wanted.forbid:
            raise OptionError(f"{name} is both demanded and ruled out for {person}.")
        if wanted.base is not None and analysis.place(i, wanted.base) is None:
            raise OptionError(
                f"{person} is not to be found in the base {analysis.frames[wanted.base].name}, nor is "
                f"it known where they stand in it, so no head can be set in."
            )
        wanted.force[i] = frame
    for person, name in stays.picks.items() if stays is not None else ():
        i, frame = _known(person, people, "person"), _known(name, frames, "frame")
        said = i in wanted.keep or i in wanted.force or (i, frame) in wanted.forbid
        if not said and (frame == wanted.base or _can_give(analysis, i, frame)):
            wanted.stay[i] = frame
    return wanted


def _known(name: str, known: Mapping[str, int], kind: str) -> int:
    if name not in known:
        raise OptionError(f"There is no {kind} {name!r} in this burst; there are {', '.join(sorted(known))}.")
    return known[name]


def _can_give(analysis: Analysis, person: int, frame: int) -> bool:
    return isinstance(analysis.alignments[frame], Aligned) and isinstance(
        analysis.people[person].faces[frame], Face
    )


def _why_not(analysis: Analysis, person: int, frame: int) -> str:
    match analysis.people[person].faces[frame]:
        case Missing(reason=reason):
            return reason
        case _:
            return "the frame could not be aligned"


class _Plan:
    """All that a choice with one base is worth."""

    def __init__(
        self,
        analysis: Analysis,
        base: int,
        seam_cost: SeamCost,
        wanted: _Wanted,
        options: ChoiceOptions,
        only: Container[tuple[int, int, int]] | None,
    ) -> None:
        self.analysis = analysis
        self.base = base
        self.wanted = wanted
        self.options = options
        asked = wanted.base is not None and not wanted.base_stays
        self.weight = seam_weight(options, base_asked=asked)
        self.seam_cost = seam_cost
        shape = (len(analysis.people), len(analysis.frames))
        self.cost = np.zeros(shape)
        self.worth = np.full(shape, -np.inf)
        self.hoped = np.full(shape, -np.inf)
        """What each pick would be worth if its seam showed nothing."""
        for i in range(shape[0]):
            for f in self._allowed(i):
                if f != base and only is not None and (base, i, f) not in only:
                    continue
                self.hoped[i, f] = self._value(i, f) - (0.0 if f == base else options.swap_cost)
        self.pair_costs: dict[tuple[int, int], float] = {}
        self.hope = float(self.hoped.max(axis=1).sum()) if shape[0] else 0.0
        self.bound = self.hope

    def reckon(self) -> None:
        """Price the seams, of those picks alone that could be part of the best choice with this base."""
        touching = _touching(self.analysis.people, self.base)
        self.pair_costs = {pair: self.options.neighbour_cost * share for pair, share in touching.items()}
        for i, hoped in enumerate(self.hoped):
            most = sum(w for pair, w in self.pair_costs.items() if i in pair)
            for f in (int(f) for f in np.argsort(-hoped, kind="stable")):
                if hoped[f] < self.worth[i].max() - most - 1e-9 or hoped[f] == -np.inf:
                    break
                self.cost[i, f] = 0.0 if f == self.base else self._price(i, f)
                self.worth[i, f] = self._value(i, f) - self.cost[i, f]
        self.bound = float(self.worth.max(axis=1).sum()) if len(self.worth) else 0.0

    def _allowed(self, person: int) -> list[int]:
        """Return the frames a person's head may come from; the base stands in where nothing else may."""
        if person in self.wanted.keep or self.analysis.place(person, self.base) is None:
            return [self.base]
        if person in self.wanted.force:
            return [self.wanted.force[person]]
        if person in self.wanted.stay:
            return [self.wanted.stay[person]]
        frames = [
            f
            for f in range(len(self.analysis.frames))
            if (_can_give(self.analysis, person, f) or f == self.base)
            and (person, f) not in self.wanted.forbid
        ]
        return frames or [self.base]

    def _score(self, person: int, frame: int) -> float:
        score = self.analysis.scores[self.analysis.people[person].id][frame]
        return score.total if score is not None else 0.0

    def _value(self, person: int, frame: int) -> float:
        # Whoever is set in where they were not found is better than nobody, but another base is better still.
        lost = isinstance(self.analysis.people[person].faces[self.base], Missing)
        return value(self._score(person, frame)) - (NOT_IN_BASE if lost else 0.0)

    def _price(self, person: int, frame: int) -> float:
        return self.options.swap_cost + seam_price(self.seam_cost(self.base, person, frame), self.weight)

    def solve(self) -> tuple[float, list[int]]:
        """Return the greatest worth and each person's frame for it."""
        frames = [int(f) for f in self.worth.argmax(axis=1)]
        for group in _groups(len(frames), self.pair_costs):
            if len(group) > 1:
                for i, f in zip(group, self._solve_group(group), strict=True):
                    frames[i] = f
        return self.value(frames), frames

    def value(self, frames: Sequence[int]) -> float:
        """Return what a full set of picks is worth."""
        own = sum(float(self.worth[i, f]) for i, f in enumerate(frames))
        return own - sum(w for (i, k), w in self.pair_costs.items() if frames[i] != frames[k])

    def _solve_group(self, group: Sequence[int]) -> list[int]:
        """Return the exact best frames of people whose heads touch (Potts costs, one programme)."""
        costs = {p: w for p, w in self.pair_costs.items() if p[0] in group}
        choices = [(i, f) for i in group for f in self._in_reach(i, costs)]
        column = {c: n for n, c in enumerate(choices)}
        pairs = list(costs)
        objective = np.concatenate([[-self.worth[c] for c in choices], [costs[p] for p in pairs]])
        rows: list[tuple[dict[int, float], float, float]] = []
        for i in group:
            rows.append(({n: 1.0 for (k, _), n in column.items() if k == i}, 1.0, 1.0))
        for n, (i, k) in enumerate(pairs, len(choices)):
            # x_i,f - x_k,f <= d: d is 1 as soon as the two differ.
            for f in sorted({f for j, f in choices if j in (i, k)}):
                mine, theirs = column.get((i, f)), column.get((k, f))
                row = {n: -1.0}
                if mine is not None:
                    row[mine] = 1.0
                if theirs is not None:
                    row[theirs] = -1.0
                rows.append((row, -np.inf, 0.0))
        matrix = coo_array(
            (
                [v for row, _, _ in rows for v in row.values()],
                (
                    [r for r, (row, _, _) in enumerate(rows) for _ in row],
                    [c for row, _, _ in rows for c in row],
                ),
            ),
            shape=(len(rows), len(objective)),
        )
        result = milp(
            objective,
            integrality=np.concatenate([np.ones(len(choices)), np.zeros(len(pairs))]),
            bounds=Bounds(0, 1),
            constraints=LinearConstraint(matrix.tocsr(), [r[1] for r in rows], [r[2] for r in rows]),
            options={"mip_rel_gap": 0.0},
        )
        taken = {i: f for (i, f), n in column.items() if result.x[n] > 0.5}
        return [taken[i] for i in group]

    def _in_reach(self, person: int, costs: Mapping[tuple[int, int], float]) -> list[int]:
        """Return the frames that no sum of neighbours' costs could rule out."""
        most = sum(w for pair, w in costs.items() if person in pair)
        row = self.worth[person]
        return [int(f) for f in np.flatnonzero(row >= row.max() - most - 1e-12)]

    def pick(self, person: int, frame: int) -> Pick:
        """Return a person's pick with its reason."""
        who = self.analysis.people[person]
        from_base = frame == self.base
        gain = 0.0 if from_base else self._score(person, frame) - self._score(person, self.base)
        left = self._left(person, frame)
        return Pick(
            person=who.id,
            frame=frame,
            from_base=from_base,
            gain=float(np.clip(gain, -1, 1)),
            cost=float(self.cost[person, frame]),
            why=self._why(person, frame, gain, left),
            left=left,
        )

    def _left(self, person: int, frame: int) -> int | None:
        """Return the frame that somebody left as in the base would be taken from, were the base asked for."""
        said = person in self.wanted.keep or person in self.wanted.stay
        if frame != self.base or said or self.analysis.place(person, frame) is None:
            return None
        best, gains = self._best(person, frame)
        if best == frame or gains <= self.options.swap_cost:
            return None
        weight = seam_weight(self.options, base_asked=True)
        price = self.options.swap_cost + seam_price(self.seam_cost(self.base, person, best), weight)
        return best if gains > price else None

    def _best(self, person: int, frame: int) -> tuple[int, float]:
        """Return the frame that may and shows somebody best, and how much more it is worth than another."""
        best = max(self._allowed(person), key=lambda f: self._score(person, f))
        return best, self._value(person, best) - self._value(person, frame)

    def _why(self, person: int, frame: int, gain: float, left: int | None) -> str:
        who = self.analysis.people[person]
        lost = isinstance(who.faces[self.base], Missing)
        if lost and self.analysis.place(person, self.base) is None:
            return "Not found in the base frame, so nothing could be set in."
        if person in self.wanted.keep:
            return "Left as in the base frame, as you asked."
        if person in self.wanted.force:
            return "Taken from this frame, as you asked."
        fault = "no face was found" if lost else self._fault(person, self.base)
        better = f"Better by {gain:.2f} than in the base frame{f' ({fault})' if fault else ''}."
        if person in self.wanted.stay:
            seen = "As in the picture you have looked at."
            return seen if frame == self.base or gain < WORTH_SAYING else f"{seen} {better}"
        if frame == self.base:
            if self._allowed(person) == [frame]:
                return "Every other frame was ruled out, as you asked, or does not show this person."
            _, more = self._best(person, frame)
            if left is not None:
                scored = self._score(person, left) - self._score(person, frame)
                scores = f"{self.analysis.frames[left].name} scores {scored:.2f} more"
                return f"Left as in the base frame: {scores}, but setting that in would be seen."
            if more <= self.options.swap_cost:
                if fault and self._score(person, frame) < POOR:
                    return f"No frame shows them much better than the base frame ({fault})."
                return "Already at their best in the base frame."
            return "No other frame gains enough to be worth a seam."
        return better + self._passed_over(person, frame)

    def _passed_over(self, person: int, frame: int) -> str:
        """Return what to say of a better face that was left for the sake of the seam, or nothing."""
        best, _ = self._best(person, frame)
        more = self._score(person, best) - self._score(person, frame)
        if more < WORTH_SAYING or self.cost[person, best] <= self.cost[person, frame]:
            return ""
        return f" {self.analysis.frames[best].name} scores {more:.2f} more, but its seam would show sooner."

    def _fault(self, person: int, frame: int) -> str:
        """Return what is said against a face: the reason of the part that costs it most."""
        score = self.analysis.scores[self.analysis.people[person].id][frame]
        if score is None:
            return ""
        costs = {
            name: score.factors.get(name, 1.0) for name, part in score.parts.items() if part.value is not None
        }
        return score.parts[min(costs, key=lambda name: costs[name])].reason if costs else ""


def _why_base(analysis: Analysis, base: int, picks: Sequence[Pick], wanted: _Wanted) -> str:
    name = analysis.frames[base].name
    if wanted.base is not None:
        asked = "in the picture you have looked at" if wanted.base_stays else "you asked"
        return f"{name} is the base, as {asked}."
    good = sum(p.from_base for p in picks)
    if good == len(picks):
        return f"{name} is the base: nobody gains enough in another frame to be worth a seam."
    return (
        f"{name} is the base: {good} of {len(picks)} people stay as they are in it, "
        "and the others' best heads cost least to set in."
    )


def _touching(people: Sequence[Person], base: int) -> dict[tuple[int, int], float]:
    """Return the pairs whose heads meet in the base, with the overlap as a share in (0, 1] of the smaller."""
    boxes: dict[int, Float] = {}
    for i, person in enumerate(people):
        face = person.faces[base]
        if isinstance(face, Face):
            x0, y0, x1, y1 = face.box
            reach = HEAD_REACH_FACES * (x1 - x0)
            boxes[i] = np.array([x0 - reach, y0 - 1.5 * reach, x1 + reach, y1 + reach])
    found = {}
    for i in boxes:
        for k in boxes:
            if i < k:
                low, high = np.maximum(boxes[i][:2], boxes[k][:2]), np.minimum(boxes[i][2:], boxes[k][2:])
                both = float(np.prod(np.maximum(0.0, high - low)))
                least = min(float(np.prod(b[2:] - b[:2])) for b in (boxes[i], boxes[k]))
                if both > 0:
                    found[i, k] = both / least
    return found


def _groups(count: int, pairs: Iterable[tuple[int, int]]) -> list[list[int]]:
    """Return the people joined by touching heads, group by group."""
    label = list(range(count))
    for i, k in sorted(pairs):
        old, new = label[k], label[i]
        label = [new if x == old else x for x in label]
    return [[i for i in range(count) if label[i] == g] for g in sorted(set(label))]
