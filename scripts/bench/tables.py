"""The tables of `benchmark.py`: from what was measured to lines of Markdown."""

from __future__ import annotations

import statistics
from collections.abc import Callable, Sequence
from typing import Any

Record = dict[str, Any]

AGAIN = ("weight", "base", "pick")
"""The runs again, with one thing changed."""
LOOKING, SETTING = "Looking at the frames", "Choosing heads and setting them in"
JUDGING, WRITING = "Judging the faces", "Writing"
"""Stages, as `--timings` calls them."""
RECKONED_FOR = (1, 2, 4, 8, 16)
"""Numbers of cores for which the model is told."""
QUIET = 0.5
"""Load average above which something else was running; common practice, no source."""
ROWS = (
    ("floor", "reading alone: `cv2.imread`, one thread"),
    ("merge", "`facemerge merge`, the first time"),
    ("weight", "again, a weight changed (`--weigh eyes=2`)"),
    ("base", "again, another base"),
    ("pick", "again, another head for one person"),
    ("reference", "plain reference, features on whole frames"),
    ("reference_small", "plain reference, features at {long_side} px"),
)


CLICKS = (
    ("ready", "started, until the page has its first picture"),
    ("first", "another face taken: its head is in the picture"),
    ("true", "… and its seam is measured, as the finished files will have it"),
    ("stroke", "a stroke on a mask"),
    ("seam", "a seam at 100 %, the first time"),
    ("seam again", "… and a little further"),
    ("undo", "undone"),
    ("save", "the files written"),
)


def lines(measured: Record) -> list[str]:
    """Return all tables of what was measured; a part that was not is left out."""
    found = [*_heading(measured)]
    for part, table in (
        ("whole", _whole),
        ("judged", _judged),
        ("merge", _stages),
        ("review", _review),
        ("frames", _series("frames")),
        ("people", _series("people")),
        ("megapixels", _series("megapixels")),
        ("cores", _cores),
        ("imports", _imports),
    ):
        if measured.get(part) or part in measured.get("whole", {}):
            found += ["", *table(measured)]
    return found


def _heading(measured: Record) -> list[str]:
    machine, burst = measured["machine"], measured["burst"]
    text = (
        f"{burst['frames']} frames of {burst['width']} × {burst['height']} "
        f"({burst['megabytes']:.1f} MB each), {burst['people']} people, all drawn. "
        f"{machine['processor']}, {machine['cores']} cores, "
        f"Python {machine['python']}, OpenCV {machine['opencv']}. The files lie in the page cache. "
        f"Medians of {measured['repeats']} and, for the plain reference, {measured['reference_repeats']}, "
        "in brackets the least and the most; what is compared was run by turns. "
        f"Load average {machine['load_before']:.2f} before, {machine['load_after']:.2f} after"
    )
    others = [r["others_cores"] for r in _runs(measured) if r.get("others_cores") is not None]
    if others:
        text += (
            f"; other programs kept {statistics.median(others):.2f} cores busy meanwhile, "
            f"at most {max(others):.2f}"
        )
    found = [text + "."]
    if is_disturbed(measured):
        found += ["", "**The machine was not quiet: times are longer than they need be.**"]
    return found


def is_disturbed(measured: Record) -> bool:
    """Whether something else ran: before the start, or beside the measured runs, as far as can be told."""
    others = [r["others_cores"] for r in _runs(measured) if r.get("others_cores") is not None]
    busy = statistics.median(others) if others else 0.0
    return bool(measured["machine"]["load_before"] > QUIET or busy > QUIET)


def _runs(measured: Record) -> list[Record]:
    found = [r for runs in measured.get("whole", {}).values() for r in runs]
    for series in ("frames", "people", "megapixels", "cores"):
        found += [r for point in measured.get(series, []) for r in (*point["floor"], *point["merge"])]
    return found


def middle(values: Sequence[float], digits: int = 1) -> str:
    """Return the median and, of more than one value, the least and the most."""
    text = f"{statistics.median(values):.{digits}f}"
    if len(values) > 1:
        text += f" ({min(values):.{digits}f} to {max(values):.{digits}f})"
    return text


def _of(runs: Sequence[Record], what: str) -> list[float]:
    return [r[what] for r in runs]


def ratios(runs: Sequence[Record], floor: Sequence[Record]) -> list[float]:
    """Return how many times its floor each run took; a run's floor was measured just before it."""
    return [r["wall_s"] / f["wall_s"] for r, f in zip(runs, floor, strict=True)]


def _whole(measured: Record) -> list[str]:
    whole = measured["whole"]
    found = [
        "| what | frames | wall s | times the floor | of the first run | CPU s | peak MB |",
        "| --- " * 7 + "|",
    ]
    for name, words in ROWS:
        if name not in whole:
            continue
        runs = whole[name]
        floor = whole.get(f"floor_of_{name}") or whole["floor"]
        share = "" if name not in AGAIN else middle(ratios(runs, whole["merge"]), 2)
        found.append(
            f"| {words.format(**measured)} | {runs[0]['frames']} | {middle(_of(runs, 'wall_s'))} "
            f"| {middle(ratios(runs, floor), 2)} | {share} | {middle(_of(runs, 'cpu_s'))} "
            f"| {middle(_of(runs, 'peak_mb'), 0)} |"
        )
    return found


def _review(measured: Record) -> list[str]:
    found = ["| in a review, from asking to the picture | s |", "| --- | --- |"]
    for name, words in CLICKS:
        taken = [s for turn in measured["review"] for s in turn["seconds"].get(name, ())]
        if taken:
            found.append(f"| {words} | {middle(taken, 2)} |")
    return found


def _number(value: float | None, digits: int) -> str:
    return "-" if value is None else f"{value:.{digits}f}"


def _judged(measured: Record) -> list[str]:
    found = [
        "| made by | good faces | heads set in | frames placed | off by px: median | worst "
        "| seam, CIEDE2000: median | 95th percentile | worst head |",
        "| --- " * 9 + "|",
    ]
    words = dict(ROWS) | {"merge": "`facemerge merge`"}
    for name, j in measured["judged"].items():
        found.append(
            f"| {words[name].format(**measured)} | {j['good_picks']} of {j['people']} | {j['heads_set_in']} "
            f"| {j['frames_placed']} "
            f"| {_number(j['placed_px_median'], 2)} | {_number(j['placed_px_worst'], 2)} "
            f"| {_number(j['seam_delta_e_median'], 2)} | {_number(j['seam_delta_e_p95'], 1)} "
            f"| {_number(j['seam_delta_e_worst'], 1)} |"
        )
    return found


def _stages(measured: Record) -> list[str]:
    """Return where the time goes: a column for the first run, and one for each run again."""
    whole = measured["whole"]
    shown = [n for n in ("merge", *AGAIN) if n in whole]
    heads = {
        "merge": "the first time",
        "weight": "a weight changed",
        "base": "another base",
        "pick": "another head",
    }
    found = [f"| stage of `facemerge merge`, s | {' | '.join(heads[n] for n in shown)} |"]
    found.append("| --- " * (len(shown) + 1) + "|")
    for stage in dict.fromkeys(s for n in shown for s in whole[n][0]["stages"]):
        cells = [_spent(whole[n], stage) for n in shown]
        _, _, part = stage.partition(": ")
        found.append(f"| {f'… {part.lower()}' if part else stage} | {' | '.join(cells)} |")
    return found


def _spent(runs: Sequence[Record], stage: str) -> str:
    seconds = [r["stages"][stage] for r in runs if stage in r["stages"]]
    return middle(seconds, 2) if seconds else "-"


def _series(name: str) -> Callable[[Record], list[str]]:
    """Return what makes the table of a series: one thing grows, and with it the time.

    Frames are looked at one by one; what heads cost depends on how many are set in, which the burst decides.
    Both are told, so that one is not taken for the other.
    """

    def table(measured: Record) -> list[str]:
        found = [
            f"| {name} | {'' if name == 'frames' else 'frames | '}heads set in | floor s | `merge` wall s "
            "| times the floor | looking at a frame, s | choosing and setting in, s | CPU s | peak MB |",
            "| --- " * (9 if name == "frames" else 10) + "|",
        ]
        for point in measured[name]:
            runs, floor, frames = point["merge"], point["floor"], point["merge"][0]["frames"]
            looking = [r["stages"][LOOKING] / frames for r in runs if LOOKING in r["stages"]]
            found.append(
                f"| {point['at']:g} | {'' if name == 'frames' else f'{frames} | '}{runs[0]['heads']} "
                f"| {middle(_of(floor, 'wall_s'))} | {middle(_of(runs, 'wall_s'))} "
                f"| {middle(ratios(runs, floor), 2)} | {middle(looking, 2) if looking else '-'} "
                f"| {_spent(runs, SETTING)} | {middle(_of(runs, 'cpu_s'))} "
                f"| {middle(_of(runs, 'peak_mb'), 0)} |"
            )
        return found

    return table


def _cores(measured: Record) -> list[str]:
    """Return what more cores give, and what still more would by the model."""
    found = [
        "| cores | floor s | `merge` wall s | times the floor | looking s | setting in s | writing s "
        "| CPU s | peak MB |",
        "| --- " * 9 + "|",
    ]
    points = {int(p["at"]): p for p in measured["cores"]}
    for count, point in points.items():
        runs, floor = point["merge"], point["floor"]
        found.append(
            f"| {count} | {middle(_of(floor, 'wall_s'))} | {middle(_of(runs, 'wall_s'))} "
            f"| {middle(ratios(runs, floor), 2)} | {_spent(runs, LOOKING)} | {_spent(runs, SETTING)} "
            f"| {_spent(runs, WRITING)} | {middle(_of(runs, 'cpu_s'))} | {middle(_of(runs, 'peak_mb'), 0)} |"
        )
    if {1, 2} <= set(points):
        floor_s = statistics.median(f["wall_s"] for p in points.values() for f in p["floor"])
        told = (
            f"{n}: {s:.1f} s, {s / floor_s:.2f}"
            for n in RECKONED_FOR
            for s in [reckoned(measured, points[1]["merge"], points[2]["merge"], n)]
        )
        found += ["", f"Reckoned from 1 and 2 cores, and times the floor: {'; '.join(told)}."]
    return found


def reckoned(measured: Record, one: Sequence[Record], two: Sequence[Record], cores: int) -> float:
    """Return the seconds of a run by a model: each stage has a serial part and one that cores share.

    Amdahl, "Validity of the single processor approach to achieving large scale computing capabilities", 1967,
    from memory; fitted to runs on one core and on two, stage by stage, up to as many cores as a stage uses.

    Parameters
    ----------
    measured
        All that was measured; `together` says how many cores each stage can use, one if it is not named.
    one, two
        Runs on one core and on two.
    cores
        How many there are.
    """
    total = 0.0
    for stage in one[0]["stages"]:
        if ": " in stage:
            continue
        first, second = (statistics.median(r["stages"][stage] for r in runs) for runs in (one, two))
        shared = min(max(2 * (first - second), 0.0), first)
        total += first - shared + shared / min(cores, measured["together"].get(stage, 1))
    return total


def _imports(measured: Record) -> list[str]:
    bare, help_ = measured["imports"]["typer"], measured["imports"]["help"]
    return [
        "| starting | wall s |",
        "| --- | --- |",
        f'| `python -c "import typer"` | {middle(_of(bare, "wall_s"), 3)} |',
        f"| `facemerge --help` | {middle(_of(help_, 'wall_s'), 3)} |",
    ]
