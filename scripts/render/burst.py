"""The burst itself: who stands where, what goes wrong when, the camera, the files and their truth."""

from __future__ import annotations

import datetime
import io
import json
import multiprocessing
import shutil
import struct
import tempfile
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from . import portrait, scene
from .head import Expression
from .paint import to_linear, to_srgb
from .person import Person, invent_people

Array = NDArray[np.float64]
START = datetime.datetime(2021, 6, 12, 15, 20, 7, 340000)
FACE_CM = 15.5
DEFECTS = ("shut", "half", "mouth", "defocus", "motion")
MOUTHS = ("word", "side", "pout", "grimace")


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
            places[i] = Place(row=row, x=float(x), y=float(y), px_per_cm=float(face / FACE_CM * depth * people[i].size))
    return [p for p in places if p is not None]


def schedule(people: int, frames: int, rng: np.random.Generator) -> NDArray[np.object_]:
    """Which defect each person has in each frame, (people, frames) of str; "" is good.

    Everyone has good frames, and no frame has everyone good (which a single person cannot satisfy).
    """
    weights = (0.30, 0.16, 0.20, 0.17, 0.17)
    table = np.where(
        rng.random((people, frames)) < 0.55, "", rng.choice(DEFECTS, (people, frames), p=weights)
    ).astype(object)  # fmt: skip
    needed = min(4, max(1, frames // 2))
    for person in range(people):
        while (table[person] == "").sum() < needed:
            bad = np.flatnonzero(table[person] != "")
            spoilt = (table[:, bad] != "").sum(0)
            table[person, rng.choice(bad[spoilt == spoilt.max()])] = ""
    if people > 1:
        for frame in np.flatnonzero((table == "").all(0)):
            good = (table == "").sum(1)
            table[int(np.argmax(good)), frame] = rng.choice(DEFECTS, p=weights)
    return table


def _moment(person: Person, place: Place, defect: str, usual: dict[str, float], scale: float, rng: np.random.Generator) -> Moment:
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
        close=float(close), smile=smile, squash=float(squash), squash_kind=kind,
        turn_deg=float(usual["turn"] + rng.normal(0, 2.6)), nod_deg=float(usual["nod"] + rng.normal(0, 1.5)),
        tilt_deg=float(usual["tilt"] + rng.normal(0, 1.4)),
    )  # fmt: skip
    moved = Place(
        row=place.row, x=float(place.x + rng.normal(0, 7.5 * scale)), y=float(place.y + rng.normal(0, 6.5 * scale)),
        px_per_cm=float(place.px_per_cm * np.exp(rng.normal(0, 0.007))),
    )  # fmt: skip
    return Moment(expression=expression, place=moved, good=defect == "", blur=float(blur), motion=float(motion), motion_deg=float(motion_deg))  # fmt: skip


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
    rng: np.random.Generator, *, people: int = 8, frames: int = 20, width: int = 2100, height: int | None = None,
    background: str = "half", quality: int = 85, grain: float = 1.6,
) -> Plan:  # fmt: skip
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
        {"turn": float(np.clip(crowd_rng.normal(0, 4.0) - 5.0 * (p.x / width - 0.5), -9, 9)),
         "nod": float(crowd_rng.normal(0.5, 1.2)), "tilt": float(crowd_rng.normal(0, 2.2))}
        for p in places
    ]  # fmt: skip
    shots, time = [], START
    for index in range(frames):
        (own,) = camera_rng.spawn(1)
        moments = tuple(
            _moment(crowd[i], places[i], table[i, index], usual[i], scale, own) for i in range(people)
        )  # fmt: skip
        shots.append(
            Shot(index=index, homography=hold_camera(width, height, own), gain=float(np.clip(np.exp(own.normal(0, 0.022)), 0.95, 1.05)),
                 time=time, moments=moments, grain_seed=int(own.integers(2**62)))
        )  # fmt: skip
        time += datetime.timedelta(milliseconds=int(own.integers(2000, 4000)) // 10 * 10)
    return Plan(
        width=width, height=height, background=background, background_seed=int(scene_rng.integers(2**62)),
        oversample=2.0 if width <= 3000 else 1.0, supersample=2.0 if width <= 3000 else 1.0, quality=quality,
        grain=grain, people=tuple(crowd), places=tuple(places), shots=tuple(shots),
    )  # fmt: skip


def _layer(person: Person, moment: Moment, homography: Array, width: int, height: int, supersample: float) -> tuple[portrait.Drawn, tuple[int, int]]:
    """Draw one person at their own size; returns the layer and its upper left frame pixel."""
    place = moment.place
    whole = portrait.View(
        x=place.x, y=place.y, px_per_cm=place.px_per_cm, homography=homography, origin=(0, 0), shape=(1, 1), supersample=1.0
    )
    reach = 28.0 * max(person.shoulders, 0.9)
    corners = np.array([[-reach, 18.5, 0], [reach, 18.5, 0], [-reach, -95.0, 0], [reach, -95.0, 0]])
    xy = whole.frame(corners)
    pad = int(np.ceil(3 * moment.blur + moment.motion)) + 3
    x0, y0 = (np.floor(xy.min(0)).astype(int) - pad).tolist()
    x1, y1 = (np.ceil(xy.max(0)).astype(int) + pad).tolist()
    x0, y0, x1, y1 = max(x0, -pad), max(y0, -pad), min(x1, width + pad), min(y1, height + pad)
    view = portrait.View(
        x=place.x, y=place.y, px_per_cm=place.px_per_cm, homography=homography, origin=(x0, y0),
        shape=(y1 - y0, x1 - x0), supersample=supersample,
    )  # fmt: skip
    return portrait.draw_person(person, moment.expression, view), (x0, y0)


_CANVAS: dict[str, Any] = {}


def _canvas_key(plan: Plan) -> tuple[object, ...]:
    return plan.background, plan.background_seed, plan.width, plan.height, plan.oversample


def _background(plan: Plan) -> tuple[NDArray[np.uint8], Array]:
    key = _canvas_key(plan)
    if _CANVAS.get("key") != key:
        rng = np.random.default_rng(plan.background_seed)
        _CANVAS["key"] = key
        _CANVAS["canvas"] = scene.paint_background(plan.background, plan.width, plan.height, rng, oversample=plan.oversample)
    canvas: tuple[NDArray[np.uint8], Array] = _CANVAS["canvas"]
    return canvas


def draw_shot(plan: Plan, shot: Shot) -> tuple[NDArray[np.uint8], NDArray[np.uint8], list[dict[str, Any]]]:
    """Draw one frame.

    Returns
    -------
    frame : (H, W, 3) uint8 sRGB
    who : (H, W) uint8
        0 background, k where person k - 1 is seen.
    faces : list of dict
        The truth of each face.
    """
    canvas, canvas_from_scene = _background(plan)
    image = scene.photograph(canvas, canvas_from_scene, shot.homography, (plan.width, plan.height), plan.oversample)
    who = np.zeros((plan.height, plan.width), np.uint8)
    faces: list[dict[str, Any]] = []
    order = sorted(range(len(plan.people)), key=lambda i: (plan.places[i].row, abs(plan.places[i].x - plan.width / 2) * -1))
    found: dict[int, dict[str, Any]] = {}
    for i in order:
        moment = shot.moments[i]
        drawn, (x0, y0) = _layer(plan.people[i], moment, shot.homography, plan.width, plan.height, plan.supersample)
        colour, alpha = portrait.smear(drawn, moment.blur, moment.motion, moment.motion_deg)
        a0, b0 = max(x0, 0), max(y0, 0)
        a1, b1 = min(x0 + alpha.shape[1], plan.width), min(y0 + alpha.shape[0], plan.height)
        part = (slice(b0 - y0, b1 - y0), slice(a0 - x0, a1 - x0))
        target = image[b0:b1, a0:a1]
        target *= 1 - alpha[part][..., None]
        target += colour[part]
        who[b0:b1, a0:a1][drawn.alpha[part] >= 0.5] = i + 1
        marks = drawn.landmarks
        seen = cv2.perspectiveTransform(marks[None], shot.homography)[0]
        low, high = marks.min(0), marks.max(0)
        flow, fhigh = seen.min(0), seen.max(0)
        e = moment.expression
        found[i] = {
            "id": i, "good": moment.good, "close": e.close, "squash": e.squash, "blur": moment.blur, "motion": moment.motion,
            "centre": ((low + high) / 2).tolist(), "box": [*low.tolist(), *high.tolist()],
            "frame_box": [*flow.tolist(), *fhigh.tolist()], "frame_centre": ((flow + fhigh) / 2).tolist(),
            "smile": e.smile, "mouth": e.squash_kind if e.squash else "", "turn_deg": e.turn_deg, "tilt_deg": e.tilt_deg,
            "nod_deg": e.nod_deg, "motion_deg": moment.motion_deg,
        }  # fmt: skip
    faces = [found[i] for i in range(len(plan.people))]
    return _expose(image, shot, plan.grain), who, faces


def _expose(image: NDArray[np.float32], shot: Shot, grain: float) -> NDArray[np.uint8]:
    """Exposure and sensor noise; noise follows the light as shot noise does, and is mostly shared by the colours."""
    steps = np.linspace(0, 1, 4096, dtype=np.float32)
    curve = to_srgb(to_linear(steps) * shot.gain).astype(np.float32)
    rng = np.random.default_rng(shot.grain_seed)
    height, width = image.shape[:2]
    out = np.empty((height, width, 3), np.uint8)
    for y in range(0, height, 256):
        strip = curve[np.clip(np.rint(image[y : y + 256] * 4095), 0, 4095).astype(np.int32)] * 255
        shared = rng.standard_normal((*strip.shape[:2], 1), dtype=np.float32)
        single = rng.standard_normal(strip.shape, dtype=np.float32)
        level = grain * (0.75 + 0.5 * np.sqrt(np.clip(1 - np.abs(strip.mean(2, keepdims=True) / 127.5 - 1), 0, 1)))
        strip += level * (0.85 * shared + 0.5 * single)
        out[y : y + 256] = np.clip(np.rint(strip), 0, 255).astype(np.uint8)
    return out


def srgb_profile() -> bytes:
    """An sRGB ICC profile with a fixed date, so that the same burst gives the same bytes."""
    data = bytearray(ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes())
    data[24:36] = struct.pack(">6H", 2021, 1, 1, 0, 0, 0)
    return bytes(data)


def encode(frame: NDArray[np.uint8], time: datetime.datetime, quality: int) -> bytes:
    """JPEG with time of capture and profile."""
    exif = Image.Exif()
    stamp = time.strftime("%Y:%m:%d %H:%M:%S")
    exif[0x0132] = stamp
    exif[0x0131] = "render_burst"
    exif.get_ifd(0x8769).update({0x9003: stamp, 0x9004: stamp, 0x9291: f"{time.microsecond // 10000:02d}", 0xA001: 1})
    out = io.BytesIO()
    Image.fromarray(frame).save(
        out, "JPEG", quality=quality, subsampling="4:2:0", optimize=True, exif=exif, icc_profile=srgb_profile()
    )
    return out.getvalue()


def _work(plan: Plan, shot: Shot, folder: Path) -> dict[str, Any]:
    frame, who, faces = draw_shot(plan, shot)
    name, map_name = f"frame_{shot.index:03d}.jpg", f"truth/who_{shot.index:03d}.png"
    (folder / name).write_bytes(encode(frame, shot.time, plan.quality))
    Image.fromarray(who).save(folder / map_name, optimize=True)
    return {
        "file": name, "who": map_name, "homography": shot.homography.tolist(), "gain": shot.gain,
        "time": shot.time.isoformat(timespec="milliseconds"), "faces": faces,
    }  # fmt: skip


_JOB: dict[str, Any] = {}


def _start(plan: Plan, folder: Path, canvas_from_scene: Array) -> None:
    cv2.setNumThreads(1)
    _JOB.update(plan=plan, folder=folder)
    _CANVAS["key"] = _canvas_key(plan)
    _CANVAS["canvas"] = (np.load(folder / "canvas.npy", mmap_mode="r"), canvas_from_scene)


def _pooled(index: int) -> dict[str, Any]:
    plan: Plan = _JOB["plan"]
    return _work(plan, plan.shots[index], _JOB["folder"])


def render_burst(
    out: Path | str,
    rng: np.random.Generator,
    *,
    people: int = 8,
    frames: int = 20,
    width: int = 2100,
    height: int | None = None,
    background: str = "half",
    quality: int = 85,
    grain: float = 1.6,
    workers: int = 1,
    force: bool = False,
) -> Path:
    """Render a burst of a group that never existed, with its truth.

    Parameters
    ----------
    out : path
        Folder to make: frame_NNN.jpg, truth.json, truth/who_NNN.png.
    rng : numpy.random.Generator
        Same state and arguments give the same bytes, whatever the number of workers.
    people, frames, width, height, background, quality, grain
        As in `plan_burst`.
    workers : int
        Processes to share the frames between.
    force : bool
        Replace a folder that is not empty.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    FileExistsError
        If the folder is not empty and `force` is not set.
    """
    out = Path(out)
    if out.exists() and (not out.is_dir() or any(out.iterdir())) and not force:
        raise FileExistsError(f"{out} is not empty; give --force to replace it")
    plan = plan_burst(
        rng, people=people, frames=frames, width=width, height=height, background=background, quality=quality, grain=grain
    )
    out.parent.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    try:
        folder.chmod(0o755)
        (folder / "truth").mkdir()
        if workers > 1:
            # Spawned, not forked: a fork copies OpenCV's locks without the threads that would release them. The
            # background is painted once and shared through a file.
            canvas, canvas_from_scene = _background(plan)
            np.save(folder / "canvas.npy", canvas)
            context = multiprocessing.get_context("spawn")
            begin = (plan, folder, canvas_from_scene)
            with ProcessPoolExecutor(workers, mp_context=context, initializer=_start, initargs=begin) as pool:
                told = list(pool.map(_pooled, range(frames)))
            (folder / "canvas.npy").unlink()
        else:
            told = [_work(plan, shot, folder) for shot in plan.shots]
        _write_truth(plan, told, folder / "truth.json")
        if out.exists():
            shutil.rmtree(out) if out.is_dir() else out.unlink()
        folder.rename(out)
    finally:
        if folder.exists():
            shutil.rmtree(folder)
    return out


def _write_truth(plan: Plan, frames: list[dict[str, Any]], path: Path) -> None:
    people = []
    for i, (person, place) in enumerate(zip(plan.people, plan.places, strict=True)):
        widths = [f["faces"][i]["box"][2] - f["faces"][i]["box"][0] for f in frames]
        people.append({
            "id": i, "portrait": f"drawn:{i}", "row": place.row, "x": place.x, "y": place.y,
            "face_width": float(np.median(widths)), "archetype": person.name, "age": person.age, "smiles": person.smiles,
        })  # fmt: skip
    truth = {"width": plan.width, "height": plan.height, "background": plan.background, "people": people, "frames": frames}

    def tidy(value: Any) -> Any:
        if isinstance(value, float):
            return float(f"{value:.10g}")
        if isinstance(value, dict):
            return {k: tidy(v) for k, v in value.items()}
        if isinstance(value, list):
            return [tidy(v) for v in value]
        return value

    path.write_text(json.dumps(tidy(truth), indent=None, separators=(", ", ": ")) + "\n", encoding="utf-8")


def render_head(
    person: Person,
    *,
    width_px: float,
    rng: np.random.Generator,
    close: float = 0.0,
    smile: float = 0.3,
    squash: float = 0.0,
    mouth_open: float = 0.0,
    turn_deg: float = 0.0,
    tilt_deg: float = 0.0,
    blur_px: float = 0.0,
    motion_px: float = 0.0,
    motion_deg: float = 0.0,
    squash_kind: str | None = None,
    grain: float = 1.6,
    supersample: float = 2.0,
) -> NDArray[np.uint8]:
    """Draw one head on a plain backdrop.

    Parameters
    ----------
    person : Person
    width_px : float
        Width of the face, px; the picture is about 1.9 times as wide.
    rng : numpy.random.Generator
        Sensor noise, and the kind of a spoiled mouth if none is given.
    close, smile, squash, mouth_open : float
        In [0, 1].
    turn_deg, tilt_deg : float
    blur_px, motion_px, motion_deg : float
        Defocus (standard deviation) and motion (length, direction).
    squash_kind : {"word", "side", "pout", "grimace"}, optional
    grain : float
        8-bit steps.
    supersample : float

    Returns
    -------
    (H, W, 3) uint8
        SRGB.
    """
    kind = squash_kind or str(rng.choice(MOUTHS))
    expression = Expression(
        close=close, smile=smile, squash=squash, squash_kind=kind, mouth_open=mouth_open, turn_deg=turn_deg, tilt_deg=tilt_deg
    )
    per_cm = width_px / FACE_CM
    height, width = round(33 * per_cm), round(29 * per_cm)
    view = portrait.View(
        x=width / 2, y=15.5 * per_cm, px_per_cm=per_cm, homography=np.eye(3), origin=(0, 0), shape=(height, width),
        supersample=supersample,
    )  # fmt: skip
    drawn = portrait.draw_person(person, expression, view)
    colour, alpha = portrait.smear(drawn, blur_px, motion_px, motion_deg)
    image = colour + np.array([0.62, 0.68, 0.73], np.float32) * (1 - alpha[..., None])
    shot = Shot(index=0, homography=np.eye(3), gain=1.0, time=START, moments=(), grain_seed=int(rng.integers(2**62)))
    return _expose(image.astype(np.float32), shot, grain)


__all__ = ["Person", "asdict", "invent_people", "plan_burst", "render_burst", "render_head"]
