"""Holds composites against the true picture, and the program's risk against what went wrong.

    python scripts/seams.py [BURST...] [--keep FOLDER] [--forced N] [--table FOLDER...]

A burst is drawn here (`seed:background:people:width`, for example `301:brick:6:1500`), so that what the
program should have made can be drawn as well: the base frame with each swapped person's face, blur and motion
of the frame the head was taken from, everything else, camera and exposure included, as in the base. (Grain is
left out: it is averaged out on both sides.) Where the person stands has more than one honest answer, from
where the base has them to where the donor has them; the nearest counts. Every frame serves as the base once
with the program's own choice and N times with a head forced on everybody, so that hard seams occur too.

The first table gives the colour errors a burst, the second how often a seam was found at each risk. `--keep`
leaves a record a head (records.json, records.csv), crops and error maps in a folder; `--table` prints the
tables of folders kept earlier.
"""

from __future__ import annotations

import argparse
import csv
import dataclasses
import json
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

# Imported from a test or run as a script: the modules lie beside this file either way.
sys.path.insert(0, str(Path(__file__).resolve().parent))

from render import burst as drawing
from render.plan import Plan, plan_burst
from seam_measures import (
    REACH_FACES,
    Image,
    Map,
    Record,
    colour_error,
    figures,
    regions,
    reliability_rows,
    strangeness,
    truth_rows,
)
from seam_truth import Truth, drawn_once

from facemerge import composite, pipeline, text
from facemerge.formats import photo
from facemerge.models import Models
from facemerge.options import Options
from facemerge.words import Aligned, Analysis, Choice, Decisions, Face, Head, Pick, Risk

MOST_BESIDE_FACES = 0.15
DEFAULT = ("301:half:6:1500", "302:brick:6:1500", "303:sky:5:1500", "304:backdrop:7:1700")


@dataclass(frozen=True, slots=True, kw_only=True)
class Spec:
    """What is drawn."""

    seed: int
    background: str
    people: int
    width: int
    frames: int = 8

    @property
    def name(self) -> str:
        """As given on the command line."""
        return f"{self.seed}:{self.background}:{self.people}:{self.width}"

    @classmethod
    def of(cls, words: str) -> Spec:
        """Return what `seed:background:people:width` says.

        Raises
        ------
        ValueError
            If it says something else.
        """
        seed, background, people, width = words.split(":")
        return cls(seed=int(seed), background=background, people=int(people), width=int(width))

    def plan(self) -> Plan:
        """Return the plan of the burst; drawn a little less finely than the sample, to be quick."""
        plan = plan_burst(
            np.random.default_rng(self.seed),
            people=self.people,
            frames=self.frames,
            width=self.width,
            background=self.background,
        )
        return dataclasses.replace(plan, supersample=1.5)


def as_filed(plan: Plan, index: int, frame: Image) -> bytes:
    """Return a drawn frame as the bytes of its file."""
    return drawing.encode(frame, plan.shots[index].time, plan.quality)


# --- the program's runs -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Run:
    """One base with heads set in by the program."""

    spec: Spec
    plan: Plan
    analysis: Analysis
    chosen: Choice
    forced: bool
    base: Image
    heads: tuple[Head, ...]
    risks: dict[str, Risk]
    who: dict[str, int]
    """Person id to index into the plan."""

    @property
    def picks(self) -> dict[str, Pick]:
        """By person id, the swapped ones."""
        return {p.person: p for p in self.chosen.picks if not p.from_base}


def runs(spec: Spec, folder: Path, forced: int, models: Models, bases: int | None = None) -> Iterator[Run]:
    """Draw a burst into a folder and yield every run of the program on it.

    Parameters
    ----------
    spec
        What to draw.
    folder
        Where the frames go.
    forced
        How often each base is tried with a head forced on everybody.
    models
        The networks.
    bases
        How many frames serve as base; all if not given.
    """
    plan, options = spec.plan(), Options()
    folder.mkdir(parents=True, exist_ok=True)
    boxes = []
    for shot in plan.shots:
        frame, _, told = drawing.draw_shot(plan, shot)
        (folder / f"frame_{shot.index:03d}.jpg").write_bytes(as_filed(plan, shot.index, frame))
        boxes.append([t["frame_box"] for t in told])
    frames, _ = photo.find_frames([folder])
    analysis, album = pipeline.analyse(frames, photo.read, models, options)
    who = _who(analysis, boxes)
    rng = np.random.default_rng(spec.seed)
    usable = [i for i, a in enumerate(analysis.alignments) if isinstance(a, Aligned)]
    for base in usable[:bases]:
        tried: set[tuple[str, int]] = set()
        for attempt in range(1 + forced):
            force = _force(plan, analysis, who, base, usable, tried, rng) if attempt else {}
            decisions = Decisions(base=frames[base].name, force=force)
            chosen = pipeline.choose(analysis, album, decisions, options)
            tried |= {(p.person, p.frame) for p in chosen.picks}
            pixels, heads, risks = pipeline.set_in(analysis, chosen, photo.read, options)
            yield Run(
                spec=spec,
                plan=plan,
                analysis=analysis,
                chosen=chosen,
                forced=bool(attempt),
                base=np.asarray(pixels, np.uint8),
                heads=heads,
                risks=risks,
                who=who,
            )


def _who(analysis: Analysis, boxes: Sequence[Sequence[Sequence[float]]]) -> dict[str, int]:
    """Return which drawn person each found one is: the nearest in the first frame they are seen in."""
    found = {}
    for person in analysis.people:
        frame, face = next((f, x) for f, x in enumerate(person.faces) if isinstance(x, Face))
        drawn = np.array(boxes[frame])
        middle = np.add(face.box[:2], face.box[2:]) / 2
        apart = np.linalg.norm((drawn[:, :2] + drawn[:, 2:]) / 2 - middle, axis=1)
        if apart.min() < (drawn[apart.argmin(), 2] - drawn[apart.argmin(), 0]) / 2:
            found[person.id] = int(apart.argmin())
    return found


def _force(
    plan: Plan,
    analysis: Analysis,
    who: Mapping[str, int],
    base: int,
    usable: Sequence[int],
    tried: set[tuple[str, int]],
    rng: np.random.Generator,
) -> dict[str, str]:
    """Return a head not tried yet for everybody, mostly one that is good, as a photographer would take."""
    force = {}
    for person in analysis.people:
        if person.id not in who or not isinstance(person.faces[base], Face):
            continue
        seen = [
            f
            for f in usable
            if f != base and (person.id, f) not in tried and isinstance(person.faces[f], Face)
        ]
        good = [f for f in seen if plan.shots[f].moments[who[person.id]].good]
        among = good if good and rng.random() < 0.75 else seen
        if among:
            force[person.id] = analysis.frames[int(rng.choice(among))].name
    return force


# --- one head against the truth ----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Held:
    """One head held against its truth, in a window of the base."""

    record: Record
    seen: Image
    base: Image
    truth: Image
    """The nearest."""
    error: Map
    alpha: Map


def hold(run: Run) -> list[Held]:
    """Return every head of a run held against the truth nearest to it."""
    merged = np.asarray(composite.lay(run.base, run.heads), np.uint8)
    whole = {head.person: _whole(head, merged.shape[:2]) for head in run.heads}
    covered = np.zeros(merged.shape[:2], np.float32)
    alphas: dict[str, Map] = {}
    for head in reversed(run.heads):
        alphas[head.person] = whole[head.person] * (1 - covered)
        covered = np.maximum(covered, whole[head.person])
    outside = int(np.abs(merged.astype(np.int16) - run.base)[covered == 0].max(initial=0))
    taken = {run.who[w]: p.frame for w, p in run.picks.items() if w in run.who}
    truth = Truth(run.plan, run.chosen.base, taken)
    held = []
    for head in run.heads:
        alpha = alphas[head.person]
        if head.person in run.who and alpha.max() >= 0.98:
            rest = [a for person, a in whole.items() if person != head.person]
            others = np.max(rest, axis=0) if rest else np.zeros_like(alpha)
            held.append(_held(run, head, truth, merged, alpha, others, outside))
    return held


def _about(alpha: Map, margin: int) -> tuple[slice, slice]:
    ys, xs = np.nonzero(alpha > 0)
    return (
        slice(max(0, int(ys.min()) - margin), min(alpha.shape[0], int(ys.max()) + margin + 1)),
        slice(max(0, int(xs.min()) - margin), min(alpha.shape[1], int(xs.max()) + margin + 1)),
    )


def _whole(head: Head, shape: tuple[int, int]) -> Map:
    alpha = np.zeros(shape, np.float32)
    h, w = head.mask.shape
    x, y = head.offset
    alpha[y : y + h, x : x + w] = head.mask / float(np.iinfo(head.mask.dtype).max)
    return alpha


def _held(run: Run, head: Head, truth: Truth, merged: Image, alpha: Map, others: Map, outside: int) -> Held:
    person = next(p for p in run.analysis.people if p.id == head.person)
    pick = run.picks[head.person]
    mine, theirs = person.faces[run.chosen.base], person.faces[pick.frame]
    assert isinstance(mine, Face)
    assert isinstance(theirs, Face)
    face_px = mine.box[2] - mine.box[0]
    part = _about(alpha, round(0.15 * face_px))
    y, x = part[0].start, part[1].start
    h, w = part[0].stop - y, part[1].stop - x
    seen, a = merged[part], alpha[part]
    inside, band = regions(a, face_px)
    who, reach = run.who[head.person], REACH_FACES * face_px
    goal = truth.goal(part, who, seen, inside, MOST_BESIDE_FACES * face_px)
    truths = truth.pictures(part, who, goal, reach)
    error = strangeness(seen, [t.picture for t in truths], face_px)
    foreign = others[part] > 0.02
    if foreign.any() and (among := truth.among(part, who, goal, reach)):
        error[foreign] = np.minimum(error, strangeness(seen, [t.picture for t in among], face_px))[foreign]
    both = inside | band
    apart = [np.abs(seen[both].astype(np.int16) - t.picture[both]).mean() for t in truths]
    moved_px, near = truths[int(np.argmin(apart))]
    raw = colour_error(seen, near)
    danger = run.risks[head.person]
    record: Record = {
        "burst": run.spec.name,
        "background": run.spec.background,
        "base": run.chosen.base,
        "person": head.person,
        "drawn": run.who[head.person],
        "frame": pick.frame,
        "forced": run.forced,
        "risk": round(danger.value, 4),
        "flag": danger.flag,
        "reasons": list(text.reasons(danger)),
        "extent": head.extent,
        "placement": head.placement,
        "face_px": round(face_px, 1),
        "align_error_px": round(run.analysis.error_to_base_px(run.chosen.base, pick.frame), 3),
        "faults": [dataclasses.asdict(f) for f in danger.faults],
        **{f"joint_{k}": v for k, v in dataclasses.asdict(head.joint).items()},
        "moved_px": round(moved_px, 2),
        "area": [x, y, x + w, y + h],
        "outside_max": outside,
        **figures(error, raw, inside, band, face_px, (x, y)),
    }
    return Held(
        record=record,
        seen=seen,
        base=run.base[part],
        truth=near,
        error=error,
        alpha=a,
    )


def picture(held: Held) -> Image:
    """Return base, composite, true picture and strangeness side by side; that reaches white at 16."""
    heat = cv2.applyColorMap(np.clip(held.error * 16, 0, 255).astype(np.uint8), cv2.COLORMAP_INFERNO)
    heat = np.ascontiguousarray(heat[..., ::-1])
    line, _ = cv2.findContours((held.alpha > 0.5).astype(np.uint8), cv2.RETR_LIST, cv2.CHAIN_APPROX_NONE)
    cv2.drawContours(heat, line, -1, (0, 255, 255), 1)
    return np.hstack([held.base, held.seen, held.truth, heat])


# --- keeping -----------------------------------------------------------------------------------------------


def keep(records: Sequence[Record], folder: Path) -> None:
    """Write records.json and records.csv."""
    (folder / "records.json").write_text(json.dumps(list(records), indent=1) + "\n", encoding="utf-8")
    with (folder / "records.csv").open("w", newline="", encoding="utf-8") as out:
        writer = csv.DictWriter(out, list(dict.fromkeys(k for r in records for k in r)))
        writer.writeheader()
        for r in records:
            writer.writerow({k: "; ".join(v) if k == "reasons" else v for k, v in r.items()})


def keep_pictures(held: Held, folder: Path) -> None:
    """Write a head's crops and its error and mask, and say in its record where."""
    r = held.record
    name = "_".join(
        [r["burst"].replace(":", "-"), f"b{r['base']}", r["person"], f"f{r['frame']}"]
        + (["forced"] if r["forced"] else [])
    )
    r["crop"] = str(folder / f"{name}.png")
    cv2.imwrite(r["crop"], np.ascontiguousarray(picture(held)[..., ::-1]))
    np.savez_compressed(
        folder / f"{name}.npz",
        error=np.clip(np.rint(held.error * 8), 0, 255).astype(np.uint8),
        alpha=np.rint(held.alpha * 255).astype(np.uint8),
    )


def measure(spec: Spec, folder: Path, forced: int, kept: Path | None, bases: int | None) -> Iterator[Record]:
    """Yield a record a head of all runs on one drawn burst."""
    models = Models()
    with drawn_once():
        for run in runs(spec, folder, forced, models, bases):
            for held in hold(run):
                if kept is not None:
                    keep_pictures(held, kept)
                yield held.record


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the tables."""
    parser = argparse.ArgumentParser(
        description="Composites held against the true picture, and risk against what went wrong."
    )
    parser.add_argument(
        "bursts",
        nargs="*",
        type=Spec.of,
        default=[Spec.of(w) for w in DEFAULT],
        metavar="BURST",
        help=f"seed:background:people:width to draw; if none is given, {' '.join(DEFAULT)}",
    )
    parser.add_argument("--forced", type=int, default=1, help="how often each base has heads forced on all")
    parser.add_argument("--bases", type=int, help="how many frames serve as base; all if not given")
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="keep records, crops and frames here")
    parser.add_argument("--table", nargs="+", type=Path, metavar="FOLDER", help="only print what was kept")
    given = parser.parse_args(arguments)
    cv2.setNumThreads(1)
    records: list[Record] = []
    if given.table:
        for folder in given.table:
            records += json.loads((folder / "records.json").read_text(encoding="utf-8"))
    else:
        with tempfile.TemporaryDirectory() as temporary:
            for spec in given.bursts:
                place = (given.keep or Path(temporary)) / spec.name.replace(":", "-")
                kept = None
                if given.keep:
                    kept = given.keep / "heads"
                    kept.mkdir(parents=True, exist_ok=True)
                for record in measure(spec, place, given.forced, kept, given.bases):
                    records.append(record)
                    if given.keep:
                        keep(records, given.keep)
    if not records:
        print("no head was set in", file=sys.stderr)
        return 1
    print("\n".join([*truth_rows(records), "", *reliability_rows(records)]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
