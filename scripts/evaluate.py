"""Prints how well faces are judged and heads are set in, where the truth is known.

    python scripts/evaluate.py BURST... [--as full half quarter noise under] [--seams [DRAWN...]]

A burst is a folder with frames and a `truth.json`: per frame, per face `id`, `frame_box`, `close` (0 open to
1 shut), `squash` (mouth), `blur` and `motion` (px) and `good`. The first table gives areas under the ROC
curve with 95 % intervals over faces, the shares of faces of which eyes, sharpness, expression and the whole
were said to be unknown (they are left out of the areas), and how many people's best-scored frame is a good
one. The second sets one threshold a measure on all bursts but one and tries it on that one. `--seams` draws
bursts, holds every head that is set in against the true picture of it, and prints the errors inside and
around the masks and how often a seam was found at each risk; `seams.py` says how, and keeps pictures of it.
Each table is a function from what was judged to rows.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

# Imported from a test or run as a script: the modules lie beside this file either way.
sys.path.insert(0, str(Path(__file__).resolve().parent))

import seams
from seam_measures import reliability_rows, truth_rows

from facemerge import faces, imaging, models, scores
from facemerge.options import Options
from facemerge.words import Face, Score

Figures = NDArray[np.float64]

SHUT, OPEN = 0.85, 0.1
"""`close` from which an eye is shut, and up to which it is open; half-shut between."""
GRIMACE = 0.5
"""`squash` from which a mouth is pulled out of shape; a tenth or less is a mouth at ease."""
DRAWS = 500
SMALLER = {"half": 2, "quarter": 4}
WAYS = ("full", *SMALLER, "noise", "under")


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """One face of a burst: what is true of it, and what was said of it."""

    person: int
    frame: int
    truth: dict[str, Any]
    score: Score | None
    """None if the face was not found."""


def degrade(image: NDArray[np.uint8], how: str, seed: int) -> NDArray[np.uint8]:
    """Return a frame as another camera might have taken it: one of `WAYS`."""
    if how in SMALLER:
        factor = SMALLER[how]
        return np.asarray(imaging.resize(image, (image.shape[1] // factor, image.shape[0] // factor)))
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


def interval(good: Figures, bad: Figures) -> tuple[float, float, float]:
    """Return the AUC and its 95 % interval over faces, by bootstrap.

    Where no pair is out of order a bootstrap knows no doubt; the lower end is then that of Clopper and
    Pearson ("The use of confidence or fiducial limits", Biometrika 26, 1934) for as many hits in a row as the
    smaller set has faces.
    """
    rng = np.random.default_rng(0)
    if not len(good) or not len(bad):
        return float("nan"), float("nan"), float("nan")
    drawn = [auc(rng.choice(good, len(good)), rng.choice(bad, len(bad))) for _ in range(DRAWS)]
    low, high = np.percentile(drawn, [2.5, 97.5])
    if low == 1:
        low = 0.025 ** (1 / min(len(good), len(bad)))
    return auc(good, bad), float(low), float(high)


def is_blurred(truth: dict[str, Any]) -> bool:
    """Whether a true face is out of focus or moved."""
    return bool(truth["blur"] or truth["motion"])


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """Something to be told of a face: a figure of its score, and of which faces it should be high or low."""

    name: str
    figure: Callable[[Score], float | None]
    high: Callable[[dict[str, Any]], bool]
    low: Callable[[dict[str, Any]], bool]

    def answers(self, judged: Iterable[Judged], among: Callable[[dict[str, Any]], bool]) -> Figures:
        """Return the figure of every face that was found, is among those asked for, and is not unknown."""
        found = [self.figure(j.score) for j in judged if j.score is not None and among(j.truth)]
        return np.array([v for v in found if v is not None], float)

    def unknown(self, judged: Sequence[Judged]) -> float:
        """Return the share of the faces found of which it cannot be told."""
        found = [self.figure(j.score) for j in judged if j.score is not None]
        return float(np.mean([v is None for v in found])) if found else 0.0


QUESTIONS = (
    Question(
        name="eyes: shut",
        figure=lambda s: s.eyes.value,
        high=lambda t: t["close"] <= OPEN,
        low=lambda t: t["close"] >= SHUT,
    ),
    Question(
        name="eyes: half shut",
        figure=lambda s: s.eyes.value,
        high=lambda t: t["close"] <= OPEN,
        low=lambda t: OPEN < t["close"] < SHUT,
    ),
    Question(
        name="sharp",
        figure=lambda s: s.sharpness.value,
        high=lambda t: not is_blurred(t),
        low=is_blurred,
    ),
    Question(
        name="expression",
        figure=lambda s: s.expression.value,
        high=lambda t: t["squash"] <= 0.1 and t["close"] <= OPEN and not is_blurred(t),
        low=lambda t: t["squash"] >= GRIMACE and not is_blurred(t),
    ),
    Question(
        name="good", figure=lambda s: s.total, high=lambda t: bool(t["good"]), low=lambda t: not t["good"]
    ),
)


def picks(judged: Sequence[Judged]) -> tuple[int, int]:
    """Return for how many people the best-scored face is good, and of how many there is a good one."""
    right = possible = 0
    for person in sorted({j.person for j in judged}):
        own = [j for j in judged if j.person == person and j.score is not None]
        if any(j.truth["good"] for j in own):
            possible += 1
            right += bool(max(own, key=lambda j: j.score.total if j.score else 0.0).truth["good"])
    return right, possible


def score_table(bursts: Mapping[tuple[str, str], tuple[list[Judged], float]]) -> list[str]:
    """Return the table of how well each question is answered, a row for each burst and way."""
    names = [q.name for q in QUESTIONS]
    lines = ["| burst | as | " + " | ".join(names) + " | unknown | picks | found | ms a face |"]
    lines.append("| --- " * (len(names) + 6) + "|")
    for (burst, how), (judged, took_ms) in bursts.items():
        areas = [interval(q.answers(judged, q.high), q.answers(judged, q.low)) for q in QUESTIONS]
        cells = [f"{middle:.4f} ({low:.3f} to {high:.3f})" for middle, low, high in areas]
        unknown = " / ".join(
            f"{100 * q.unknown(judged):.0f}" for q in QUESTIONS if q.name != "eyes: half shut"
        )
        right, possible = picks(judged)
        found = sum(x.score is not None for x in judged)
        lines.append(
            f"| {burst} | {how} | {' | '.join(cells)} | {unknown} % | {right}/{possible} "
            f"| {found}/{len(judged)} | {took_ms:.1f} |"
        )
    return lines


def threshold(high: Figures, low: Figures) -> float:
    """Return the value that parts two sets with the best balanced accuracy, in the middle of its gap."""
    known = np.unique(np.concatenate([high, low]))
    cuts = np.concatenate([[known[0]], (known[1:] + known[:-1]) / 2]) if len(known) else np.array([0.5])
    accuracy = [balanced_accuracy(high, low, cut) for cut in cuts]
    best = np.flatnonzero(np.isclose(accuracy, np.max(accuracy)))
    return float(np.mean(cuts[best]))


def balanced_accuracy(high: Figures, low: Figures, cut: float) -> float:
    """Return the mean of the shares of two sets that lie on their own side of a threshold."""
    shares = [s for s in (high >= cut, low < cut) if len(s)]
    return float(np.mean([s.mean() for s in shares])) if shares else float("nan")


def cross_table(bursts: Mapping[tuple[str, str], tuple[list[Judged], float]]) -> list[str]:
    """Return how one threshold a measure, set on all other bursts, does on each burst it never saw."""
    lines = ["| tried on | as | " + " | ".join(f"{q.name}: right (cut)" for q in QUESTIONS) + " |"]
    lines.append("| --- " * (len(QUESTIONS) + 2) + "|")
    for (burst, how), (judged, _) in bursts.items():
        others = [
            j for (name, way), (them, _) in bursts.items() if way == how and name != burst for j in them
        ]
        cells = []
        for q in QUESTIONS:
            cut = threshold(q.answers(others, q.high), q.answers(others, q.low))
            right = balanced_accuracy(q.answers(judged, q.high), q.answers(judged, q.low), cut)
            cells.append(f"{100 * right:.1f} % ({cut:.2f})")
        lines.append(f"| {burst} | {how} | {' | '.join(cells)} |")
    return lines


def seam_tables(drawn: Sequence[seams.Spec]) -> list[list[str]]:
    """Return the tables of errors against the true pictures and of risk against what was found."""
    with tempfile.TemporaryDirectory() as folder:
        records = [
            record
            for spec in drawn
            for record in seams.measure(spec, Path(folder) / str(spec.seed), forced=1, kept=None, bases=None)
        ]
    return [truth_rows(records), reliability_rows(records)]


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables for the bursts named on the command line."""
    parser = argparse.ArgumentParser(
        description="How well faces are judged and heads are set in, where the truth is known."
    )
    parser.add_argument("bursts", nargs="*", type=Path, metavar="BURST", help="folder with a truth.json")
    parser.add_argument("--as", dest="ways", nargs="+", default=["full"], choices=WAYS)
    parser.add_argument(
        "--seams",
        nargs="*",
        type=seams.Spec.of,
        metavar="DRAWN",
        help="draw bursts (seed:background:people:width; if none is named, those of seams.py) and hold the "
        "heads set in against their true pictures",
    )
    given = parser.parse_args(arguments)
    tables = []
    if given.bursts:
        judged = {(b.name, how): judge(b, how, Options()) for b in given.bursts for how in given.ways}
        tables.append(score_table(judged))
        if len(given.bursts) > 1:
            tables.append(cross_table(judged))
    if given.seams is not None:
        tables += seam_tables(given.seams or [seams.Spec.of(words) for words in seams.DEFAULT])
    if not tables:
        parser.error("name a burst, or --seams")
    print("\n\n".join("\n".join(rows) for rows in tables))
    return 0


if __name__ == "__main__":
    sys.exit(main())
