"""Prints how well faces are judged on bursts whose truth is known.

    python scripts/evaluate.py BURST... [--as full half noise under]

A burst is a folder with frames and a `truth.json`: per frame, per face `id`, `frame_box`, `close` (0 open to
1 shut), `squash` (mouth), `blur` and `motion` (px) and `good`. Figures are areas under the ROC curve with
95 % bootstrap intervals over faces, and how many people's best-scored frame is a good one. Each table is a
function from bursts to rows; tables about other stages go beside `score_table`.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from facemerge import faces, imaging, models, scores
from facemerge.options import Options
from facemerge.words import Face, Score

SHUT, OPEN = 0.85, 0.1
"""`close` from which an eye is shut, and up to which it is open; half-shut between."""
DRAWS = 500


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One face of a burst: what is true of it, and what was said of it."""

    person: int
    frame: int
    truth: dict[str, Any]
    score: Score | None
    """None if the face was not found."""


def degrade(image: NDArray[np.uint8], how: str, seed: int) -> NDArray[np.uint8]:
    """Return a frame as another camera might have taken it: 'full', 'half', 'noise' or 'under'."""
    if how == "half":
        return np.asarray(imaging.resize(image, (image.shape[1] // 2, image.shape[0] // 2)))
    if how == "noise":
        # Half as much again: what is there has to be joined by 1.118 times its own.
        # The median, for edges are few: of normal noise it is 0.8453 of the mean.
        own = float(np.median(imaging.noise_map(imaging.grey(image) * 255))) / 0.8453
        rng = np.random.default_rng(seed)
        noisy = image + rng.normal(0, 1.118 * max(own, 1.5), image.shape)
        return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    if how == "under":
        half_the_light = imaging.to_linear(imaging.to_unit(image)) * 0.5
        return np.asarray(imaging.from_unit(imaging.from_linear(half_the_light), np.uint8))
    return image


def overlap(a: Sequence[float], b: Sequence[float]) -> float:
    """Return the intersection over union of two boxes x0, y0, x1, y1."""
    w, h = min(a[2], b[2]) - max(a[0], b[0]), min(a[3], b[3]) - max(a[1], b[1])
    if w <= 0 or h <= 0:
        return 0.0
    return w * h / ((a[2] - a[0]) * (a[3] - a[1]) + (b[2] - b[0]) * (b[3] - b[1]) - w * h)


def judge(burst: Path, how: str, options: Options) -> tuple[list[Judged], float]:
    """Return every true face of a burst with its score, and the milliseconds that measuring took a face."""
    truth = json.loads((burst / "truth.json").read_text())
    networks = models.Models()
    measured: dict[int, list[tuple[int, dict[str, Any], scores.Measures | None]]] = {}
    spent, count = 0.0, 0
    for f, frame in enumerate(truth["frames"]):
        bgr = cv2.imread(str(burst / frame["file"]))
        if bgr is None:
            raise SystemExit(f"{burst / frame['file']} cannot be read")
        full = cv2.cvtColor(bgr, cv2.COLOR_BGR2RGB)
        image = degrade(np.asarray(full, np.uint8), how, f)
        scale = image.shape[1] / full.shape[1]
        found = faces.detect_faces(image, networks, options.faces)
        for t in frame["faces"]:
            box = [v * scale for v in t["frame_box"]]
            face: Face | None = max(found, key=lambda c: overlap(c.box, box), default=None)
            if face is not None and overlap(face.box, box) < 0.2:
                face = None
            start = time.perf_counter()
            m = None if face is None else scores.measure(image, face)
            spent, count = spent + time.perf_counter() - start, count + (m is not None)
            measured.setdefault(t["id"], []).append((f, t, m))
    judged = []
    for person, row in measured.items():
        for (f, t, _), s in zip(row, scores.score([m for *_, m in row], options.scores), strict=True):
            judged.append(Judged(person=person, frame=f, truth=t, score=s))
    return judged, 1000 * spent / max(count, 1)


def auc(good: NDArray[np.float64], bad: NDArray[np.float64]) -> float:
    """Return the chance that a value of `good` lies above one of `bad`, ties counting half."""
    if not len(good) or not len(bad):
        return float("nan")
    return float((good[:, None] > bad).mean() + 0.5 * (good[:, None] == bad).mean())


def interval(good: NDArray[np.float64], bad: NDArray[np.float64]) -> tuple[float, float, float]:
    """Return the AUC and its 95 % bootstrap interval over faces."""
    rng = np.random.default_rng(0)
    if not len(good) or not len(bad):
        return float("nan"), float("nan"), float("nan")
    drawn = [auc(rng.choice(good, len(good)), rng.choice(bad, len(bad))) for _ in range(DRAWS)]
    low, high = np.percentile(drawn, [2.5, 97.5])
    return auc(good, bad), float(low), float(high)


def values(
    judged: Iterable[Judged], part: Callable[[Score], float | None], among: Callable[[dict[str, Any]], bool]
) -> NDArray[np.float64]:
    """Return one figure of every face that was found and is among those asked for; unknown counts 0."""
    chosen = [part(j.score) for j in judged if j.score is not None and among(j.truth)]
    return np.array([0.0 if v is None else v for v in chosen])


def eyes(score: Score) -> float | None:
    """The eyes' figure of a score."""
    return score.eyes.value


def sharpness(score: Score) -> float | None:
    """The sharpness figure of a score."""
    return score.sharpness.value


def total(score: Score) -> float | None:
    """The whole of a score."""
    return score.total


def is_blurred(truth: dict[str, Any]) -> bool:
    """Whether a true face is out of focus or moved."""
    return bool(truth["blur"] or truth["motion"])


def picks(judged: Sequence[Judged]) -> tuple[int, int]:
    """Return for how many people the best-scored face is good, and of how many there is a good one."""
    right = possible = 0
    for person in sorted({j.person for j in judged}):
        own = [j for j in judged if j.person == person and j.score is not None]
        if any(j.truth["good"] for j in own):
            possible += 1
            right += bool(max(own, key=lambda j: j.score.total if j.score else 0.0).truth["good"])
    return right, possible


def score_table(bursts: Sequence[Path], ways: Sequence[str], options: Options) -> list[str]:
    """Return the table of how well eyes, sharpness and whole faces are told apart."""
    heads = ("eyes: shut", "eyes: half shut", "sharp", "good")
    lines = ["| burst | as | " + " | ".join(heads) + " | picks | found | ms a face |"]
    lines.append("| --- " * (len(heads) + 5) + "|")
    for burst in bursts:
        for how in ways:
            j, took_ms = judge(burst, how, options)
            pairs = (
                (
                    values(j, eyes, lambda t: t["close"] <= OPEN),
                    values(j, eyes, lambda t: t["close"] >= SHUT),
                ),
                (
                    values(j, eyes, lambda t: t["close"] <= OPEN),
                    values(j, eyes, lambda t: OPEN < t["close"] < SHUT),
                ),
                (values(j, sharpness, lambda t: not is_blurred(t)), values(j, sharpness, is_blurred)),
                (values(j, total, lambda t: t["good"]), values(j, total, lambda t: not t["good"])),
            )
            cells = ["{:.4f} ({:.3f} to {:.3f})".format(*interval(a, b)) for a, b in pairs]
            right, possible = picks(j)
            found = sum(x.score is not None for x in j)
            lines.append(
                f"| {burst.name} | {how} | "
                + " | ".join(cells)
                + f" | {right}/{possible} | {found}/{len(j)} | {took_ms:.1f} |"
            )
    return lines


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables for the bursts named on the command line."""
    parser = argparse.ArgumentParser(description="How well faces are judged on bursts whose truth is known.")
    parser.add_argument("bursts", nargs="+", type=Path, metavar="BURST", help="folder with a truth.json")
    parser.add_argument(
        "--as", dest="ways", nargs="+", default=["full"], choices=["full", "half", "noise", "under"]
    )
    given = parser.parse_args(arguments)
    print("\n".join(score_table(given.bursts, given.ways, Options())))
    return 0


if __name__ == "__main__":
    sys.exit(main())
