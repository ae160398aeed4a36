"""Measures how long `facemerge` takes, and prints the tables of the README.

    python scripts/benchmark.py FOLDER [--write README.md] [--json FILE]

The bursts are drawn once, of people who do not exist, and kept in FOLDER; later runs only measure. Every
time is held against the reading floor: `cv2.imread` alone, in one thread, of the same files, just before.
Beside it runs a plain reference (`bench/reference.py`). Run it on a machine that does nothing else. It is a
benchmark, never a test.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import re
import shutil
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

# Imported from a test or run as a script: the modules lie beside this file either way.
sys.path.insert(0, str(Path(__file__).resolve().parent))

from bench import burst, clicks, judge, tables, watch

Record = dict[str, Any]

ROOT = Path(__file__).resolve().parents[1]
PARTS = ("whole", "review", "reference", "frames", "people", "megapixels", "cores", "imports")
MARKS = re.compile(r"(<!-- benchmark -->\n).*?(<!-- /benchmark -->)", re.DOTALL)
IMPORT_REPEATS = 9
FLOOR = """
import json, sys, time
import cv2
cv2.setNumThreads(1)
wall, cpu = time.perf_counter(), time.process_time()
for path in sys.argv[1:]:
    assert cv2.imread(path) is not None, path
print(json.dumps({"wall_s": time.perf_counter() - wall, "cpu_s": time.process_time() - cpu}))
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """Where things lie, and how often each is measured."""

    folder: Path
    """Where bursts are kept."""
    results: Path
    """A folder for what the runs make; emptied by whoever made it."""
    repeats: int

    def floor(self, frames: Sequence[Path]) -> Record:
        """Return what reading the files alone takes."""
        ran = self.python("-c", FLOOR, *map(str, frames))
        # What the interpreter and its imports take is not reading.
        told: Record = json.loads(ran.output)
        return _record(ran, frames) | told

    def merge(self, frames: Sequence[Path], out: Path, *more: str, cores: int | None = None) -> watch.Run:
        """Run the program on some frames, on as many cores as it is told."""
        command = ("-m", "facemerge", "merge", *map(str, frames), "-o", str(out), "--timings")
        return self.python(*command, *more, cores=cores)

    def reference(self, frames: Sequence[Path], long_side: int | None) -> watch.Run:
        """Run the plain reference on some frames."""
        small = [] if long_side is None else ["--long-side", str(long_side)]
        out = self.results / "reference.tif"
        return self.python("-m", "bench.reference", str(out), *map(str, frames), *small)

    def python(self, *words: str, cores: int | None = None) -> watch.Run:
        """Run this Python on some words."""
        return watch.run([sys.executable, *words], environment=self._environment, cores=cores)

    def review(self, out: Path) -> clicks.Review:
        """Begin a review of a result."""
        return clicks.Review([sys.executable], {**os.environ, **self._environment}, out)

    @property
    def _environment(self) -> dict[str, str]:
        return {
            "PYTHONPATH": os.pathsep.join([str(ROOT), str(ROOT / "scripts")]),
            # As if it were installed: compiled once, and not into the source tree.
            "PYTHONDONTWRITEBYTECODE": "",
            "PYTHONPYCACHEPREFIX": str(self.folder.resolve() / "bytecode"),
        }

    def warm(self, frames: Sequence[Path]) -> None:
        """Have everything compiled, and the files in the page cache, before anything is measured."""
        self.merge(frames[:2], self.fresh())
        self.python("-c", "import typer")
        self.floor(frames)

    def fresh(self) -> Path:
        """Return a place for a result, with nothing kept of any earlier run."""
        for left in self.results.glob("out*"):
            shutil.rmtree(left)
        return self.results / "out"


def _record(ran: watch.Run, frames: Sequence[Path]) -> Record:
    return {
        "frames": len(frames),
        "wall_s": ran.wall_s,
        "cpu_s": ran.cpu_s,
        "peak_mb": ran.peak_mb,
        "others_cores": ran.others_cores,
        "stages": ran.stages,
    }


def _say(text: str) -> None:
    print(f"benchmark: {text}", file=sys.stderr, flush=True)


def whole(bench: Bench, frames: Sequence[Path], measured: Record) -> None:
    """Measure first runs, what they spend where, and runs again with one thing changed."""
    runs: Record = measured["whole"]
    for turn in range(bench.repeats):
        _say(f"whole runs, turn {turn + 1} of {bench.repeats}")
        runs.setdefault("floor", []).append(bench.floor(frames))
        out = bench.fresh()
        ran = bench.merge(frames, out)
        runs.setdefault("merge", []).append(_record(ran, frames))
        report = json.loads((out / "report.json").read_text(encoding="utf-8"))
        # Before the runs again, which make other heads in the same place.
        seams = judge.seams_of(out / report["layers"])
        for name, change in changes(report).items():
            runs.setdefault(name, []).append(_record(bench.merge(frames, out, *change), frames))
    truth = json.loads((frames[0].parent / "truth.json").read_text(encoding="utf-8"))
    measured["judged"]["merge"] = judge.of_report(truth, report, seams)


def changes(report: Record) -> dict[str, list[str]]:
    """Return what is changed for the runs again, as words on the command line."""
    placed = [f["file"] for f in report["frames"] if f["aligned"] and f["file"] != report["base"]]
    found = {"weight": ["--weigh", "eyes=2"]}
    if placed:
        found["base"] = ["--base", placed[len(placed) // 2]]
    for person in report["people"]:
        # Their next best: a head that a photographer might really ask for instead.
        others = [f for f in person["faces"] if f["frame"] in placed and f["frame"] != person["pick"]]
        if others:
            best = max(others, key=lambda f: f["score"] or 0.0)
            found["pick"] = ["--take", f"{person['id']}={best['frame']}"]
            break
    return found


def review(bench: Bench, frames: Sequence[Path], measured: Record) -> None:
    """Measure how long a photographer waits in a review of a first run."""
    for turn in range(bench.repeats):
        _say(f"reviews, turn {turn + 1} of {bench.repeats}")
        out = bench.fresh()
        bench.merge(frames, out)
        begun = bench.review(out)
        try:
            found = clicks.measure(begun)
        finally:
            begun.end()
        measured.setdefault("review", []).append(found)


def reference(bench: Bench, frames: Sequence[Path], repeats: int, measured: Record) -> None:
    """Measure the plain reference, each run after the floor of the same files."""
    truth = json.loads((frames[0].parent / "truth.json").read_text(encoding="utf-8"))
    runs: Record = measured["whole"]
    for name, long_side in (("reference_small", measured["long_side"]), ("reference", None)):
        for turn in range(repeats):
            _say(f"plain reference at {long_side or 'full size'}, turn {turn + 1} of {repeats}")
            runs.setdefault(f"floor_of_{name}", []).append(bench.floor(frames))
            ran = bench.reference(frames, long_side)
            runs.setdefault(name, []).append(_record(ran, frames))
        measured["judged"][name] = judge.of_reference(truth, json.loads(ran.output))


def point(bench: Bench, at: float, frames: Sequence[Path], cores: int | None = None) -> Record:
    """Return one point of a series: the floor and a first run, by turns, the run on some cores or all."""
    floor, merged = [], []
    for _ in range(bench.repeats):
        floor.append(bench.floor(frames))
        out = bench.fresh()
        ran = bench.merge(frames, out, cores=cores)
        report = json.loads((out / "report.json").read_text(encoding="utf-8"))
        heads = sum(not person["from_base"] for person in report["people"])
        merged.append(_record(ran, frames) | {"heads": heads})
    return {"at": at, "floor": floor, "merge": merged}


def together(frames: Sequence[Path]) -> dict[str, int]:
    """Return by stage how many cores it can use at most, however many there are."""
    from facemerge.formats import openraster, photo
    from facemerge.pipeline import look, setting

    found, _ = photo.find_frames(frames)
    w, h = found[0].size
    return {
        tables.LOOKING: look.fitting(found),
        tables.JUDGING: look.fitting(found),
        tables.SETTING: setting.DONORS_KEPT,
        tables.WRITING: openraster.fitting(3 * w * h),
    }


def imports(bench: Bench, measured: Record) -> None:
    """Measure how long `--help` takes against the bare import of the library that prints it."""
    kinds = {"typer": ["-c", "import typer"], "help": ["-m", "facemerge", "--help"]}
    found: Record = {name: [] for name in kinds}
    for _ in range(IMPORT_REPEATS):
        for name, words in kinds.items():
            found[name].append(_record(bench.python(*words), ()))
    measured["imports"] = found


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure what the command line asks for; returns the exit code."""
    given = _parser().parse_args(arguments)
    try:
        if given.write is not None and not MARKS.search(given.write.read_text(encoding="utf-8")):
            raise watch.FailedError(f"{given.write} has no marks <!-- benchmark --> and <!-- /benchmark -->.")
        _measure(given)
    except (watch.FailedError, OSError, ValueError) as error:
        told = (
            f"{error.filename}: {error.strerror}." if isinstance(error, OSError) and error.strerror else error
        )
        print(f"benchmark: {told}", file=sys.stderr)
        return 1
    except KeyboardInterrupt:
        print("benchmark: stopped; what was drawn is kept.", file=sys.stderr)
        return 130
    return 0


def _count(word: str) -> int:
    if not word.isdecimal() or int(word) < 1:
        raise argparse.ArgumentTypeError(f"{word} is not a whole number from 1 up")
    return int(word)


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        description="Measure facemerge on bursts of drawn people; print tables in Markdown.",
        epilog="Example: python scripts/benchmark.py /tmp/bursts --parts whole imports --repeats 5",
        formatter_class=argparse.ArgumentDefaultsHelpFormatter,
    )
    parser.add_argument("folder", type=Path, help="where the bursts are kept, about 20 MB a frame")
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=list(PARTS), help="what to measure")
    parser.add_argument("--frames", type=_count, default=60, help="length of the burst")
    parser.add_argument("--people", type=_count, default=10, help="how many stand in it")
    parser.add_argument("--megapixels", type=float, default=24, help="size of a frame, 3:2")
    parser.add_argument("--repeats", type=_count, default=3, help="how often each time is taken")
    for name, kind, usual, words in (
        ("frames", _count, [15, 30, 60, 120], "lengths of bursts"),
        ("people", _count, [2, 5, 10, 20], "how many stand in them"),
        ("megapixels", float, [6.0, 12.0, 24.0, 45.0], "sizes of frames"),
    ):
        parser.add_argument(
            f"--series-{name}", type=kind, nargs="+", default=usual, metavar="N", help=f"{words} to compare"
        )
    own = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else 1
    parser.add_argument(
        "--series-cores",
        type=_count,
        nargs="+",
        default=[n for n in (1, 2, 4, 8, 16) if n <= own],
        metavar="N",
        help="cores to run on; from 1 and 2 what more would give is reckoned",
    )
    parser.add_argument(
        "--series-length", type=_count, default=12, help="frames in the series of people and of sizes"
    )
    parser.add_argument(
        "--reference-frames", type=_count, help="frames for the plain reference; all if not said"
    )
    parser.add_argument("--reference-repeats", type=_count, default=1, help="it is slow")
    parser.add_argument(
        "--long-side", type=_count, default=2000, help="for the reference's smaller features, px"
    )
    parser.add_argument(
        "--workers", type=_count, default=2, help="processes that draw; none measures with them"
    )
    parser.add_argument("--draw-only", action="store_true", help="draw what is missing, measure nothing")
    parser.add_argument("--write", type=Path, metavar="FILE", help="put the tables between this file's marks")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write all that was measured")
    return parser


def _measure(given: argparse.Namespace) -> None:
    given.folder.mkdir(parents=True, exist_ok=True)
    drawn = _draw(given)
    if given.draw_only:
        return
    measured: Record = {
        "machine": _machine(),
        "repeats": given.repeats,
        "reference_repeats": given.reference_repeats,
        "long_side": given.long_side,
        "burst": _burst(given, drawn["whole"]),
        "whole": {},
        "judged": {},
    }
    if measured["machine"]["load_before"] > tables.QUIET:
        _say(f"something else is running (load average {measured['machine']['load_before']:.2f})")
    with tempfile.TemporaryDirectory(prefix=".results-", dir=given.folder) as results:
        bench = Bench(folder=given.folder, results=Path(results), repeats=given.repeats)
        bench.warm(drawn["whole"])
        for part in given.parts:
            if part == "whole":
                whole(bench, drawn["whole"], measured)
            elif part == "review":
                review(bench, drawn["whole"], measured)
            elif part == "reference":
                reference(bench, drawn["whole"][: given.reference_frames], given.reference_repeats, measured)
            elif part == "imports":
                imports(bench, measured)
            elif part == "cores":
                for count in given.series_cores:
                    _say(f"{count} cores")
                    measured.setdefault(part, []).append(point(bench, count, drawn["whole"], count))
                measured["together"] = together(drawn["whole"])
            else:
                for at, frames in drawn[part].items():
                    _say(f"{at:g} {part}")
                    measured.setdefault(part, []).append(point(bench, at, frames))
            measured["machine"]["load_after"] = watch.load_average()
            # After each part, so that a run that is stopped has not measured in vain.
            if given.json is not None:
                _write(given.json, json.dumps(measured, indent=1) + "\n")
    text = "\n".join(tables.lines(measured))
    print(text)
    if given.write is not None:
        before = given.write.read_text(encoding="utf-8")
        _write(given.write, MARKS.sub(lambda m: f"{m[1]}{text}\n{m[2]}", before))


def _draw(given: argparse.Namespace) -> dict[str, Any]:
    """Draw all bursts that are asked for, as far as they are not there yet; returns their frames by part."""
    width, height = burst.size_of(given.megapixels)
    own = burst.Recipe(people=given.people, of=given.people, frames=given.frames, width=width, height=height)
    _say(f"drawing what is missing in {given.folder}")
    frames = burst.draw_burst(given.folder, own, workers=given.workers)
    found: dict[str, Any] = {"whole": frames, "frames": {}, "people": {}, "megapixels": {}}
    if "frames" in given.parts:
        more = given.folder / f"{own.name}-more"
        for count in given.series_frames:
            found["frames"][count] = burst.more_frames(more, frames, count, workers=given.workers)
    if "people" in given.parts:
        for count in given.series_people:
            recipe = burst.Recipe(
                people=count,
                of=max(given.series_people),
                frames=given.series_length,
                width=width,
                height=height,
            )
            found["people"][count] = burst.draw_burst(given.folder, recipe, workers=given.workers)
    if "megapixels" in given.parts:
        for megapixels in given.series_megapixels:
            size = burst.size_of(megapixels)
            some = frames[: given.series_length]
            if size != (width, height):
                folder = given.folder / f"{own.name}-at-{size[0]}x{size[1]}"
                some = burst.resized(folder, some, size, workers=given.workers)
            found["megapixels"][megapixels] = some
    return found


def _burst(given: argparse.Namespace, frames: Sequence[Path]) -> Record:
    width, height = burst.size_of(given.megapixels)
    return {
        "frames": given.frames,
        "people": given.people,
        "width": width,
        "height": height,
        "megabytes": sum(p.stat().st_size for p in frames) / len(frames) / 1e6,
    }


def _machine() -> Record:
    import cv2

    return {
        "processor": _processor(),
        "cores": os.cpu_count(),
        "python": platform.python_version(),
        "opencv": cv2.__version__,
        "load_before": watch.load_average(),
    }


def _processor() -> str:
    try:
        told = re.search(r"^model name\s*:\s*(.+)$", Path("/proc/cpuinfo").read_text(), re.MULTILINE)
    except OSError:
        told = None
    return " ".join(told[1].split()) if told else platform.machine()


def _write(path: Path, text: str) -> None:
    temporary = path.with_name(f".{path.name}-{os.getpid()}.part")
    temporary.write_text(text, encoding="utf-8")
    os.replace(temporary, path)


if __name__ == "__main__":
    sys.exit(main())
