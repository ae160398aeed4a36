"""The words that rooms say to each other: frozen dataclasses, no behaviour beyond what they hold.

Geometry: points are (N, 2) float64 x, y with pixel centres at integers; `size` is (W, H); a matrix
`a_from_b` takes homogeneous points of b to a. Words that hold arrays compare by identity.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]
Float = NDArray[np.float64]
Pixels = NDArray[np.uint8] | NDArray[np.uint16]
Box = tuple[float, float, float, float]
"""x0, y0, x1, y1."""

MOST_MISFIT = {"pose": 0.05, "border_delta_e": 3.0, "covered": 0.15, "crisper": 0.2}
"""The most of each measure in `Misfit` at which an inner face does. Of 138 that blind viewers saw, 23 were
found; of those within all four, 2 in 107."""
Extent = Literal["face", "person"]
"""How much of a person is set in."""
Flag = Literal["clear", "inspect", "retouch"]

PARTS = ("eyes", "sharpness", "expression", "gaze", "pose", "visible", "light")
"""What a score is made of."""


def frozen(array: Array) -> Array:
    """Return an own, read-only copy of `array`, so that a frozen word is frozen all the way down."""
    own = np.array(array, copy=True)
    own.setflags(write=False)
    return own


@dataclass(frozen=True, slots=True, kw_only=True)
class Frame:
    """One photograph of the burst, known by what its file says; never its pixels."""

    name: str
    """File name as the report shows it; unique within a burst."""
    path: str
    """Where the file lies."""
    size: tuple[int, int]
    """(W, H) in pixels, after EXIF orientation."""
    bit_depth: int
    """8 or 16 bits a channel."""
    channels: int = 3
    """1 for a greyscale file, else 3."""
    profile: bytes | None = None
    """The ICC profile as embedded, or None (then sRGB is assumed)."""
    time_s: float | None = None
    """Capture time in seconds since 1970 on the camera's clock (no zone), or None."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Aligned:
    """Where a frame lies on the reference frame."""

    reference_from_frame: Float
    """(3, 3) homography, full-resolution pixels of the frame to those of the reference, [2, 2] = 1."""
    model: str
    """'reference', 'homography', 'identity', 'shading' or 'people': what was fitted, and on what; 'rough': no
    homography fits well, and whoever comes from or into the frame is placed by their face alone."""
    inliers: int
    """Correspondences that agree with the model."""
    error_px: float
    """Expected error over the picture, in full-resolution pixels; measured on held-out background."""
    note: str = ""
    """What a person should know of it ('only the people could be matched'), or ''."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unaligned:
    """A frame that could not be placed on the reference; it gives no donor."""

    reason: str
    """One plain sentence."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Face:
    """One face in one frame, in that frame's own full-resolution pixels."""

    box: Box
    """x0, y0, x1, y1 that bound the landmarks: forehead to chin, cheek to cheek; pixels."""
    landmarks: Float
    """(478, 3) x, y in pixels, z in pixels towards the scene (smaller = nearer the camera)."""
    blendshapes: Float
    """(52,) in [0, 1], in the landmarker's order; left and right are the subject's."""
    appearance: Float
    """(D,) unit vector of what the head looks like, to tell people apart."""
    confidence: float
    """Detector's confidence in [0, 1]."""
    hands: Float = field(default_factory=lambda: frozen(np.zeros((0, 21, 2))))
    """(N, 21, 2) x, y in pixels of the hands near it, wrist first, then thumb to little finger."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Missing:
    """A person who was not found in a frame."""

    reason: str
    """One plain sentence."""
    place: Face | None = None
    """Where their face should be, in this frame's pixels: they have turned away, or something covers them. A
    face of another frame, moved here. None if there is no head, or nobody can tell."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Person:
    """One identity over the whole burst."""

    id: str
    """'P01' ...: ordered back row to front, left to right."""
    row: int
    """0 = back row."""
    faces: tuple[Face | Missing, ...]
    """One per frame, in the burst's order."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of a score and what is said of it."""

    value: float | None
    """In [0, 1], 1 is best; None = cannot be told."""
    reason: str = ""
    """Plain words for the report ('left eye 80 % closed'), or ''."""


_FINE = Part(value=1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Score:
    """How good one face is, against the same person's other frames."""

    eyes: Part
    sharpness: Part
    expression: Part
    gaze: Part = _FINE
    """Whether the eyes look where they usually do: at the camera."""
    pose: Part = _FINE
    """Whether the head is held as usual, neither turned away nor tilted."""
    visible: Part = _FINE
    """How much of the face is to be seen past hair, hands and neighbours."""
    light: Part = _FINE
    """Highlights, shadows and red-eye on the face."""
    total: float
    """In [0, 1]: the combined score that ranks the person's frames."""
    factors: dict[str, float] = field(default_factory=dict)
    """By part, in [0, 1]: what it multiplies the total by, its weight and its doubt included."""
    blur_px: float | None = None
    """Estimated width (Gaussian sigma) of the blur at the eyes, full-resolution pixels."""
    detail: dict[str, float] = field(default_factory=dict)
    """Further measured numbers by name, for the report and for tuning."""

    @property
    def parts(self) -> dict[str, Part]:
        """The parts by name."""
        return {name: getattr(self, name) for name in PARTS}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Analysis:
    """All that is known before choosing; picklable, holds no pictures."""

    frames: tuple[Frame, ...]
    reference: int
    """Index of the frame on which all others are placed."""
    alignments: tuple[Aligned | Unaligned, ...]
    people: tuple[Person, ...]
    scores: dict[str, tuple[Score | None, ...]]
    """By person id, one per frame; None where the person is missing."""
    notes: tuple[str, ...] = ()
    """What should be said to the user about the burst as a whole."""

    def base_from_frame(self, base: int, frame: int) -> Float:
        """Return the (3, 3) homography that takes `frame`'s pixels to `base`'s.

        Raises
        ------
        ValueError
            If either frame is not aligned.
        """
        a, b = self.alignments[base], self.alignments[frame]
        if not isinstance(a, Aligned) or not isinstance(b, Aligned):
            raise ValueError("base_from_frame needs two aligned frames")
        if base == frame:
            return np.eye(3)
        m = np.linalg.solve(a.reference_from_frame, b.reference_from_frame)
        return np.asarray(m / m[2, 2])

    def place(self, person: int, frame: int) -> Face | None:
        """Return a person's face in a frame, or where it should be; None if that is not known."""
        match self.people[person].faces[frame]:
            case Missing(place=place):
                return place
            case face:
                return face

    def is_rough(self, base: int, frame: int) -> bool:
        """Return whether two frames lie on each other only roughly: people are placed by their faces."""
        fates = (self.alignments[base], self.alignments[frame])
        return base != frame and any(isinstance(a, Aligned) and a.model == "rough" for a in fates)

    def error_to_base_px(self, base: int, frame: int) -> float:
        """Return the expected error between two frames, each placed on the reference by itself.

        Raises
        ------
        ValueError
            If either frame is not aligned.
        """
        a, b = self.alignments[base], self.alignments[frame]
        if not isinstance(a, Aligned) or not isinstance(b, Aligned):
            raise ValueError("error_to_base_px needs two aligned frames")
        return 0.0 if base == frame else math.hypot(a.error_px, b.error_px)


@dataclass(frozen=True, slots=True, kw_only=True)
class Stroke:
    """One stroke of a brush over a head's mask."""

    paints: bool
    """True: the donor shows where the brush passes; False: the base shows again."""
    radius_px: float
    """From the brush's middle to its rim, in base pixels."""
    softness: float
    """In [0, 1]: over how much of the radius it fades; 0 = a hard rim, 1 = from the middle on."""
    points: tuple[tuple[float, float], ...]
    """x, y in base pixels, joined by straight lines; one point is a dab. Never empty."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Touches:
    """What was done to a mask by hand. It holds for the one base and the one donor it was done on."""

    base: str
    """Name of the base frame."""
    donor: str
    """Name of the frame the head comes from."""
    widen_px: float = 0.0
    """How far the seam moves outward before the strokes, in base pixels; negative = inward."""
    strokes: tuple[Stroke, ...] = ()
    """In the order they were made."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stays:
    """What stays as it was in the picture that the user has looked at."""

    base: str
    """File name of its base frame."""
    picks: dict[str, str]
    """Person id -> file name of the frame that their head came from; the base's for their own."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Decisions:
    """What the user has decided; the choice obeys it before anything else."""

    base: str | None = None
    """File name of the base frame to use."""
    force: dict[str, str] = field(default_factory=dict)
    """Person id -> file name of the frame to take."""
    forbid: frozenset[tuple[str, str]] = frozenset()
    """(person id, file name) pairs not to take; a person id of '*' means everybody."""
    keep: frozenset[str] = frozenset()
    """Person ids that stay as they are in the base."""
    notes: dict[str, str] = field(default_factory=dict)
    """Person id -> what is still to be done by hand, in the user's words."""
    masks: dict[str, tuple[Touches, ...]] = field(default_factory=dict)
    """Person id -> what was done to the mask by hand, at most once for each base and donor."""
    stays: Stays | None = None
    """The picture that all this was said of: whoever nothing else is said of stays as in it, and so does its
    base. It means nothing once another base is demanded."""

    def touches(self, person: str, base: str, donor: str) -> Touches | None:
        """Return what was done to the mask of the head that comes from one frame into another."""
        return next((t for t in self.masks.get(person, ()) if (t.base, t.donor) == (base, donor)), None)

    def over(self, earlier: Decisions) -> Decisions:
        """Return both together; where they contradict each other these hold, and not the earlier ones.

        A demand takes an earlier 'keep' and 'avoid' of the same person with it, and the other way round. What
        was ruled out for everybody stays so: that and a demand for the same frame are told to the user.
        """
        force = {
            person: frame
            for person, frame in earlier.force.items()
            if person not in self.keep and not _says(self.forbid, person, frame, everybody=True)
        }
        forbid = {pair for pair in earlier.forbid if not _says(self.force.items(), *pair)}
        return Decisions(
            base=earlier.base if self.base is None else self.base,
            force=force | self.force,
            forbid=frozenset(forbid) | self.forbid,
            keep=(earlier.keep - self.force.keys()) | self.keep,
            notes=earlier.notes | self.notes,
            masks=earlier.masks
            | {who: _newest(earlier.masks.get(who, ()), m) for who, m in self.masks.items()},
            stays=self.stays or earlier.stays,
        )


def _says(pairs: Iterable[tuple[str, str]], person: str, frame: str, *, everybody: bool = False) -> bool:
    """Return whether a person and a frame are among the pairs; a frame may be named with its path."""
    said, wanted = f"/{frame}".replace("\\", "/"), {person, "*"} if everybody else {person}
    for who, name in pairs:
        other = f"/{name}".replace("\\", "/")
        if who in wanted and (said.endswith(other) or other.endswith(said)):
            return True
    return False


def _newest(earlier: tuple[Touches, ...], later: tuple[Touches, ...]) -> tuple[Touches, ...]:
    done = {(t.base, t.donor) for t in later}
    return (*(t for t in earlier if (t.base, t.donor) not in done), *later)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pick:
    """Which frame a person's head comes from, and why."""

    person: str
    frame: int
    """Index into Analysis.frames."""
    from_base: bool
    gain: float
    """Score of the pick less the score in the base, in [-1, 1]."""
    cost: float
    """What the swap was reckoned to cost, in square roots of scores; 0 if from_base."""
    why: str
    """One plain sentence."""
    left: int | None = None
    """Who stays as in the base although this frame shows them better: setting them in would be seen. None:
    no frame does."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """The base frame and everybody's pick."""

    base: int
    picks: tuple[Pick, ...]
    """In the order of Analysis.people."""
    why: str
    """One plain sentence about the base."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Misfit:
    """How badly two pictures of an inner face lie on each other; all 0 where they are the same."""

    pose: float
    """What a similarity leaves of the way between the landmarks that no expression moves, root mean square,
    in face widths."""
    border_delta_e: float
    """CIELAB difference that a twentieth of the border exceeds, in the end, at working size."""
    covered: float
    """Share of the skin between eyes and mouth that differs strongly: a hand, hair, somebody in front."""
    crisper: float
    """How much crisper one picture of that skin is, either way, in powers of two."""

    @property
    def shares(self) -> dict[str, float]:
        """Each measure, by its name, as a share of the most at which the inner face alone will do."""
        return {name: getattr(self, name) / most for name, most in MOST_MISFIT.items()}

    @property
    def worst(self) -> float:
        """The greatest of these shares; up to 1 the inner face alone will do."""
        shares = self.shares.values()
        return max(shares) if all(map(math.isfinite, shares)) else math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Joint:
    """What is known of how a head was joined to the base, beside what the finished picture shows."""

    tone_delta_e: float = 0.0
    """CIEDE2000 between the surroundings of the head in donor and base before tone matching."""
    grain_ratio: float = 1.0
    """Noise of the donor over noise of the base; 1 = equal."""
    head_hidden: float = 0.0
    """Share in [0, 1] of the new head that is covered by whoever stands before it in the base."""
    invented: float = 0.0
    """Share in [0, 1] of what is shown that comes from neither donor nor base, but from another frame."""
    old_head_left: float = 0.0
    """Share in [0, 1] of the old head's area that may still show beside the new one."""
    misfit: Misfit | None = None
    """Of an inner face; None: of nobody else."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Head:
    """One swapped head, ready to be laid over the base."""

    person: str
    offset: tuple[int, int]
    """x, y of the layer's top-left corner in base pixels."""
    pixels: Array
    """(h, w, 3) RGB of the base's dtype: the donor as placed, toned and blended, also outside the mask."""
    mask: Array
    """(h, w) uint8 or uint16, full range: 0 base, maximum donor."""
    joint: Joint
    placement: str
    """How the donor was laid: 'homography', by the whole frame; 'similarity', by the face."""
    reached: NDArray[np.bool_] | None = None
    """(h, w) where the donor's frame reaches. None: not known."""
    base_from_donor: Float | None = None
    """(3, 3) how the donor was laid, in full-resolution pixels. None: not kept."""
    gain: tuple[float, float, float] = (1.0, 1.0, 1.0)
    """Factors on the donor's linear light, R, G, B, that bring it to the base's, amid the layer."""
    unblended: Array | None = None
    """(h, w, 3) as `pixels`, but as it was before the seam was blended: what shows where the mask is painted
    wider. None: not kept."""
    extent: Extent = "person"
    """How much of the person is taken: the inner face alone, or all that is seen of them."""

    @property
    def donor(self) -> Array:
        """(h, w, 3) the donor as placed, as far as it is kept: `unblended`, else `pixels`."""
        return self.pixels if self.unblended is None else self.unblended

    @property
    def shown_part(self) -> tuple[slice, slice] | None:
        """Rows and columns of the layer beyond which nothing of it shows; None: nothing shows at all."""
        rows, columns = (np.flatnonzero((self.mask > 0).any(axis)) for axis in (1, 0))
        if not len(rows):
            return None
        return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


class FaultKind(StrEnum):
    """What is wrong with a head, or why somebody has to look at it."""

    BREAK = "break"
    """An outline or a line ends, jumps or is doubled."""
    PATTERN = "pattern"
    """A texture does not carry on."""
    SMEAR = "smear"
    """Texture that both frames have is lost."""
    GHOST = "ghost"
    """Two different things show through each other."""
    STRIP = "strip"
    """A thin strip that neither frame shows: a rim, a sliver, a scrap."""
    STEP = "step"
    """Plain ground changes its tone."""
    SHARPNESS = "sharpness"
    """Sharp meets soft; of a face as a whole, how much crisper one frame is, in powers of two."""
    LINES = "lines"
    """A straight line does not meet itself; the amount is by how many base pixels."""
    BORDER = "border"
    """Colours differ along an inner face's border; the amount in CIELAB units."""
    POSE = "pose"
    """The head is held differently in the two frames."""
    COVERED = "covered"
    """Something lies before the face in one of the frames; the amount is the share of the skin."""
    OLD_SELF = "old self"
    """The old head shows beside the new one; the amount is the share of it."""
    HIDDEN = "hidden"
    """Whoever stands in front covers a part of the new head; the amount is the share of it."""
    GRAIN = "grain"
    """Grain differs; the amount is how many times as much there is in one frame."""
    NEIGHBOUR = "neighbour"
    """Somebody else's pixels have changed; the amount is how large a part, in squared face widths."""
    TOUCHED = "touched"
    """The mask was touched up by hand."""
    NOTED = "noted"
    """The user has noted something; `words` holds it."""
    ABSENT = "absent"
    """Not found in the base; `words` says why."""
    FIRST_LOOK = "first look"
    """Shown at once, not looked over yet."""
    TO_COME = "to come"
    """Not set in yet."""
    SHUT = "shut"
    """The eyes are shut in the picture."""
    LEFT = "left"
    """Left as in the base though another frame, named by `words`, shows them better."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that a viewer may find, or that somebody has to look at."""

    kind: FaultKind
    chance: float
    """In [0, 1]: how likely a viewer finds the head by this alone."""
    amount: float = 0.0
    """How much, in the kind's own unit; of a place in the picture, how little it looks like either frame, in
    units of CIEDE2000, nearly."""
    at: tuple[float, float] | None = None
    """x, y in base pixels; None: nowhere in particular."""
    size_px: float = 0.0
    """About how far across, in base pixels."""
    person: str | None = None
    """Whose pixels suffer; None: those of the head itself, or the background's."""
    words: str = ""
    """What the user or the file system calls it: a note, a frame's name, a reason given elsewhere; of
    somebody who was not set in, the id of the person whose head did it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Risk:
    """How likely a careful viewer finds a head, and by what."""

    value: float
    """In [0, 1]."""
    flag: Flag
    faults: tuple[Fault, ...] = ()
    """The weightiest first."""
    face_box: Box | None = None
    """x0, y0, x1, y1 of the face in base pixels, so that a place can be told in words."""

    @property
    def places(self) -> tuple[tuple[float, float], ...]:
        """The places to look at, x, y in base pixels, the worst first; the face's middle if none is told."""
        told = tuple(fault.at for fault in self.faults if fault.at is not None)
        if told or self.flag == "clear" or self.face_box is None:
            return told
        # Whoever is to look has to know where: what fits badly all over is seen on the face.
        x0, y0, x1, y1 = self.face_box
        return (((x0 + x1) / 2, (y0 + y1) / 2),)
