"""The burst itself: frames drawn after a plan, the files and their truth."""

from __future__ import annotations

import datetime
import io
import json
import multiprocessing
import shutil
import struct
import tempfile
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageCms

from . import portrait, scene
from .paint import to_linear, to_srgb
from .person import Person, invent_people
from .plan import Moment, Plan, Shot, plan_burst
from .view import View

Array = NDArray[np.float64]


def _layer(
    person: Person, moment: Moment, homography: Array, width: int, height: int, supersample: float
) -> tuple[portrait.Drawn, tuple[int, int]]:
    """Draw one person at their own size; returns the layer and its upper left frame pixel."""
    place = moment.place
    whole = View(
        x=place.x,
        y=place.y,
        px_per_cm=place.px_per_cm,
        homography=homography,
        origin=(0, 0),
        shape=(1, 1),
        supersample=1.0,
    )
    reach = 28.0 * max(person.shoulders, 0.9)
    corners = np.array([[-reach, 18.5, 0], [reach, 18.5, 0], [-reach, -95.0, 0], [reach, -95.0, 0]])
    xy = whole.frame(corners)
    pad = int(np.ceil(3 * moment.blur + moment.motion)) + 3
    x0, y0 = (np.floor(xy.min(0)).astype(int) - pad).tolist()
    x1, y1 = (np.ceil(xy.max(0)).astype(int) + pad).tolist()
    x0, y0, x1, y1 = max(x0, -pad), max(y0, -pad), min(x1, width + pad), min(y1, height + pad)
    view = View(
        x=place.x,
        y=place.y,
        px_per_cm=place.px_per_cm,
        homography=homography,
        origin=(x0, y0),
        shape=(y1 - y0, x1 - x0),
        supersample=supersample,
    )
    return portrait.draw_person(person, moment.expression, view), (x0, y0)


_CANVAS: dict[str, Any] = {}


def _canvas_key(plan: Plan) -> tuple[object, ...]:
    return plan.background, plan.background_seed, plan.width, plan.height, plan.oversample


def _background(plan: Plan) -> tuple[NDArray[np.uint8], Array]:
    key = _canvas_key(plan)
    if _CANVAS.get("key") != key:
        rng = np.random.default_rng(plan.background_seed)
        _CANVAS["key"] = key
        _CANVAS["canvas"] = scene.paint_background(
            plan.background, plan.width, plan.height, rng, oversample=plan.oversample
        )
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
    image = scene.photograph(
        canvas, canvas_from_scene, shot.homography, (plan.width, plan.height), plan.oversample
    )
    who = np.zeros((plan.height, plan.width), np.uint8)
    order = sorted(
        range(len(plan.people)),
        key=lambda i: (plan.places[i].row, abs(plan.places[i].x - plan.width / 2) * -1),
    )
    found: dict[int, dict[str, Any]] = {}
    for i in order:
        moment = shot.moments[i]
        drawn, (x0, y0) = _layer(
            plan.people[i], moment, shot.homography, plan.width, plan.height, plan.supersample
        )
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
            "id": i,
            "good": moment.good,
            "close": e.close,
            "squash": e.squash,
            "blur": moment.blur,
            "motion": moment.motion,
            "centre": ((low + high) / 2).tolist(),
            "box": [*low.tolist(), *high.tolist()],
            "frame_box": [*flow.tolist(), *fhigh.tolist()],
            "frame_centre": ((flow + fhigh) / 2).tolist(),
            "smile": e.smile,
            "mouth": e.squash_kind if e.squash else "",
            "turn_deg": e.turn_deg,
            "tilt_deg": e.tilt_deg,
            "nod_deg": e.nod_deg,
            "motion_deg": moment.motion_deg,
        }
    faces = [found[i] for i in range(len(plan.people))]
    return expose(image, shot, plan.grain), who, faces


def expose(image: NDArray[np.float32], shot: Shot, grain: float) -> NDArray[np.uint8]:
    """Exposure and sensor noise, which follows the light and is mostly shared by the colours."""
    steps = np.linspace(0, 1, 4096, dtype=np.float32)
    curve = to_srgb(to_linear(steps) * shot.gain).astype(np.float32)
    rng = np.random.default_rng(shot.grain_seed)
    height, width = image.shape[:2]
    out = np.empty((height, width, 3), np.uint8)
    for y in range(0, height, 256):
        strip = curve[np.clip(np.rint(image[y : y + 256] * 4095), 0, 4095).astype(np.int32)] * 255
        shared = rng.standard_normal((*strip.shape[:2], 1), dtype=np.float32)
        single = rng.standard_normal(strip.shape, dtype=np.float32)
        level = grain * (
            0.75 + 0.5 * np.sqrt(np.clip(1 - np.abs(strip.mean(2, keepdims=True) / 127.5 - 1), 0, 1))
        )
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
    exif.get_ifd(0x8769).update(
        {0x9003: stamp, 0x9004: stamp, 0x9291: f"{time.microsecond // 10000:02d}", 0xA001: 1}
    )
    out = io.BytesIO()
    Image.fromarray(frame).save(
        out,
        "JPEG",
        quality=quality,
        subsampling="4:2:0",
        optimize=True,
        exif=exif,
        icc_profile=srgb_profile(),
    )
    return out.getvalue()


def _work(plan: Plan, shot: Shot, folder: Path) -> dict[str, Any]:
    frame, who, faces = draw_shot(plan, shot)
    name, map_name = f"frame_{shot.index:03d}.jpg", f"truth/who_{shot.index:03d}.png"
    (folder / name).write_bytes(encode(frame, shot.time, plan.quality))
    Image.fromarray(who).save(folder / map_name, optimize=True)
    return {
        "file": name,
        "who": map_name,
        "homography": shot.homography.tolist(),
        "gain": shot.gain,
        "time": shot.time.isoformat(timespec="milliseconds"),
        "faces": faces,
    }


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
    quality: int = 82,
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
        rng,
        people=people,
        frames=frames,
        width=width,
        height=height,
        background=background,
        quality=quality,
        grain=grain,
    )
    out.parent.mkdir(parents=True, exist_ok=True)
    folder = Path(tempfile.mkdtemp(prefix=f".{out.name}-", dir=out.parent))
    try:
        folder.chmod(0o755)
        (folder / "truth").mkdir()
        if workers > 1:
            # Spawned: a fork copies OpenCV's locks without the threads that would release them. The
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
        people.append(
            {
                "id": i,
                "portrait": f"drawn:{i}",
                "row": place.row,
                "x": place.x,
                "y": place.y,
                "face_width": float(np.median(widths)),
                "archetype": person.name,
                "age": person.age,
                "smiles": person.smiles,
            }
        )
    truth = {
        "width": plan.width,
        "height": plan.height,
        "background": plan.background,
        "people": people,
        "frames": frames,
    }

    def tidy(value: Any) -> Any:
        if isinstance(value, float):
            return float(f"{value:.10g}")
        if isinstance(value, dict):
            return {k: tidy(v) for k, v in value.items()}
        if isinstance(value, list):
            return [tidy(v) for v in value]
        return value

    path.write_text(json.dumps(tidy(truth), indent=None, separators=(", ", ": ")) + "\n", encoding="utf-8")


__all__ = ["Person", "invent_people", "plan_burst", "render_burst"]
