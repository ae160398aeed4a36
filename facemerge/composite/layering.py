"""Sets a whole person in as a layer, where they stood in the donor's frame.

A person is not cut out and moved. Both frames show one scene, so the donor's part of it, the person and
what is about them, is laid over the base where it belongs; the border runs through what both frames show
alike (Agarwala et al., "Interactive Digital Photomontage", SIGGRAPH 2004), and hardly any hair is cut from
what stands behind it. Nothing is bent. Everybody else keeps the base's pixels, or those
they were given before: who stands in front with their own outline (Porter and Duff, "Compositing Digital
Images", SIGGRAPH 1984, 'over', from memory). What the donor does not show, since somebody else stands before
it there, comes from a frame that does: the person's own body, moved as a whole; whoever stands behind; the
bare background.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import imaging
from facemerge.composite import cut, outline, place, tone
from facemerge.composite.silhouettes import Silhouettes
from facemerge.window import work_scale, work_size
from facemerge.words import Array, Face, Float

Map = NDArray[np.float32]

MARGIN_FACES, REACH_FACES = 0.6, 5.0
"""How far a layer's window reaches beyond the person, and at most from the face."""
SURE_SHARE, BAND_FACES, DOUBT_WEIGHT = 0.8, 0.03, 0.01
"""From which share on a pixel is sure; how far from a doubtful one it is not; what a doubtful one weighs."""
SPREAD, EDGE_STEPS, FIRMNESS = 20.0, 10.0, 3
"""How far what is sure spreads, the 8-bit step that is an edge, and the power that shares are taken to."""
ROUNDED_PX = 1.5
OUTLINE_FACES, RIM_FACES, BLURRED_RIM_FACES = 0.015, 0.025, 0.09
"""Radius within which an outline is drawn to the picture's edges, the rim taken with somebody, and with
somebody who is blurred."""
HALO_FACES, FADE_FACES = 0.1, 0.08
"""How far the donor's surroundings are taken along, and how softly they end."""
GROWN_FACES, GROWN_DELTA_E = 0.35, 6.0
"""How much farther at most where base and donor differ, and by how much."""
LOW_SHARE, HIGH_SHARE = 0.15, 0.85
"""Shares that a drawn outline makes 0 and 1."""
KEPT_SHARES = 0.15, 0.6
"""The same for whoever stands in front: a line of old cloth beside them shows less than a cut into them."""
EDGE_STEP = 0.01
"""Step, of full scale, from which the drawn outline follows an edge."""
JOIN_FACES, LEFTOVER_FACES, LEFTOVER_DELTA_E = 0.05, 0.07, 7.0
"""How far beyond what has to be filled the filling may reach, how far about whoever stands before the person
a difference is still theirs, and what difference."""
ALIKE_FACES, ALIKE_DELTA_E, ALIKE_MOST, ALIKE_LEAST = 0.1, 3.0, 15.0, 0.05
"""How far about a gap base and donor are compared, the mean difference up to which a body has not moved, the
most that a pixel's counts, and the share of what lies about that has to be the person's in both."""
SOURCE_RIM_FACES = 0.05
"""How near to whoever stands before somebody their body is not taken from a further frame."""
BARE_SHARE, LIKELY_SHARE = 0.98, 0.5
PART_FACES, PART_REACH_FACES = 0.03, 2.2
"""Smaller parts of a silhouette, in squared face widths, or such as lie farther off, are doubts."""
CUT_FACES, SOFT_FACES = 0.05, (0.01, 0.06)
"""How far the border may move, and how soft it is where both sides differ and where they agree."""
STILL_FACES, MEETING_FACES, HARDLY_UNLIKE, SURELY_BEFORE = 0.05, 0.12, 0.06, 1.6
"""By how much less somebody has not moved, how near two people meet, the share of it by which outlines
differ that says nothing, and how much more one outline differs than the other if it is clear who stands
before whom."""
BELOW_CHIN_FACES = 0.07
"""How far below the chin the head is taken in any case."""
OUTLINE_PX, OUTLINE_COST = 3, 6.0
"""Working pixels beside whoever stands in front in which a border hides, and what it costs there all the
same. Outlines are not known so well, and plain cloth that both frames show alike hides one better."""
NEAR_FACES = 0.04, 0.08
"""How far about a person others behind them may come from the donor too; and about one who is blurred."""
BLURRED_FACES = 1.7
"""How far from the face somebody who is blurred in the base is taken in any case."""
SPECK_FACES = 0.012
"""Smaller pieces, in squared face widths, are errors of outlines."""
TONE_MOVED, TONE_NEAR_FACES, TONE_USUAL = 0.05, 0.12, 0.02
"""By how much a moved body's tone, encoded, may be matched to the new one's, from how far about, and what the
usual ratio weighs beside those that lie near."""
AGREEING_FACES = 0.1
"""By how much what two frames tell of somebody may lie apart."""
FRAMES_ASKED, PROMISE_SHRINK = 3, 6
"""How many further frames are asked for what the donor does not show, and how coarsely it is foreseen."""
FEWEST_PX = 12
WORST_FIT = 0.04
"""A body of which half the pixels differ by more, of full scale, does not lie where it should."""
ABOUT_FACES, FEWEST_BODY_FACES = 0.6, 0.05
"""How far about the pixels in question a body's place is measured; less of it than the other, in squared face
widths, says nothing."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sight:
    """Who is where in a frame."""

    faces: Mapping[int, Face]
    """Person's index -> face in the frame's pixels."""
    base_from_frame: Float
    """(3, 3), full-resolution pixels."""
    blurred: frozenset[int] = frozenset()
    """Who is blurred or moved in it."""

    def points(self, who: int) -> Float:
        """Return (478, 2) where somebody's landmarks lie in the base's pixels."""
        return imaging.transform(self.base_from_frame, self.faces[who].landmarks[:, :2])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shot(Sight):
    """One frame with everybody's silhouette."""

    pixels: Array
    """(H, W, 3) uint8 or uint16."""
    silhouettes: Silhouettes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Offer(Sight):
    """A further frame that may be asked for what the donor does not show."""

    read: Callable[[], Shot | None]
    """Gives the frame; None if its silhouettes cannot be told."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """A whole person, laid."""

    offset: tuple[int, int]
    """x, y of the window in the base."""
    below: Map
    """(h, w, 3) the base before, encoded in [0, 1]."""
    shown: Map
    """(h, w, 3) the base after; outside `mask` the same."""
    donor: Map
    """(h, w, 3) the donor as placed and toned."""
    reached: NDArray[np.bool_]
    """(h, w) where the donor's frame reaches."""
    mask: Map
    """(h, w) in [0, 1]: soft, and more than 0 wherever anything has changed."""
    gain: tuple[float, float, float]
    """Factors on the donor's linear light, R, G, B, in the middle."""
    tone_delta_e: float
    """By how much the background's colour differed before it was matched, CIELAB."""
    filled: float
    """Share of what is shown that comes from further frames."""
    old_left: float
    """Area of the old self that still shows beside the new one, since no frame shows what stood behind; as a
    share of the old head's."""
    new_hidden: float
    """Share of the new head that is covered by whoever stands before it in the base."""


@dataclass(slots=True, eq=False)
class _Filling:
    """What is to be seen where the donor does not show it."""

    pixels: Map
    known: NDArray[np.bool_]
    _likely: Map | None = None

    def add(self, pixels: Map, share: Map, where: NDArray[np.bool_]) -> None:
        """Add what is surely shown, and remember what is likely shown.

        `share` is (h, w), how much of a pixel is whom it is to show.
        """
        if self._likely is None:
            self._likely = np.full(self.known.shape, LIKELY_SHARE, np.float32)
        sure = where & ~self.known & (share > BARE_SHARE)
        likely = where & ~self.known & ~sure & (share > self._likely)
        self._likely[likely] = share[likely]
        self.pixels[sure | likely] = pixels[sure | likely]
        self.known |= sure

    def close(self, wanted: NDArray[np.bool_]) -> None:
        """Take what is likely shown where nothing is sure: gaps would lie along soft outlines."""
        if self._likely is not None:
            self.known |= wanted & (self._likely > LIKELY_SHARE)


@dataclass(frozen=True, slots=True, eq=False)
class _Scene:
    """Base and donor in one window, and who is where in them."""

    below: Map
    placed: Map
    old: Map
    new: Map
    bare: Map
    """(h, w) in [0, 1]: where the base shows the background."""

    def part(self, rows: slice, columns: slice) -> _Scene:
        return _Scene(*(getattr(self, f.name)[rows, columns] for f in fields(self)))


class Layering:
    """One person, one base, one donor."""

    def __init__(
        self,
        base: Shot,
        donor: Shot,
        others: Sequence[Offer],
        who: int,
        rows: Sequence[int],
        laid: Mapping[int, Shot] | None = None,
        area: tuple[int, int, int, int] | None = None,
    ) -> None:
        """Take what is laid on what.

        Parameters
        ----------
        base
            The base, with the heads laid so far; its silhouettes are those of the untouched frame.
        donor
            The frame that the person comes from.
        others
            Further frames; those that promise to show most of what the donor does not are read.
        who
            The person's index.
        rows
            Everybody's row, 0 = back. Whoever stands in a row before, or in the same one, keeps their outline
            where they meet the person.
        laid
            The frames of those who were set in before, by person's index.
        area
            x0, y0, x1, y1 in the base beyond which nothing is to change; None: told by the outlines.
        """
        self._area = area
        self._base, self._donor, self._others = base, donor, others
        self._who, self._laid = who, laid or {}
        others_seen = sorted({*base.silhouettes.people, *donor.silhouettes.people} - {who})
        self._front = [i for i in others_seen if rows[i] > rows[who]]
        self._behind = [i for i in others_seen if rows[i] < rows[who]]
        self._beside = [i for i in others_seen if rows[i] == rows[who]]
        self._uncovered = [*self._behind, *self._beside]
        self._copies: dict[int, tuple[Map, Float]] = {}
        self._exposures: dict[int, Map] = {}
        self.face_px = float(base.faces[who].box[2] - base.faces[who].box[0])
        self._old, self._new = (_parts(shot, who, self.face_px) for shot in (base, donor))

    def lay(self) -> Layer:
        """Return the person laid over the base."""
        base, donor, who = self._base, self._donor, self._who
        here = _Window(*self._window())
        rim = max(2, round(RIM_FACES * self.face_px))
        below = here.cut(base.pixels)
        self._order_neighbours(here, below)
        old_share = here.share(self._old, base, np.eye(3))
        front_share, behind_share = self._now(here, self._front), self._now(here, self._behind)
        bare_base = 1 - np.clip(old_share + front_share + behind_share, 0, 1)
        new_share = here.share(self._new, donor, donor.base_from_frame)
        before_share = here.share(donor.silhouettes.of(self._front), donor, donor.base_from_frame)
        before_share = before_share * self._in_base_too(here)
        beyond_share = here.share(donor.silhouettes.of(self._behind), donor, donor.base_from_frame)
        others_share = np.clip(before_share + beyond_share, 0, 1)
        new_share = np.clip(new_share, 0, 1 - others_share)
        bare_donor = np.clip(1 - new_share - others_share, 0, 1)
        placed, reached = here.place(donor.pixels, donor.base_from_frame)
        both = (bare_base > 0.9) & (bare_donor > 0.9) & reached
        toned = cut.mean_difference(below, placed, both)
        gain = tone.gain_field(below, placed, both)
        placed = tone.apply_gain(placed, gain)

        old, front, behind, _ = _drawn([old_share, front_share, behind_share, bare_base], below, self.face_px)
        new, before, beyond, _ = _drawn(
            [new_share, before_share, beyond_share, bare_donor], placed, self.face_px
        )
        keep = _firm(front, *KEPT_SHARES)
        old, behind, new, before, beyond = (_firm(s) for s in (old, behind, new, before, beyond))
        keep = np.maximum(keep, here.rim(max(2, round(0.03 * self.face_px))))
        # The rim of whoever stands before the person is not the person's: it would lie there as a line.
        speck = SPECK_FACES * self.face_px**2
        covers = _without_specks(before > 0.1, speck)
        hidden = _grown(covers, rim + 1) | ~reached
        soft = donor.silhouettes.of([i for i in self._front if i in donor.blurred])
        blurs = _grown(
            covers & (here.share(soft, donor, donor.base_from_frame) > 0.5),
            round(BLURRED_RIM_FACES * self.face_px),
        )
        # What stands behind the person and close by may come along: hair is not to be cut from it.
        near_faces = NEAR_FACES[who in base.blurred]
        core = (np.maximum(old, new) > 0.5).astype(np.uint8)
        away = cv2.distanceTransform(1 - core, cv2.DIST_L2, 5) / self.face_px
        far = np.clip((away - near_faces) / 0.02, 0, 1)
        elsewhere = _without_specks(beyond > 0.1, speck)
        zone = self._zone(below, placed, old, new, (bare_base > 0.5) & (bare_donor > 0.5))
        about_old = _grown(old > 0.05, rim) & (keep < 0.98)
        wanted = about_old & (hidden | elsewhere)
        if who not in base.blurred:
            alike = self._alike_about((old > 0.5) & (new > 0.5) & ~hidden, below, placed)
            wanted &= ~(alike & (old > 0.5))
        # Where exactly the filling ends is up to what meets there.
        welcome = about_old & (wanted | _grown(hidden & wanted, round(JOIN_FACES * self.face_px)) | blurs)
        filling = self._filled_about(here, _Scene(below, placed, old, new, bare_base), welcome, rim)
        # Beside whoever stands before the person, what differs from the person's own is a rim of theirs.
        theirs = filling.known & welcome & _grown(covers, round(LEFTOVER_FACES * self.face_px))
        theirs &= _differ(placed, filling.pixels, self.face_px) > LEFTOVER_DELTA_E
        joined = self._border(
            placed,
            filling.pixels,
            (wanted & filling.known) | theirs,
            ~(welcome & filling.known),
            (keep > 0.5) | ~about_old,
        )
        # A soft edge shows a little of what lies beyond the filling.
        beyond_it = np.where(filling.known[..., None], filling.pixels, placed)
        whole = _laid_over(placed, np.asarray(beyond_it, np.float32), joined * _soft(filling.known, 1.0))
        # What only lies near somebody who stands before the person is better theirs than the base's.
        unknown = (hidden & (covers | (new < 0.5) | ~reached)) | (elsewhere & (far > 0))
        unknown &= ~filling.known
        # A soft border must not let through whoever stands there.
        whole = _laid_over(whole, below, _soft(_grown(unknown, 1), 1.0))
        shows = zone * (1 - behind * (1 - new) * far) * (1 - keep)
        shows *= 1 - _soft(unknown, max(1.0, 0.008 * self.face_px))

        selves = np.maximum(old, new) > 0.5
        base_head, new_head = (
            selves
            & outline.above_chin(here.points(shot.points(who)), here.shape, BELOW_CHIN_FACES * self.face_px)
            for shot in (base, donor)
        )
        needed = base_head | new_head
        if who in base.blurred:
            y, x = np.indices(here.shape, np.float32)
            middle = here.points(base.points(who)).mean(0)
            needed |= selves & (np.hypot(x - middle[0], y - middle[1]) < BLURRED_FACES * self.face_px)
        # Where somebody stands before the person an outline is to be expected, and a border hides there.
        natural = np.maximum(keep * (front > 0), unknown * before)
        taken = self._cut(below, whole, shows, needed, natural) * np.minimum(shows * 4, 1)
        shown = _laid_over(below, whole, taken)
        mask = _mask(shown, below, taken)

        old_head = base_head & (old > 0.5)
        left = (old > 0.5) & needed & (taken < 0.5) & (keep < 0.5)
        new_head = new_head & (new > 0.5)
        shows_at_all = taken > 0.02
        return Layer(
            offset=here.offset,
            below=below,
            shown=np.asarray(below + (shown - below) * (mask > 0)[..., None], np.float32),
            donor=np.asarray(placed, np.float32),
            reached=reached,
            mask=mask,
            gain=tone.usual(gain),
            tone_delta_e=toned,
            filled=float((shows_at_all & wanted & filling.known).sum() / max(int(shows_at_all.sum()), 1)),
            old_left=float(left.sum() / max(int(old_head.sum()), 1)),
            new_hidden=float((new_head & (keep > 0.5)).sum() / max(int(new_head.sum()), 1)),
        )

    def _order_neighbours(self, here: _Window, below: Map) -> None:
        """Tell who of the person's own row stands before them, and who behind."""
        for who in self._beside:
            before = self._stands_before(here, below, who)
            (self._front if before else self._behind).append(who)
        self._beside = []

    def _stands_before(self, here: _Window, below: Map, other: int) -> bool:
        """Return whether a neighbour has to be taken as standing before the person.

        The outline between two belongs to the nearer one, and moves as they do: the silhouette of whoever
        stands before is the same in both frames once it is laid by their own motion, the other's is not.
        """
        base, donor = self._base, self._donor
        if any(i not in shot.faces for i in (self._who, other) for shot in (base, donor)):
            return True
        apart = np.linalg.norm((donor.points(other) - base.points(other)).mean(0))
        if apart < STILL_FACES * self.face_px:
            # What the donor shows of them is what the base would.
            return False
        pair = self._who, other
        now = {i: here.share(base.silhouettes.of([i]), base, np.eye(3)) for i in pair}
        still = donor.base_from_frame
        reach = max(2, round(MEETING_FACES * self.face_px))
        near = _grown(now[self._who] > 0.5, reach) & _grown(now[other] > 0.5, reach)
        if int(near.sum()) < FEWEST_PX:
            return False
        unlike = []
        for i in pair:
            theirs = here.share(donor.silhouettes.of([i]), donor, still)
            starts = still, by_face(donor, base, i)
            motion = self._onto(here, donor, starts, below, now[i], theirs, near)
            moved = {
                k: here.share(donor.silhouettes.of([k]), donor, still if motion is None else motion)
                for k in pair
            }
            both = near & (sum(now.values()) > 0.9) & (sum(moved.values()) > 0.9)
            unlike.append(float(np.abs(now[i] - moved[i])[both].mean()) if both.any() else 0.0)
        mine, theirs_unlike = unlike
        if max(unlike) < HARDLY_UNLIKE:
            return False
        return theirs_unlike < SURELY_BEFORE * mine

    def _now(self, here: _Window, people: Sequence[int]) -> Map:
        """Return the share of some people where they are to be seen now."""
        found = here.share(
            self._base.silhouettes.of([i for i in people if i not in self._laid]), self._base, np.eye(3)
        )
        for who in people:
            if who in self._laid:
                shot = self._laid[who]
                found = found + here.share(shot.silhouettes.of([who]), shot, shot.base_from_frame)
        return np.asarray(np.clip(found, 0, 1), np.float32)

    def _in_base_too(self, here: _Window) -> Map:
        """Return (h, w) in [0, 1] where the base, moved by their own motion, shows whoever is in front.

        Skin beside skin, or white cloth before white cloth, is told wrongly now and then; hardly twice.
        """
        base, donor = self._base, self._donor
        found = np.zeros(here.shape, np.float32)
        for who in self._front:
            if who not in donor.faces:
                continue
            if who not in base.faces:
                theirs = here.share(donor.silhouettes.of([who]), donor, donor.base_from_frame)
                found = np.maximum(found, theirs)
                continue
            m = by_face(base, donor, who)
            found = np.maximum(found, here.share(base.silhouettes.of([who]), base, m))
        reach = max(2, round(AGREEING_FACES * self.face_px))
        return _firm(np.asarray(cv2.dilate(found, _disc(reach)), np.float32), 0.2, 0.6)

    def _zone(self, below: Map, placed: Map, old: Map, new: Map, bare: NDArray[np.bool_]) -> Map:
        """Return how much of the donor is taken: all of both selves and a halo, softly ending."""
        core = np.maximum(old, new) > 0.05
        away = cv2.distanceTransform((~core).astype(np.uint8), cv2.DIST_L2, 5)
        halo, fade = HALO_FACES * self.face_px, FADE_FACES * self.face_px
        differs = _differ(below, placed, self.face_px) > GROWN_DELTA_E
        differs &= bare & (away < GROWN_FACES * self.face_px)
        _, labels = cv2.connectedComponents((differs | (away < halo)).astype(np.uint8))
        joined = (labels == labels[core][0]) if core.any() else core
        away = cv2.distanceTransform((~(joined | core | (away < halo))).astype(np.uint8), cv2.DIST_L2, 5)
        t = np.clip(1 - away / max(fade, 1.0), 0, 1)
        return np.asarray(t * t * (3 - 2 * t), np.float32)

    def _cut(self, under: Map, placed: Map, shows: Map, needed: NDArray[np.bool_], natural: Map) -> Map:
        """Return how much of the donor is taken: what is needed, and as much about it as shows least."""
        band = _disc(max(1, round(CUT_FACES * self.face_px)))
        inside = cv2.erode((shows > 0.95).astype(np.uint8), band) > 0
        beyond = cv2.erode((shows < 0.05).astype(np.uint8), band) > 0
        return self._border(under, placed, inside & needed, beyond, natural > 0.5, OUTLINE_PX, OUTLINE_COST)

    def _border(
        self,
        under: Map,
        above: Map,
        inside: NDArray[np.bool_],
        beyond: NDArray[np.bool_],
        hides: NDArray[np.bool_],
        hides_px: int = 0,
        hidden_cost: float = 0.0,
    ) -> Map:
        """Return (h, w) in [0, 1] how much of one picture is laid over another so that it shows least.

        `inside` is in any case, `beyond` is not, and where something `hides` it, or within `hides_px` working
        pixels of it, a border costs no more than `hidden_cost`. It is softer where both agree.
        """
        h, w = inside.shape
        size = work_size((w, h), self.face_px)
        base, donor = (
            np.asarray(cv2.resize(p, size, interpolation=cv2.INTER_AREA), np.float32) for p in (under, above)
        )
        lab, other = cut.to_lab(base), cut.to_lab(donor)
        cost = cut.disagreement(lab, other)
        share = [
            cv2.resize(p.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0.5
            for p in (inside, beyond, hides)
        ]
        hidden = _grown(share[2], hides_px) if hides_px else share[2]
        cost[hidden] = np.minimum(cost[hidden], hidden_cost)
        region = cut.minimum_cut(cost, share[0], share[1])
        signed = cv2.GaussianBlur(cut.signed_distance(region), (0, 0), 1.0)
        apart = cv2.GaussianBlur(np.linalg.norm(lab - other, axis=2), (0, 0), 2.0)
        alike = np.clip((6.0 - apart) / 5.0, 0, 1)
        width = SOFT_FACES[0] + (SOFT_FACES[1] - SOFT_FACES[0]) * alike
        signed, width = (
            np.asarray(cv2.resize(p, (w, h), interpolation=cv2.INTER_LINEAR), np.float32)
            for p in (signed * np.float32(w / size[0]), np.asarray(width, np.float32))
        )
        return cut.soft_edge(signed, np.maximum(2.0, width * self.face_px).astype(np.float32))

    def _alike_about(self, both: NDArray[np.bool_], below: Map, placed: Map) -> NDArray[np.bool_]:
        """Return (h, w) where base and donor show the person's body alike near by, as far as `both` show it.

        A body that has not moved needs no filling: the base shows it.
        """
        sigma = ALIKE_FACES * self.face_px
        weight = both.astype(np.float32)
        differ = np.minimum(_differ(below, placed, self.face_px), ALIKE_MOST) * weight
        total = cv2.GaussianBlur(weight, (0, 0), sigma)
        mean = cv2.GaussianBlur(differ, (0, 0), sigma) / np.maximum(total, 1e-6)
        return np.asarray((total > ALIKE_LEAST) & (mean < ALIKE_DELTA_E))

    def _filled_about(self, here: _Window, scene: _Scene, wanted: NDArray[np.bool_], rim: int) -> _Filling:
        """Return the filling of a window, sought only about where it is wanted."""
        whole = _Filling(scene.below.copy(), np.zeros_like(wanted))
        if int(wanted.sum()) < FEWEST_PX:
            return whole
        room = round(ABOUT_FACES * self.face_px)
        part = tuple(
            slice(max(0, int(at[0]) - room), min(size, int(at[-1]) + room + 1))
            for at, size in ((np.flatnonzero(wanted.any(1 - axis)), wanted.shape[axis]) for axis in (0, 1))
        )
        rows, columns = part
        offset = here.offset[0] + columns.start, here.offset[1] + rows.start
        size = columns.stop - columns.start, rows.stop - rows.start
        inner = _Window(offset, size, (False, False, False, False))
        found = self._filled(inner, scene.part(rows, columns), wanted[part], rim)
        whole.pixels[part], whole.known[part] = found.pixels, found.known
        return whole

    def _filled(self, here: _Window, scene: _Scene, wanted: NDArray[np.bool_], rim: int) -> _Filling:
        """Return what is to be seen where the old self was and the donor shows somebody else."""
        filling = _Filling(scene.below.copy(), ~wanted)

        def missing() -> bool:
            return int((wanted & ~filling.known).sum()) >= FEWEST_PX

        # Where the person is to be expected nobody else is laid, even if no frame shows them there.
        expected = np.zeros_like(wanted)
        if missing():
            share = self._add_body(
                here, self._base, scene, scene.old, filling, take=self._who not in self._base.blurred
            )
            expected = share > 0.3
        if missing():
            self._add_others(here, self._donor, scene, wanted & ~expected, filling)
        left = list(self._others)
        told = self._base.silhouettes
        hides = {who: here.share(told.of([who]), self._base, np.eye(3)) for who in told.people}
        for _ in range(FRAMES_ASKED):
            if not left or not missing():
                break
            promised = [self._promised(here, offer, wanted & ~filling.known, hides) for offer in left]
            if max(promised) < FEWEST_PX:
                break
            shot = left.pop(int(np.argmax(promised))).read()
            if shot is None:
                continue
            pixels, valid = here.place(shot.pixels, shot.base_from_frame)
            mine = here.share(_parts(shot, self._who, self.face_px), shot, shot.base_from_frame)
            bare = here.share(shot.silhouettes.background, shot, shot.base_from_frame)
            pixels = self._exposed(pixels, shot)
            mine, bare, _ = _drawn([mine, bare, np.clip(1 - mine - bare, 0, 1)], pixels, self.face_px)
            if self._who in shot.faces and self._who not in shot.blurred:
                self._add_body(here, shot, scene, _firm(mine), filling)
            shown = np.asarray(cv2.erode(_firm(bare), _disc(rim)), np.float32)
            filling.add(pixels, shown, valid & ~expected)
            self._add_others(here, shot, scene, wanted & ~expected, filling)
        filling.close(wanted)
        filling.known = _without_specks(filling.known & wanted, SPECK_FACES * self.face_px**2)
        return filling

    def _promised(
        self, here: _Window, offer: Offer, missing: NDArray[np.bool_], shares: Mapping[int, Map]
    ) -> int:
        """Return how many missing pixels a frame is expected to show, by where everybody's face is.

        `shares` gives by person (h, w) where they are in the base.
        """
        size = max(8, here.size[0] // PROMISE_SHRINK), max(8, here.size[1] // PROMISE_SHRINK)
        small = imaging.scale_matrix(here.size, size)

        def laid(share: Map, motion: Float) -> NDArray[np.bool_]:
            return np.asarray(cv2.warpPerspective(share, small @ here.inside(motion), size) > 0.3)

        motions = {
            who: place.similarity_of(self._base.points(who), offer.points(who))
            for who in shares
            if who in offer.faces
        }
        taken = np.zeros(size[::-1], bool)
        for who, motion in motions.items():
            taken |= laid(shares[who], motion)
        shown = ~taken
        if self._who in offer.faces and self._who not in offer.blurred:
            back = place.similarity_of(offer.points(self._who), self._donor.points(self._who))
            before = np.zeros(size[::-1], bool)
            for who in set(self._front) & set(motions):
                before |= laid(shares[who], back @ motions[who])
            shown |= ~before
        wanted = cv2.resize(missing.astype(np.float32), size, interpolation=cv2.INTER_AREA)
        return int(wanted[shown].sum() * PROMISE_SHRINK**2)

    def _add_body(
        self, here: _Window, shot: Shot, scene: _Scene, mine: Map, filling: _Filling, *, take: bool = True
    ) -> Map:
        """Add the person's own body of another frame, moved as a whole onto the new one; return where it is.

        `mine` is (h, w) where they are in that frame, laid on the base by the whole frame.
        """
        nowhere = np.zeros(here.shape, np.float32)
        if int((~filling.known).sum()) < FEWEST_PX:
            return nowhere
        still = shot.base_from_frame
        # A rim of whoever stands before the person there is not the person's.
        theirs = here.share(shot.silhouettes.of(self._front), shot, still) > 0.5
        clear = 1 - _soft(_grown(theirs, round(SOURCE_RIM_FACES * self.face_px)), 1.0)
        starts = (still, by_face(shot, self._donor, self._who))
        motion = self._onto(here, shot, starts, scene.placed, scene.new, mine, ~filling.known)
        if motion is None:
            return nowhere
        moved = here.inside(motion @ np.linalg.inv(still))
        share, sure = (
            np.asarray(cv2.warpPerspective(s, moved, here.size), np.float32) for s in (mine, mine * clear)
        )
        if not take or int((~filling.known & (sure > BARE_SHARE)).sum()) < FEWEST_PX:
            return share
        pixels, valid = here.place(shot.pixels, motion)
        pixels = self._exposed(pixels, shot)
        both = (share > 0.9) & (scene.new > 0.9) & valid
        if int(both.sum()) >= FEWEST_PX:
            pixels = _toned_near(pixels, scene.placed, both, self.face_px)
        filling.add(np.asarray(pixels, np.float32), sure, valid)
        return share

    def _onto(
        self,
        here: _Window,
        shot: Shot,
        starts: Sequence[Float],
        target: Map,
        theirs_now: Map,
        theirs: Map,
        about: NDArray[np.bool_],
    ) -> Float | None:
        """Return the (3, 3) matrix base_from_frame that lays a body on a picture of the same person.

        A body gives way where it is not stiff, so what counts is what lies about the pixels in question.

        `theirs_now` and `theirs` are (h, w) where they are in the picture, and in the frame as the first of
        `starts` lays it.
        """
        scale, size = work_scale(self.face_px), work_size(here.size, self.face_px)
        small_from_base = imaging.scale_matrix(here.size, size) @ imaging.shift_matrix(
            *-np.array(here.offset)
        )
        wanted = _grey(cv2.resize(target, size, interpolation=cv2.INTER_AREA))
        small_about = cv2.resize(about.astype(np.float32), size, interpolation=cv2.INTER_AREA) > 0
        near = _grown(small_about, round(ABOUT_FACES * self.face_px * scale))
        there_now, there = (
            cv2.resize(share, size, interpolation=cv2.INTER_AREA) for share in (theirs_now, theirs)
        )
        colours, picture_from_frame = self._small(shot)
        picture = _grey(colours)
        best, least = None, np.inf
        for start in starts:
            source = cv2.warpPerspective(
                picture, small_from_base @ start @ np.linalg.inv(picture_from_frame), size
            )
            moved = cv2.warpPerspective(
                there,
                small_from_base @ start @ np.linalg.inv(starts[0]) @ np.linalg.inv(small_from_base),
                size,
            )
            region = (there_now > 0.7) & (moved > 0.7) & near & (source > 0)
            if region.sum() < FEWEST_BODY_FACES * (self.face_px * scale) ** 2:
                continue
            found = place.refine(wanted, np.asarray(source, np.float32), region.astype(np.uint8))
            if found is None:
                continue
            laid = cv2.warpPerspective(source, found, size, borderMode=cv2.BORDER_REPLICATE)
            apart = float(np.median(np.abs(laid - wanted)[region]))
            if apart < min(least, WORST_FIT):
                best = np.asarray(np.linalg.inv(small_from_base) @ found @ small_from_base @ start)
                least = apart
        return best

    def _small(self, shot: Shot) -> tuple[Map, Float]:
        """Return a copy of a frame at working size, and the (3, 3) matrix that leads to it."""
        key = id(shot.silhouettes)
        if key not in self._copies:
            h, w = shot.pixels.shape[:2]
            size = work_size((w, h), self.face_px)
            copy = np.asarray(imaging.to_unit(imaging.resize(shot.pixels, size)), np.float32)
            self._copies[key] = copy, imaging.scale_matrix((w, h), size)
        return self._copies[key]

    def _exposed(self, pixels: Map, shot: Shot) -> Map:
        """Return pixels of a frame in the base's exposure, told by all of the background."""
        key = id(shot.silhouettes)
        if key not in self._exposures:
            (base, to), (other, of) = (self._small(s) for s in (self._base, shot))
            size = base.shape[1], base.shape[0]
            laid = cv2.warpPerspective(other, to @ shot.base_from_frame @ np.linalg.inv(of), size)
            agree = np.asarray(laid.max(2) > 0)
            # People move and change places; the background does not.
            bare = agree.copy()
            for told in (self._base, shot):
                m = to @ told.base_from_frame @ np.linalg.inv(told.silhouettes.small_from_frame)
                bare &= cv2.warpPerspective(told.silhouettes.background, m, size) > 0.9
            gain = tone.gain_field(
                base, np.asarray(laid, np.float32), bare if bare.sum() >= tone.FEWEST else agree
            )
            self._exposures[key] = np.asarray(np.median(gain, axis=(0, 1)), np.float32)
        return tone.apply_gain(pixels, np.broadcast_to(self._exposures[key], pixels.shape))

    def _add_others(
        self, here: _Window, shot: Shot, scene: _Scene, wanted: NDArray[np.bool_], filling: _Filling
    ) -> None:
        """Add whom the old self may have hidden, moved by their own motion to where they are now."""
        for who in self._uncovered:
            now = self._laid.get(who, self._base)
            # Of whoever was set in, the frame that they come from shows more than any other.
            source = now if shot is self._donor and who in self._laid else shot
            if who not in now.faces or who not in source.faces:
                continue
            m = source.base_from_frame
            still_share = here.share(source.silhouettes.of([who]), source, m)
            missing = _grown(wanted & ~filling.known, 3)
            if source is not now:
                if int(((still_share > 0.3) & missing).sum()) < FEWEST_PX:
                    continue
                starts = (m, by_face(source, now, who))
                found = self._onto(
                    here, source, starts, scene.below, self._now(here, [who]), still_share, missing
                )
                m = starts[1] if found is None else found
            share = here.share(source.silhouettes.of([who]), source, m)
            if int(((share > 0.5) & missing).sum()) < FEWEST_PX:
                continue
            pixels, valid = here.place(source.pixels, m)
            pixels = self._exposed(pixels, source)
            share, _ = _drawn([share, 1 - share], pixels, self.face_px)
            share = _firm(share)
            # Whoever else it may be is laid only if it is they beyond doubt.
            filling.add(pixels, share, wanted & valid & (share > BARE_SHARE))

    def _window(self) -> tuple[tuple[int, int], tuple[int, int], tuple[bool, ...]]:
        h, w = self._base.pixels.shape[:2]
        corners = []
        for shot, share in ((self._base, self._old), (self._donor, self._new)):
            y, x = np.nonzero(share > 0.3)
            full = np.linalg.inv(shot.silhouettes.small_from_frame)
            corners.append(shot.points(self._who))
            if len(x):
                box = np.array(
                    [(x.min(), y.min()), (x.max(), y.min()), (x.min(), y.max()), (x.max(), y.max())]
                )
                corners.append(imaging.transform(shot.base_from_frame @ full, box))
        points = np.vstack(corners)
        middle = self._base.points(self._who).mean(0)
        reach = REACH_FACES * self.face_px
        margin = MARGIN_FACES * self.face_px
        low = np.maximum(points.min(0) - margin, middle - reach)
        high = np.minimum(points.max(0) + margin, middle + reach)
        if self._area is not None:
            low, high = np.maximum(low, self._area[:2]), np.minimum(high, self._area[2:])
        x0, y0 = (int(max(0, v)) for v in low)
        x1, y1 = int(min(w, high[0] + 1)), int(min(h, high[1] + 1))
        return (x0, y0), (x1 - x0, y1 - y0), (x0 == 0, y0 == 0, x1 == w, y1 == h)


class _Window:
    """A part of the base."""

    def __init__(self, offset: tuple[int, int], size: tuple[int, int], frame_ends: tuple[bool, ...]) -> None:
        self.offset, self.size, self._ends = offset, size, frame_ends
        self._shift = imaging.shift_matrix(-offset[0], -offset[1])

    @property
    def shape(self) -> tuple[int, int]:
        return self.size[1], self.size[0]

    def cut(self, picture: Array) -> Map:
        (x, y), (w, h) = self.offset, self.size
        return np.asarray(imaging.to_unit(np.ascontiguousarray(picture[y : y + h, x : x + w])), np.float32)

    def place(self, picture: Array, base_from_frame: Float) -> tuple[Map, NDArray[np.bool_]]:
        pixels, valid = place.sample(picture, base_from_frame, self.offset, self.size)
        return np.asarray(imaging.to_unit(pixels), np.float32), valid

    def share(self, share: Map, shot: Shot, base_from_frame: Float) -> Map:
        m = self._shift @ base_from_frame @ np.linalg.inv(shot.silhouettes.small_from_frame)
        laid = cv2.warpPerspective(share, m, self.size, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(laid, np.float32)

    def inside(self, m: Float) -> Float:
        """Return a matrix of base pixels as one of window pixels."""
        return np.asarray(self._shift @ m @ np.linalg.inv(self._shift))

    def points(self, in_base: Float) -> Float:
        return np.asarray(in_base - np.array(self.offset), np.float64)

    def rim(self, width: int) -> Map:
        """Return 1 along the sides that are not the frame's own, fading inwards."""
        h, w = self.shape
        y, x = np.arange(h, dtype=np.float32)[:, None], np.arange(w, dtype=np.float32)[None]
        far = np.full((h, w), np.inf, np.float32)
        for end, away in zip(self._ends, (x, y, w - 1 - x, h - 1 - y), strict=True):
            if not end:
                far = np.minimum(far, away)
        return np.asarray(np.clip(1.5 - far / width, 0, 1), np.float32)


def by_face(source: Sight, target: Sight, who: int) -> Float:
    """Return the (3, 3) matrix base_from_source that lays somebody's face where it is in another frame."""
    return np.asarray(place.similarity_of(source.points(who), target.points(who)) @ source.base_from_frame)


def _soft(where: NDArray[np.bool_], sigma: float) -> Map:
    return np.asarray(cv2.GaussianBlur(where.astype(np.float32), (0, 0), sigma), np.float32)


def _differ(a: Map, b: Map, face_px: float) -> Map:
    """Return (h, w) CIELAB differences, grain averaged out."""
    sigma = max(1.5, 0.01 * face_px)
    lab = [cut.to_lab(np.asarray(cv2.GaussianBlur(p, (0, 0), sigma), np.float32)) for p in (a, b)]
    return np.asarray(np.linalg.norm(lab[0] - lab[1], axis=2), np.float32)


def _laid_over(below: Map, above: Map, share: Map) -> Map:
    return np.asarray(np.clip(below + share[..., None] * (above - below), 0, 1), np.float32)


def _toned_near(pixels: Map, wanted: Map, both: NDArray[np.bool_], face_px: float) -> Map:
    """Return a moved body's pixels in the tone of the picture they are to join, told where `both` show it.

    Light falls a little differently on a body that has moved, and not evenly: what lies near counts most
    (normalised convolution, Knutsson and Westin 1993, from memory).
    """
    ratio = np.median(wanted[both], axis=0) / np.maximum(np.median(pixels[both], axis=0), 1e-3)
    usual = np.clip(ratio, 1 - TONE_MOVED, 1 + TONE_MOVED).astype(np.float32)
    calm, theirs = (cv2.GaussianBlur(p, (0, 0), max(1.0, 0.01 * face_px)) for p in (wanted, pixels))
    local = np.clip(calm / np.maximum(theirs, 1e-3), 1 - TONE_MOVED, 1 + TONE_MOVED)
    sigma = TONE_NEAR_FACES * face_px
    weight = np.where(both, 1.0, 0.0).astype(np.float32)
    total = cv2.GaussianBlur(weight, (0, 0), sigma)[..., None]
    near = cv2.GaussianBlur(np.asarray(local * weight[..., None], np.float32), (0, 0), sigma)
    gain = (near + TONE_USUAL * usual) / (total + TONE_USUAL)
    return np.asarray(np.clip(pixels * gain, 0, 1), np.float32)


def _grey(picture: Array) -> Map:
    return np.asarray(cv2.cvtColor(np.clip(picture, 0, 1), cv2.COLOR_RGB2GRAY), np.float32)


def _disc(radius: int) -> NDArray[np.uint8]:
    size = 2 * radius + 1
    return np.asarray(cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (size, size)), np.uint8)


def _grown(where: NDArray[np.bool_], radius: int) -> NDArray[np.bool_]:
    return np.asarray(cv2.dilate(where.astype(np.uint8), _disc(radius)) > 0)


def _without_specks(where: NDArray[np.bool_], least_px: float) -> NDArray[np.bool_]:
    _, labels, told, _ = cv2.connectedComponentsWithStats(where.astype(np.uint8))
    large = told[:, cv2.CC_STAT_AREA] >= least_px
    large[0] = False
    return np.asarray(large[labels])


def _drawn(shares: Sequence[Map], picture: Map, face_px: float) -> list[Map]:
    """Return shares that sum to 1 drawn to the picture's edges.

    What is sure spreads from both sides over the doubtful band between, as far as the picture has no edge
    (weights and all by Min et al., "Fast Global Image Smoothing Based on Weighted Least Squares", 2014); at
    half a face's usual size, and from there to full size by a guided filter (He et al., "Guided Image
    Filtering", PAMI 35(6), 2013).
    """
    made: Any = cv2.ximgproc
    h, w = picture.shape[:2]
    scale, size = work_scale(face_px), work_size((w, h), face_px)
    small = np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.float32)
    guide = imaging.from_unit(np.clip(small, 0, 1), np.uint8)
    coarse = np.stack([cv2.resize(s, size, interpolation=cv2.INTER_AREA) for s in shares])
    known = np.asarray((coarse > SURE_SHARE).any(0))
    doubtful = _grown(~known, max(1, round(BAND_FACES * face_px * scale)))
    weight = np.where(doubtful, DOUBT_WEIGHT, 1.0).astype(np.float32)

    def spread(plane: Map) -> Map:
        return np.asarray(made.fastGlobalSmootherFilter(guide, plane, SPREAD, EDGE_STEPS), np.float32)

    total = np.maximum(spread(weight), 1e-6)
    found = np.stack([spread(np.asarray(weight * c, np.float32)) / total for c in coarse])
    # The filter runs along rows and columns in turn and leaves steps.
    found = np.stack([cv2.GaussianBlur(np.clip(f, 0, 1), (0, 0), ROUNDED_PX) for f in found]) ** FIRMNESS
    found /= np.maximum(found.sum(0), 1e-6)
    radius = max(3, round(OUTLINE_FACES * face_px))
    return [
        np.asarray(
            np.clip(
                made.guidedFilter(
                    picture,
                    cv2.resize(np.asarray(f, np.float32), (w, h), interpolation=cv2.INTER_LINEAR),
                    radius,
                    EDGE_STEP**2,
                ),
                0,
                1,
            ),
            np.float32,
        )
        for f in found
    ]


def _firm(share: Map, low: float = LOW_SHARE, high: float = HIGH_SHARE) -> Map:
    """Return a share that is 0 below `low`, 1 above `high`, and straight between."""
    return np.asarray(np.clip((share - low) / (high - low), 0, 1), np.float32)


def _parts(shot: Shot, who: int, face_px: float) -> Map:
    """Return a person's share without scraps that do not belong to them; none if they were not found."""
    share = shot.silhouettes.of([who])
    if who not in shot.faces:
        return share
    _, labels, told, _ = cv2.connectedComponentsWithStats((share > 0.5).astype(np.uint8))
    unit = face_px * float(np.linalg.norm(shot.silhouettes.small_from_frame[:2, 0]))
    points = imaging.transform(shot.silhouettes.small_from_frame, shot.faces[who].landmarks[:, :2])
    # Where a part begins counts, not where its middle lies: a body that is seen down to the feet is one part.
    low, size = told[:, :2], told[:, 2:4]
    nearest = np.clip(points.mean(0), low, low + size - 1)
    far = np.linalg.norm(nearest - points.mean(0), axis=1) > PART_REACH_FACES * unit
    scrap = (told[:, cv2.CC_STAT_AREA] < PART_FACES * unit**2) | far
    scrap[0] = False
    near = cv2.dilate(scrap[labels].astype(np.uint8), _disc(1)) > 0
    return np.where(near & ~((labels > 0) & ~scrap[labels]), 0, share).astype(np.float32)


def _mask(shown: Map, below: Map, support: Map) -> Map:
    """Return a soft mask that holds all that has changed; it ends where both pictures are alike."""
    changed = np.abs(shown - below).max(2) > 0.5 / 65535
    inside = ((support > 0.01) & changed).astype(np.uint8)
    inside = cv2.morphologyEx(inside, cv2.MORPH_CLOSE, _disc(2))
    away = cv2.distanceTransform(1 - inside, cv2.DIST_L2, 5)
    return np.asarray(np.clip(1 - away / 3.0, 0, 1), np.float32)
