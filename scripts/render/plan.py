"""What is decided before drawing: who stands where, what goes wrong when, how the camera is held."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from . import scene
from .head import Expression
from .person import Person, invent_people

Array = NDArray[np.float64]
START = datetime.datetime(2021, 6, 12, 15, 20, 7, 340000)
FACE_CM = 15.5
DEFECTS = ("shut", "half", "mouth", "defocus", "motion")
MOUTHS = ("word", "side", "pout", "grimace")
MANY, MOST_GOOD = 8, 5 / 8
"""From how many people on no frame shows more than this share of them good."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Where a person stands in the scene."""

    row: int
    """0 is the back row."""
    x: float
    y: float
    px_per_cm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Moment:
    """One person in one frame."""

    expression: Expression
    place: Place
    good: bool
    blur: float
    """Defocus, standard deviation in px."""
    motion: float
    """Length of the smear in px."""
    motion_deg: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shot:
    """One frame before it is drawn."""

    index: int
    homography: Array
    gain: float
    """Factor on linear light."""
    time: datetime.datetime
    moments: tuple[Moment, ...]
    grain_seed: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """Everything that is decided before drawing."""

    width: int
    height: int
    background: str
    background_seed: int
    oversample: float
    supersample: float
    quality: int
    grain: float
    people: tuple[Person, ...]
    places: tuple[Place, ...]
    shots: tuple[Shot, ...]


def stand(people: list[Person], width: int, height: int, rng: np.random.Generator) -> list[Place]:
    """Set a group up in one row (up to 3) or two."""
    count = len(people)
    rows = [list(range(count))] if count <= 3 else [list(range(count // 2)), list(range(count // 2, count))]
    columns = max(len(r) for r in rows)
    face = min(0.20, 0.37 / columns) * width
    face = min(face, 0.155 * height) if len(rows) == 2 else min(face, 0.28 * height)
    gap = min(2.30 * face, 0.86 * width / columns)
    places: list[Place | None] = [None] * count
    for row, members in enumerate(rows):
        shift = 0.0 if len(rows) == 1 else (0.25 if row == 0 else -0.25) * gap
        depth = 0.95 if (row == 0 and len(rows) == 2) else 1.0
        level = 0.46 if len(rows) == 1 else (0.275, 0.575)[row]
        for k, i in enumerate(members):
            x = width / 2 + (k - (len(members) - 1) / 2) * gap + shift + rng.normal(0, 0.05) * face
            low = (1 - people[i].size) * (1.9 if len(rows) == 2 else 3.0) * face
            y = level * height + low + rng.normal(0, 0.07) * face
            places[i] = Place(
                row=row, x=float(x), y=float(y), px_per_cm=float(face / FACE_CM * depth * people[i].size)
            )
    return [p for p in places if p is not None]


def schedule(people: int, frames: int, rng: np.random.Generator) -> NDArray[np.object_]:
    """Which defect each person has in each frame, (people, frames) of str; "" is good.

    Everyone has good frames, and no frame has everyone good (which a single person cannot satisfy); of eight
    or more, no frame has more than five eighths good, as in life.
    """
    weights = (0.30, 0.16, 0.20, 0.17, 0.17)
    table = np.where(
        rng.random((people, frames)) < 0.55, "", rng.choice(DEFECTS, (people, frames), p=weights)
    ).astype(object)
    needed = min(4, max(1, frames // 2))
    for person in range(people):
        while (table[person] == "").sum() < needed:
            bad = np.flatnonzero(table[person] != "")
            spoilt = (table[:, bad] != "").sum(0)
            table[person, rng.choice(bad[spoilt == spoilt.max()])] = ""
    if people > 1:
        for frame in np.flatnonzero((table == "").all(0)):
            person = int(np.argmax((table == "").sum(1)))
            table[person, frame] = rng.choice(DEFECTS, p=weights)
            others = np.delete(table, person, axis=0)
            free = (table[person] != "") & (others != "").any(0)
            free[frame] = False
            if (table[person] == "").sum() < needed and free.any():
                table[person, int(np.argmax(free))] = ""
    if people >= MANY:
        for frame in range(frames):
            good = np.flatnonzero(table[:, frame] == "")
            spare = sorted(good, key=lambda p: -(table[p] == "").sum())
            for person in spare[: max(0, len(good) - int(MOST_GOOD * people))]:
                if (table[person] == "").sum() > needed:
                    table[person, frame] = rng.choice(DEFECTS, p=weights)
    return table


def _moment(
    person: Person, place: Place, defect: str, usual: dict[str, float], scale: float, rng: np.random.Generator
) -> Moment:
    smile = float(np.clip(rng.normal(person.smiles, 0.13), 0.2, 0.85)) if person.smiles else 0.0
    close = squash = blur = motion = motion_deg = 0.0
    kind = str(rng.choice(MOUTHS))
    severity = rng.random()
    if defect == "shut":
        close = 0.85 + 0.15 * severity
    elif defect == "half":
        close = 0.5 + 0.2 * severity
    elif defect == "mouth":
        squash = 0.7 + 0.3 * severity
    elif defect == "defocus":
        blur = (4 + 4 * severity) * scale
    elif defect == "motion":
        motion = (15 + 15 * severity) * scale
        motion_deg = rng.uniform(-180, 180)
    expression = Expression(
        close=float(close),
        smile=smile,
        squash=float(squash),
        squash_kind=kind,
        turn_deg=float(usual["turn"] + rng.normal(0, 2.6)),
        nod_deg=float(usual["nod"] + rng.normal(0, 1.5)),
        tilt_deg=float(usual["tilt"] + rng.normal(0, 1.4)),
    )
    moved = Place(
        row=place.row,
        x=float(place.x + rng.normal(0, 7.5 * scale)),
        y=float(place.y + rng.normal(0, 6.5 * scale)),
        px_per_cm=float(place.px_per_cm * np.exp(rng.normal(0, 0.007))),
    )
    return Moment(
        expression=expression,
        place=moved,
        good=defect == "",
        blur=float(blur),
        motion=float(motion),
        motion_deg=float(motion_deg),
    )


def hold_camera(width: int, height: int, rng: np.random.Generator) -> Array:
    """Frame from scene for a camera held by hand: shift, roll, a breath of zoom and tilt, (3, 3)."""
    scale = width / 2400
    roll = np.deg2rad(np.clip(rng.normal(0, 0.26), -0.6, 0.6))
    zoom = np.exp(np.clip(rng.normal(0, 0.003), -0.007, 0.007))
    shift = np.clip(rng.normal(0, 15, 2), -40, 40) * scale
    tilt = rng.normal(0, 6e-7, 2) / scale
    cx, cy = width / 2, height / 2
    cos, sin = zoom * np.cos(roll), zoom * np.sin(roll)
    centre = np.array([[1, 0, -cx], [0, 1, -cy], [0, 0, 1]])
    turn = np.array([[cos, -sin, shift[0]], [sin, cos, shift[1]], [tilt[0], tilt[1], 1]])
    h = np.linalg.inv(centre) @ turn @ centre
    return h / h[2, 2]


def plan_burst(
    rng: np.random.Generator,
    *,
    people: int = 8,
    frames: int = 20,
    width: int = 2100,
    height: int | None = None,
    background: str = "half",
    quality: int = 82,
    grain: float = 1.6,
) -> Plan:
    """Decide everything about a burst before it is drawn.

    Parameters
    ----------
    rng : numpy.random.Generator
    people, frames : int
    width, height : int
        Px; 3:2 if no height is given.
    background : {"half", "sky", "brick", "backdrop"}
    quality : int
        JPEG quality.
    grain : float
        Standard deviation of the sensor's noise in mid tones, 8-bit steps.

    Returns
    -------
    Plan
    """
    if people < 1 or frames < 1 or width < 200:
        raise ValueError("a burst needs a person, a frame and 200 px of width")
    if background not in scene.BACKGROUNDS:
        raise ValueError(f"no background is called {background!r}; there are {', '.join(scene.BACKGROUNDS)}")
    height = height or round(width * 2 / 3)
    crowd_rng, table_rng, camera_rng, scene_rng = rng.spawn(4)
    crowd = invent_people(people, crowd_rng)
    places = stand(crowd, width, height, crowd_rng)
    table = schedule(people, frames, table_rng)
    scale = width / 2400
    usual = [
        {
            "turn": float(np.clip(crowd_rng.normal(0, 4.0) - 5.0 * (p.x / width - 0.5), -9, 9)),
            "nod": float(crowd_rng.normal(0.5, 1.2)),
            "tilt": float(crowd_rng.normal(0, 2.2)),
        }
        for p in places
    ]
    shots, time = [], START
    for index in range(frames):
        (own,) = camera_rng.spawn(1)
        moments = tuple(
            _moment(crowd[i], places[i], table[i, index], usual[i], scale, own) for i in range(people)
        )
        shots.append(
            Shot(
                index=index,
                homography=hold_camera(width, height, own),
                gain=float(np.clip(np.exp(own.normal(0, 0.022)), 0.95, 1.05)),
                time=time,
                moments=moments,
                grain_seed=int(own.integers(2**62)),
            )
        )
        time += datetime.timedelta(milliseconds=int(own.integers(2000, 4000)) // 10 * 10)
    return Plan(
        width=width,
        height=height,
        background=background,
        background_seed=int(scene_rng.integers(2**62)),
        oversample=2.0 if width <= 3000 else 1.0,
        supersample=2.0 if width <= 3000 else 1.0,
        quality=quality,
        grain=grain,
        people=tuple(crowd),
        places=tuple(places),
        shots=tuple(shots),
    )
