"""The benchmark's input: bursts as large as a camera's, of people who do not exist.

Drawing ten people anew for each of sixty frames of 24 megapixels would take half an hour. So each person is
drawn at full size a few times, once for each thing that goes wrong and a few times well, and every frame sets
these drawings before its own background, moved and turned as its own plan says, with grain of its own. What
is made is kept: a second call with the same recipe draws nothing, one after a kill draws what is missing.
"""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from render import portrait, scene
from render.burst import encode, expose
from render.plan import Moment, Plan, Shot, plan_burst
from render.view import View

Matrix = NDArray[np.float64]
Image = NDArray[np.uint8]

QUALITY, GRAIN = 96, 2.4
"""JPEG quality and noise that give 24 megapixels about 10 MB, as a camera's fine setting does."""
GOOD_DRAWINGS = 3
"""How often each person is drawn well; what goes wrong is drawn once of each kind."""
REACH_CM, ABOVE_CM, BELOW_CM = 28.0, 18.5, -95.0
"""What a drawing holds of a person, about their head."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """What a burst is made from; the same recipe gives the same bytes."""

    people: int
    of: int
    """How large the group is from which they are taken, so that faces stay as large when some stay away."""
    frames: int
    width: int
    height: int
    seed: int = 7

    @property
    def name(self) -> str:
        """The folder's name."""
        group = f"{self.people}" if self.people == self.of else f"{self.people}-of-{self.of}"
        return f"{group}-people-{self.width}x{self.height}-{self.frames}-frames"


def size_of(megapixels: float) -> tuple[int, int]:
    """Return the (W, H) of a 3:2 frame, W a multiple of 12; 24 megapixels are 6000 x 4000."""
    width = 12 * round(np.sqrt(megapixels * 1.5e6) / 12)
    return width, width * 2 // 3


def draw_burst(folder: Path, recipe: Recipe, *, workers: int = 2) -> list[Path]:
    """Draw a burst, or what is still missing of it, and return its frames.

    Parameters
    ----------
    folder : path
        Where bursts are kept, each in a folder of its own beside the drawings it was made from.
    recipe : Recipe
    workers : int
        Processes; of no influence on the result.

    Returns
    -------
    list of path
        `frame_NNN.jpg`, in order; a `truth.json` lies beside them.

    Raises
    ------
    FileExistsError
        If the folder holds a burst of another recipe under this name.
    """
    out = folder / recipe.name
    paths = [out / f"frame_{k:03d}.jpg" for k in range(recipe.frames)]
    if (out / "truth.json").exists():
        made = json.loads((out / "truth.json").read_text(encoding="utf-8"))["recipe"]
        if made != asdict(recipe):
            raise FileExistsError(f"{out} holds another burst; remove it, or name another folder.")
        if all(p.exists() for p in paths):
            return paths
    plan = _plan(recipe)
    out.mkdir(parents=True, exist_ok=True)
    drawings = (
        folder / f"drawings-of-{recipe.of}-{recipe.width}x{recipe.height}-{recipe.frames}-{recipe.seed}"
    )
    drawings.mkdir(exist_ok=True)
    _spread(_draw_person, recipe, drawings, out, range(recipe.people), workers)
    # Painted before anybody needs it, so that not every process paints it.
    _background(plan, drawings)
    _spread(_draw_frame, recipe, drawings, out, range(recipe.frames), workers)
    _write(out / "truth.json", json.dumps(_truth(plan, recipe, drawings), indent=1).encode() + b"\n")
    return paths


def _plan(recipe: Recipe) -> Plan:
    plan = plan_burst(
        np.random.default_rng(recipe.seed),
        people=recipe.of,
        frames=recipe.frames,
        width=recipe.width,
        height=recipe.height,
        background="half",
        quality=QUALITY,
        grain=GRAIN,
    )
    # Taken from all over the picture, so that a few stand no closer than many.
    chosen = [i * recipe.of // recipe.people for i in range(recipe.people)]
    return replace(
        plan,
        people=tuple(plan.people[i] for i in chosen),
        places=tuple(plan.places[i] for i in chosen),
        shots=tuple(replace(s, moments=tuple(s.moments[i] for i in chosen)) for s in plan.shots),
    )


def _kind(moment: Moment) -> str:
    """Return what is wrong with a moment, '' if nothing."""
    e = moment.expression
    for name, wrong in (("defocus", moment.blur), ("motion", moment.motion), ("mouth", e.squash)):
        if wrong:
            return name
    return ("shut" if e.close > 0.8 else "half") if e.close else ""


def _drawn(plan: Plan, person: int) -> list[tuple[str, Moment]]:
    """Return the moments of which a person is drawn: the first of each kind, a few of the good ones."""
    count: dict[str, int] = {}
    found = []
    for shot in plan.shots:
        moment = shot.moments[person]
        kind = _kind(moment)
        if count.get(kind, 0) < (1 if kind else GOOD_DRAWINGS):
            found.append((kind, moment))
            count[kind] = count.get(kind, 0) + 1
    return found


def _stand_in(plan: Plan, shot: Shot, person: int) -> int:
    """Return which of a person's drawings stands for them in a frame: one of the frame's own kind."""
    kind = _kind(shot.moments[person])
    same = [k for k, (other, _) in enumerate(_drawn(plan, person)) if other == kind]
    return same[shot.index % len(same)]


def _draw_person(recipe: Recipe, drawings: Path, out: Path, person: int) -> None:
    """Draw one person all the ways they are needed: an (h, w, 4) uint8 file each, premultiplied."""
    plan = _plan(recipe)
    # Named by where they stand in the whole group: a group of fewer takes the same drawings.
    own = person * recipe.of // recipe.people
    for k, (_, moment) in enumerate(_drawn(plan, person)):
        path = drawings / f"person_{own:02d}_{k}.npz"
        if path.exists():
            continue
        origin, shape = _extent(plan, person, moment)
        place = plan.places[person]
        view = View(
            x=place.x,
            y=place.y,
            px_per_cm=place.px_per_cm,
            homography=np.eye(3),
            origin=origin,
            shape=shape,
            supersample=1.0,
        )
        drawn = portrait.draw_person(plan.people[person], moment.expression, view)
        colour, alpha = portrait.smear(drawn, moment.blur, moment.motion, moment.motion_deg)
        layer = np.concatenate([colour, alpha[..., None]], -1) * 255
        temporary = path.with_suffix(".part")
        with temporary.open("wb") as file:
            np.savez(
                file,
                layer=np.clip(np.rint(layer), 0, 255).astype(np.uint8),
                origin=np.array(origin),
                landmarks=drawn.landmarks,
            )
        os.replace(temporary, path)


def _extent(plan: Plan, person: int, moment: Moment) -> tuple[tuple[int, int], tuple[int, int]]:
    """Return the upper left scene pixel of a person's drawing and its (H, W)."""
    place, reach = plan.places[person], REACH_CM * max(plan.people[person].shoulders, 0.9)
    # Nearer parts are drawn larger: a tenth more than their centimetres holds the shoulders.
    pad = int(np.ceil(3 * moment.blur + moment.motion)) + 3 + round(0.1 * reach * place.px_per_cm)
    x0 = int(place.x - reach * place.px_per_cm) - pad
    x1 = int(place.x + reach * place.px_per_cm) + pad
    y0 = int(place.y - ABOVE_CM * place.px_per_cm) - pad
    # What is below the picture, however the camera is held, is not drawn.
    y1 = min(int(place.y - BELOW_CM * place.px_per_cm) + pad, round(1.05 * plan.height))
    return (x0, y0), (y1 - y0, x1 - x0)


def _frame_from_drawn(plan: Plan, shot: Shot, person: int) -> Matrix:
    """Return the matrix from a drawing's scene pixels to where the person stands in a frame."""
    usual, now = plan.places[person], shot.moments[person].place
    grown = now.px_per_cm / usual.px_per_cm
    step = np.array([[grown, 0, now.x - grown * usual.x], [0, grown, now.y - grown * usual.y], [0, 0, 1.0]])
    return np.asarray(shot.homography @ step)


_CANVAS: dict[str, tuple[Image, Matrix]] = {}


def _background(plan: Plan, drawings: Path) -> tuple[Image, Matrix]:
    """Return the background's canvas and the matrix to it from the scene, kept for all processes."""
    key = str(drawings)
    if key not in _CANVAS:
        path = drawings / "canvas.npz"
        if not path.exists():
            canvas, canvas_from_scene = scene.paint_background(
                plan.background,
                plan.width,
                plan.height,
                np.random.default_rng(plan.background_seed),
                oversample=1.0,
            )
            temporary = drawings / f"canvas-{os.getpid()}.part"
            with temporary.open("wb") as file:
                np.savez(file, canvas=canvas, canvas_from_scene=canvas_from_scene)
            os.replace(temporary, path)
        with np.load(path) as held:
            _CANVAS[key] = (held["canvas"], held["canvas_from_scene"])
    return _CANVAS[key]


def _draw_frame(recipe: Recipe, drawings: Path, out: Path, index: int) -> None:
    path = out / f"frame_{index:03d}.jpg"
    if path.exists():
        return
    plan = _plan(recipe)
    shot = plan.shots[index]
    canvas, canvas_from_scene = _background(plan, drawings)
    image = scene.photograph(canvas, canvas_from_scene, shot.homography, (plan.width, plan.height), 1.0)
    back_row_first = sorted(
        range(recipe.people), key=lambda i: (plan.places[i].row, -abs(plan.places[i].x - plan.width / 2))
    )
    for person in back_row_first:
        own = person * recipe.of // recipe.people
        with np.load(drawings / f"person_{own:02d}_{_stand_in(plan, shot, person)}.npz") as held:
            _set_before(image, held["layer"], held["origin"], _frame_from_drawn(plan, shot, person))
    _write(path, encode(expose(image, shot, plan.grain), shot.time, plan.quality))


def _set_before(image: NDArray[np.float32], layer: Image, origin: NDArray[np.int64], matrix: Matrix) -> None:
    """Set a drawing before what is in a picture already, in place."""
    height, width = layer.shape[:2]
    corners = np.array([[0, 0], [width, 0], [0, height], [width, height]], float) + origin
    seen = cv2.perspectiveTransform(corners[None], matrix)[0]
    x0, y0 = (max(0, int(v)) for v in np.floor(seen.min(0)))
    x1 = min(image.shape[1], int(np.ceil(seen[:, 0].max())))
    y1 = min(image.shape[0], int(np.ceil(seen[:, 1].max())))
    move = np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1.0]]) @ matrix
    move = move @ np.array([[1, 0, origin[0]], [0, 1, origin[1]], [0, 0, 1.0]])
    moved = cv2.warpPerspective(layer, move, (x1 - x0, y1 - y0), flags=cv2.INTER_LANCZOS4)
    target = image[y0:y1, x0:x1]
    target *= 1 - moved[..., 3:].astype(np.float32) / 255
    target += moved[..., :3].astype(np.float32) / 255
    np.clip(target, 0, 1, out=target)


def _truth(plan: Plan, recipe: Recipe, drawings: Path) -> dict[str, Any]:
    """Return what is true of a burst, in the form that `evaluate.py` reads."""
    frames = []
    for shot in plan.shots:
        faces = []
        for person in range(recipe.people):
            which = _stand_in(plan, shot, person)
            own = person * recipe.of // recipe.people
            with np.load(drawings / f"person_{own:02d}_{which}.npz") as held:
                marks = held["landmarks"]
            seen = cv2.perspectiveTransform(marks[None], _frame_from_drawn(plan, shot, person))[0]
            moment = _drawn(plan, person)[which][1]
            faces.append(
                {
                    "id": person,
                    "good": moment.good,
                    "close": moment.expression.close,
                    "squash": moment.expression.squash,
                    "blur": moment.blur,
                    "motion": moment.motion,
                    "frame_box": [round(float(v), 2) for v in (*seen.min(0), *seen.max(0))],
                }
            )
        frames.append(
            {
                "file": f"frame_{shot.index:03d}.jpg",
                "homography": shot.homography.tolist(),
                "time": shot.time.isoformat(timespec="milliseconds"),
                "faces": faces,
            }
        )
    return {"recipe": asdict(recipe), "width": plan.width, "height": plan.height, "frames": frames}


def more_frames(folder: Path, frames: Sequence[Path], count: int, *, workers: int = 2) -> list[Path]:
    """Return `count` frames: those of a burst, and, once they run out, the same again a few pixels aside.

    Parameters
    ----------
    folder : path
        Where the frames made are kept.
    frames : sequence of path
        The burst's own.
    count : int
        How many are wanted.
    workers : int
        Processes.
    """
    if count <= len(frames):
        return list(frames[:count])
    folder.mkdir(parents=True, exist_ok=True)
    wanted = [folder / f"frame_{k:03d}.jpg" for k in range(len(frames), count)]
    jobs = [
        (frames[k % len(frames)], p, k, None)
        for k, p in enumerate(wanted, start=len(frames))
        if not p.exists()
    ]
    _pool(_made_from, jobs, workers)
    return [*frames, *wanted]


def resized(folder: Path, frames: Sequence[Path], size: tuple[int, int], *, workers: int = 2) -> list[Path]:
    """Return a burst's frames at another (W, H), with grain of their own, kept in a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    wanted = [folder / p.name for p in frames]
    jobs = [(p, w, k, size) for k, (p, w) in enumerate(zip(frames, wanted, strict=True)) if not w.exists()]
    _pool(_made_from, jobs, workers)
    return wanted


def _made_from(source: Path, path: Path, index: int, size: tuple[int, int] | None) -> None:
    """Make a frame from another: of another size with fresh grain, or moved by a few pixels."""
    image = cv2.imread(str(source))
    if image is None:
        raise FileNotFoundError(f"{source} cannot be read.")
    rng = np.random.default_rng(index)
    if size is None:
        dx, dy = rng.integers(-12, 13, 2)
        step = np.array([[1, 0, dx], [0, 1, dy]], np.float32)
        image = cv2.warpAffine(image, step, image.shape[1::-1], borderMode=cv2.BORDER_REFLECT)
    else:
        # Shrinking averages grain away, enlarging makes it coarse: either way it needs some of its own.
        way = cv2.INTER_AREA if size[0] < image.shape[1] else cv2.INTER_CUBIC
        image = cv2.resize(image, size, interpolation=way)
        noise = np.empty_like(image, np.int8)
        for strip in noise:
            strip[:] = np.rint(rng.normal(0, GRAIN, strip.shape))
        image = cv2.add(image, noise, dtype=cv2.CV_8U)
    good, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    assert good
    _write(path, data.tobytes())


def _spread(work: Any, recipe: Recipe, drawings: Path, out: Path, items: range, workers: int) -> None:
    _pool(work, [(recipe, drawings, out, i) for i in items], workers)


def _one_thread() -> None:
    cv2.setNumThreads(1)


def _pool(work: Any, jobs: Sequence[tuple[Any, ...]], workers: int) -> None:
    """Call `work` once a job, in processes of their own if there is more than one."""
    if workers == 1 or len(jobs) < 2:
        for job in jobs:
            work(*job)
        return
    # Spawned: a fork copies OpenCV's locks without the threads that would release them.
    context = multiprocessing.get_context("spawn")
    with ProcessPoolExecutor(workers, mp_context=context, initializer=_one_thread) as pool:
        for done in [pool.submit(work, *job) for job in jobs]:
            done.result()


def _write(path: Path, data: bytes) -> None:
    temporary = path.with_name(f".{path.name}-{os.getpid()}.part")
    temporary.write_bytes(data)
    os.replace(temporary, path)
