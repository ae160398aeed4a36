"""A campaign of what may go wrong: wrong words, odd names, places that are taken, damaged files, a machine
that is short of something, stops and kills at any moment.

    python scripts/campaign.py             all of it, some ten minutes
    python scripts/campaign.py --quick     the cheap half of most kinds, under a minute
    python scripts/campaign.py --kind names --kind stops

Every case is a run of the command line by itself in a folder of its own, on a burst that is drawn. Held
against what must be true of every run: one sentence and the right exit code, no traceback and no abort, the
frames as they were, OUT as it was or new and whole, nothing left beside it (after a kill: once the next run
is through), nothing that hangs. The seeds are fixed. A table by kind is printed; the exit code is 1 if any
case fails.
"""

from __future__ import annotations

import argparse
import ctypes
import hashlib
import json
import os
import random
import re
import resource
import shlex
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[1]
OWN_PATH = [str(ROOT / "tests"), str(ROOT / "scripts"), str(ROOT)]
sys.path[:0] = OWN_PATH

HANGS_S = 90.0
"""A case of a few seconds that takes so long hangs."""
BOOT_S = 0.06
"""Until then the interpreter may be loading itself, and Ctrl-C is answered by it and not by the program."""
OUT_KEPT = ("out", "out.facemerge-cache", "burst", "words")
REVIEW_READY_S = 8.0
"""A review of two small frames shows its page after two or three seconds."""
MB = 1 << 20


PICTURES = 20
"""Pictures of either kind that are laid beside a burst."""


@dataclass(kw_only=True)
class Case:
    """One run, and what must come of it."""

    kind: str
    name: str
    words: Callable[[Path], Sequence[object]]
    """Makes what the case needs in its folder, which holds `burst` and a result, `out`; returns the words."""
    codes: frozenset[int]
    quick: bool = False
    stdout: str = "file"
    """'file', 'full', 'unread' (a pipe whose reader is gone) or 'closed'."""
    stderr: str = "file"
    """'file', 'full' or 'closed'."""
    limits: dict[int, int] = field(default_factory=dict)
    """What `resource.setrlimit` sets."""
    setup: str = ""
    """Python that is run in the process before the program is."""
    presses: tuple[tuple[float, int], ...] = ()
    """(seconds after the one before, signal)."""
    again: bool = False
    """Whether a good run follows, after which nothing may be left."""
    rights: dict[str, int] = field(default_factory=dict)
    """Files and folders by name, with the rights they have during the run."""
    gone: bool = False
    """Whether the working folder is deleted before."""
    extra: frozenset[str] = frozenset()
    """Names that the case itself puts beside OUT, or asks for."""
    burst: str = "burst"
    """Where the frames lie, whose bytes must stay."""
    result: str = "out"
    sentence: bool = True
    says: str = ""
    """What has to be said on standard error."""


@dataclass
class Told:
    """What came of a case."""

    code: int
    out: str
    err: str
    seconds: float
    peak_mb: float
    faults: list[str]


# -- the bench ----------------------------------------------------------------------------------------------


class Bench:
    """Where cases are run: a burst and a result, made once and copied for each."""

    def __init__(self, place: Path) -> None:
        import bursts

        self.place = place
        self.template = place / "template"
        bursts.write(self.template / "burst", 2)
        code, _, err, _, _ = run(["merge", "burst", "-o", "out"], self.template)
        if code:
            raise SystemExit(f"the drawn burst cannot be merged: {err}")
        self.number = 0

    def fresh(self) -> Path:
        self.number += 1
        here = self.place / f"case-{self.number}"
        shutil.copytree(self.template, here)
        return here

    def try_(self, case: Case) -> Told:
        here = self.fresh()
        try:
            words = [str(w) for w in case.words(here)]
            frames, before = contents(here / case.burst), contents(here / case.result)
            with limited(here, case.rights):
                code, out, err, seconds, peak = run(words, here, case)
            faults = judged(case, code, out, err, seconds)
            now, asked = contents(here / case.burst), "beside" in words
            if {n: d for n, d in now.items() if not (asked and n.endswith(".xmp"))} != {
                n: d for n, d in frames.items() if not (asked and n.endswith(".xmp"))
            }:
                faults.append("the frames were changed")
            killed = any(s == signal.SIGKILL for _, s in case.presses)
            faults += self.result(here, case, before)
            if not killed:
                faults += left_over(here, case)
            if case.again:
                code2, _, err2, _, _ = run(words, here, good(case, words))
                if code2 not in (0, 130):
                    faults.append(f"the next run ended with {code2}: {err2[-200:]}")
                faults += left_over(here, case)
            return Told(code, out, err, seconds, peak, faults)
        finally:
            for path in [here, *here.rglob("*")]:
                if path.is_dir() and not path.is_symlink():
                    with suppress(OSError):
                        path.chmod(0o755)
            shutil.rmtree(here, ignore_errors=True)

    def result(self, here: Path, case: Case, before: dict[str, str]) -> list[str]:
        out = here / case.result
        if contents(out) == before or not out.is_dir():
            return []
        try:
            if (out / "index.json").exists():
                index = json.loads((out / "index.json").read_bytes())
                places = [out / g["name"] for g in index["groups"] if g["state"] == "made"]
            else:
                places = [out]
            for place in places:
                report = json.loads((place / "report.json").read_bytes())
                named = [report["composite"], report["layers"], *(p["mask"] for p in report["people"])]
                lacking = [n for n in named if n and not (place / n).is_file()]
                if lacking:
                    return [f"OUT lacks {lacking[0]}"]
        except (OSError, ValueError, KeyError) as error:
            return [f"OUT is not whole: {error!r}"]
        return []


def good(case: Case, words: Sequence[str]) -> Case:
    """Return the same run with nothing in its way; a review is ended once it is ready."""
    presses = ((REVIEW_READY_S, signal.SIGINT),) if words[0] == "review" else ()
    return replace(case, setup="", limits={}, presses=presses)


def judged(case: Case, code: int, out: str, err: str, seconds: float) -> list[str]:
    """Return what is wrong with how a run ended."""
    faults = []
    if code not in case.codes:
        faults.append(f"exit code {code}, not {' or '.join(map(str, sorted(case.codes)))}")
    for word in ("Traceback", "terminate called", "core dumped", "Fatal Python error", "Exception ignored"):
        if word in err:
            faults.append(word)
    if case.says not in err:
        faults.append(f"does not say that {case.says}")
    if seconds >= HANGS_S:
        faults.append("it hung")
    lines = err.splitlines()
    if code == 2:
        if "Usage" not in err and "Error: " not in err:
            faults.append("no usage")
    elif code > 0 and case.sentence and case.stderr == "file":
        told = [line for line in lines if line.startswith("facemerge: ")]
        if code != 1 and (len(told) != 1 or len(lines) != 1):
            faults.append(f"{len(lines)} lines on stderr")
        elif told and not told[-1].rstrip().endswith((".", ")")):
            faults.append("no sentence")
    return faults


def left_over(here: Path, case: Case) -> list[str]:
    """Return what lies beside OUT, or hidden anywhere, that nobody has asked for."""
    beside = sorted({p.name for p in here.iterdir()} - {*OUT_KEPT, *case.extra, case.burst, case.result})
    inside = [
        str(p.relative_to(here))
        for p in here.rglob("*")
        if re.search(r"(facemerge-new|-new$|-old$|\.part$)", p.name) and p.name not in case.extra
    ]
    return [f"left over: {', '.join([*beside, *inside][:3])}"] if beside or inside else []


def contents(folder: Path) -> dict[str, str]:
    """Return every plain file below a folder by name with its digest."""
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def run(words: Sequence[object], here: Path, case: Case | None = None) -> tuple[int, str, str, float, float]:
    """Run the command line; return its exit code, what it said, the seconds and megabytes it took."""
    case = case or Case(kind="", name="", words=lambda _: (), codes=frozenset())
    # Threads of native libraries do not make a case of half a megapixel quicker.
    env = {**os.environ, "PYTHONPATH": os.pathsep.join(OWN_PATH), "OPENBLAS_NUM_THREADS": "1"}
    start = [sys.executable, "-m", "facemerge"]
    if case.setup:
        code = f"{case.setup}\nfrom facemerge.__main__ import main\nif __name__ == '__main__':\n    main()\n"
        # From a file: processes of its own find it again.
        (here / "words").mkdir(exist_ok=True)
        (here / "words" / "start.py").write_text(code)
        start = [sys.executable, str(here / "words" / "start.py")]
    cwd = here
    if case.gone:
        cwd = here / "gone"
        cwd.mkdir()

    def before() -> None:
        if case.rights:
            _obey_rights()
        for kind, most in case.limits.items():
            resource.setrlimit(kind, (most, resource.getrlimit(kind)[1]))
        if case.gone:
            os.rmdir(cwd)
        for number, how in ((1, case.stdout), (2, case.stderr)):
            if how == "closed":
                os.close(number)

    with tempfile.TemporaryFile() as out, tempfile.TemporaryFile() as err, open("/dev/full", "wb") as full:
        streams: list[Any] = [full if case.stdout == "full" else out, full if case.stderr == "full" else err]
        if case.stdout == "unread":
            reader, writer = os.pipe()
            os.close(reader)
            streams[0] = writer
        began = time.monotonic()
        process = subprocess.Popen(
            [*start, *map(str, words)],
            stdin=subprocess.DEVNULL,
            stdout=streams[0],
            stderr=streams[1],
            cwd=cwd,
            env=env,
            preexec_fn=before,
            start_new_session=True,
        )
        if case.stdout == "unread":
            os.close(streams[0])
        ended = threading.Event()
        presser = threading.Thread(target=_press, args=(process, case.presses, ended))
        presser.start()
        code, usage = _waited(process)
        seconds = time.monotonic() - began
        ended.set()
        presser.join()
        with suppress(ProcessLookupError):
            # Whatever it has started itself and left behind.
            os.killpg(process.pid, signal.SIGKILL)
        out.seek(0)
        err.seek(0)
        said = out.read().decode(errors="replace"), err.read().decode(errors="replace")
    return code, *said, seconds, usage / 1024


@contextmanager
def limited(here: Path, rights: dict[str, int]) -> Iterator[None]:
    """Give files and folders other rights for a while."""
    before = {name: (here / name).stat().st_mode for name in rights}
    try:
        for name, mode in rights.items():
            (here / name).chmod(mode)
        yield
    finally:
        for name, mode in before.items():
            (here / name).chmod(mode)


def _obey_rights() -> None:
    """Make the superuser's rights end where those of others do, from the next program on."""
    prctl = ctypes.CDLL(None).prctl
    for capability in (1, 2):  # CAP_DAC_OVERRIDE, CAP_DAC_READ_SEARCH: capability.h of Linux
        prctl(24, capability, 0, 0, 0)  # PR_CAPBSET_DROP: prctl(2)


def _press(
    process: subprocess.Popen[bytes], presses: Sequence[tuple[float, int]], ended: threading.Event
) -> None:
    for wait_s, number in presses:
        if ended.wait(wait_s):
            return
        with suppress(ProcessLookupError):
            if process.returncode is None:
                os.kill(process.pid, number)


def _waited(process: subprocess.Popen[bytes]) -> tuple[int, int]:
    """Return a process's exit code and its largest resident memory in KB."""
    end = time.monotonic() + HANGS_S
    while True:
        pid, status, usage = os.wait4(process.pid, os.WNOHANG)
        if pid:
            process.returncode = os.waitstatus_to_exitcode(status)
            return process.returncode, usage.ru_maxrss
        if time.monotonic() > end:
            os.killpg(process.pid, signal.SIGKILL)
            end = float("inf")
        time.sleep(0.005)


# -- words --------------------------------------------------------------------------------------------------


def plain(*words: object) -> Callable[[Path], Sequence[object]]:
    return lambda here: words


def words() -> Iterator[Case]:
    """Wrong words on the command line: cheap, since nothing is looked at."""
    burst = ("burst", "-o", "out")
    huge = "9" * 5000
    said: list[tuple[set[int], tuple[object, ...]]] = [
        ({2}, ()),
        ({2}, ("mrge",)),
        ({2}, ("merge",)),
        ({2}, ("merge", "burst")),
        ({2}, ("merge", "burst", "-o")),
        ({2}, ("merge", "--nonsense")),
        ({0}, ("--version",)),
        ({0}, ("--help",)),
        ({0}, ("merge", "--help")),
        ({0}, ("options",)),
        ({3}, ("merge", "nowhere", "-o", "new")),
        ({3}, ("merge", "", "-o", "new")),
        ({3}, ("cull", "burst/frame_000.jpg", "-o", "new")),
        ({3}, ("cull", "/dev/null", "-o", "new")),
        ({3}, ("cull", "/dev/zero", "-o", "new")),
        ({3}, ("coverage", "nowhere")),
        ({3}, ("coverage", "nowhere", "--watch")),
        ({4}, ("coverage", "burst", "--until-covered")),
        ({2}, ("coverage", "burst", "--watch", "--stop-after", "-1")),
        ({3}, ("focus", "nowhere")),
        ({3}, ("batch", "nowhere", "-o", "new")),
        ({4}, ("batch", "burst")),
        ({2}, ("batch", "burst", "-o", "new", "--processes", "0")),
        ({2}, ("batch", "burst", "-o", "new", "--processes", huge)),
        ({3}, ("review", "nowhere", "--no-browser")),
        ({2}, ("review", "out", "--port", "70000")),
        ({3}, ("crop", "nowhere", "--print", "8x10")),
        ({4}, ("crop", "out", "--print", "0x0", "--check")),
        ({4}, ("crop", "out", "--print", f"{huge}x{huge}", "--check")),
        ({4}, ("crop", "out", "--print", "8x10", "--ppi", "nan", "--check")),
        ({4}, ("crop", "out", "--print", "8x10", "--ppi", "inf", "--check")),
        ({4}, ("crop", "out", "--print", "8x10", "--margin", "-1e308", "--check")),
        ({4}, ("crop", "out", "--print", "8x10", "--trim", "1e308", "--check")),
        ({4}, ("crop", "out", "--print", "8x10", "--compose", "sideways")),
        ({4}, ("crop", "out", "--print", "8x10", "--picture", "gif")),
        ({2, 4}, ("plan", "0")),
        ({2, 4}, ("plan", "-3")),
        ({2, 4}, ("plan", huge)),
        ({4}, ("plan", "5", "--confidence", "1")),
        ({4}, ("plan", "5", "--confidence", "nan")),
        ({4}, ("plan", "5", "--keeper-rate", "1e-308")),
        ({4}, ("plan", "5", "--pace", "soon")),
        ({4}, ("plan", "5", "--pace", huge + "s")),
        ({4}, ("plan", "5", "--distance", huge + "m", "--focal", "50mm")),
        ({4}, ("plan", "5", "--print", "1e999x2")),
        ({4}, ("plan", "5", "--children", "6")),
        ({4}, ("plan", "5", "--picture", "plan.gif")),
        ({6}, ("plan", "5", "--picture", "no/plan.svg")),
        ({3}, ("plan", "--from-report", "nowhere.json")),
        ({3}, ("plan", "--from-report", "burst/frame_000.jpg")),
        ({3}, ("plan", "--from-report", "burst")),
        ({3}, ("plan", "--from-report", "/dev/zero")),
        ({4}, ("cull", *burst, "--set", "scores.weight_eyes")),
        ({4}, ("cull", *burst, "--set", "=")),
        ({4}, ("cull", *burst, "--set", f"align.work_px={huge}")),
        ({4}, ("cull", *burst, "--set", f"{huge}=1")),
        ({4}, ("cull", *burst, "--set", "align.work_px=nan")),
        ({4}, ("cull", *burst, "--set", "choice.swap_cost=1e400")),
        ({4}, ("cull", *burst, "--weigh", "eyes=")),
        ({4}, ("cull", *burst, "--weigh", f"eyes={huge}")),
        ({4}, ("cull", *burst, "--take", "P01")),
        ({4}, ("cull", *burst, "--base", huge)),
        ({4}, ("cull", *burst, "--base", os.fsdecode(b"\xff.jpg"))),
        ({4}, ("cull", *burst, "--avoid", "../../etc/passwd")),
        ({4}, ("cull", *burst, "--settings", "burst")),
        ({4}, ("cull", *burst, "--settings", "/dev/zero")),
        ({4}, ("cull", *burst, "--settings", "burst/frame_000.jpg")),
        ({3}, ("cull", *burst, "--decisions", "burst")),
        ({3}, ("cull", *burst, "--decisions", "/dev/zero")),
        ({3}, ("cull", *burst, "--decisions", "out/report.json")),
        ({7}, ("cull", *burst, "--afresh", "--models", "burst")),
        ({7}, ("cull", *burst, "--afresh", "--models", "nowhere")),
        ({4}, ("merge", *burst, "--picture", "gif")),
        ({4}, ("merge", *burst, "--sidecars", "everywhere")),
        ({6}, ("merge", "burst", "-o", "burst")),
        ({6}, ("merge", "burst", "-o", ".")),
        ({6}, ("merge", "burst", "-o", "/")),
        ({6}, ("merge", "burst", "-o", "/dev/null")),
        ({6}, ("merge", "burst", "-o", "/proc/out")),
        ({6}, ("merge", "burst", "-o", "burst/frame_000.jpg/out")),
        ({6}, ("merge", "burst", "-o", "n" * 300)),
        ({6}, ("batch", "burst", "-o", "burst")),
        ({6}, ("batch", "burst", "-o", "burst/frame_000.jpg")),
        ({4}, ("batch", "burst", "-o", "new", "--groups", "/dev/zero")),
        ({4}, ("batch", "burst", "-o", "new", "--groups", "burst")),
        ({4}, ("batch", "burst", "-o", "new", "--groups", "burst/frame_000.jpg")),
        ({3, 4}, ("batch", "burst", "-o", "new", "--groups", "out/report.json")),
        ({3, 4}, ("batch", "burst", "-o", "new", "--scheduler", "nonsense")),
        ({4}, ("batch", "burst", "-o", "new", "--picture", "gif")),
    ]
    for i, (codes, typed) in enumerate(said):
        name = shlex.join(str(w)[:40] for w in typed)
        yield Case(kind="words", name=name, words=plain(*typed), codes=frozenset(codes), quick=i % 6 == 0)


# -- output -------------------------------------------------------------------------------------------------


def output() -> Iterator[Case]:
    """Standard output and standard error that cannot be written, and a working folder that is gone."""
    runs: list[tuple[str, tuple[object, ...], bool]] = [
        ("options", ("options",), True),
        ("plan", ("plan", "5"), True),
        ("version", ("--version",), True),
        ("help", ("merge", "--help"), True),
        ("cull", ("cull", "burst", "-o", "out"), False),
        ("coverage", ("coverage", "burst"), False),
        ("groups", ("batch", "burst", "--show-groups"), False),
        ("crop", ("crop", "out", "--print", "8x10", "--check"), False),
    ]
    for name, typed, cheap in runs:
        for stdout, codes in (("full", {6}), ("unread", {141}), ("closed", {6})):
            yield Case(
                kind="output",
                name=f"{name}, stdout {stdout}",
                words=plain(*typed),
                codes=frozenset(codes),
                stdout=stdout,
                quick=cheap,
            )
        yield Case(
            kind="output",
            name=f"{name}, stderr closed",
            words=plain(*typed),
            codes=frozenset({0}),
            stderr="closed",
            quick=cheap,
        )
        yield Case(
            kind="output",
            name=f"{name}, both closed",
            words=plain(*typed),
            codes=frozenset({6}),
            stdout="closed",
            stderr="closed",
        )
    for stderr in ("full", "closed"):
        yield Case(
            kind="output",
            name=f"a wrong word, stderr {stderr}",
            words=plain("cull", "nowhere", "-o", "new"),
            codes=frozenset({3}),
            stderr=stderr,
            quick=True,
        )
        yield Case(
            kind="output",
            name=f"merge, stderr {stderr}",
            words=plain("merge", "burst", "-o", "out"),
            codes=frozenset({0}),
            stderr=stderr,
        )
    for typed in (
        ("plan", "5"),
        ("merge", "../burst", "-o", "../out"),
        ("coverage", "../burst"),
        ("review", "../out", "--no-browser"),
    ):
        yield Case(
            kind="output",
            name=f"{typed[0]}, working folder gone",
            words=plain(*typed),
            codes=frozenset({3}),
            gone=True,
            quick=True,
        )


# -- names --------------------------------------------------------------------------------------------------

LONG = [b"n" * (n - 4) + b".jpg" for n in (239, 240, 241, 245, 250, 251, 254, 255)]
ODD = [
    b"\xff\xfe.jpg",
    b"fr\xe9me.jpg",
    b"\xed\xa0\x80.jpg",
    b"a\\b.jpg",
    b"\\.jpg",
    b"C:\\x.jpg",
    b"new\nline.jpg",
    b"tab\t.jpg",
    b"\x1b[31mred.jpg",
    b"-o.jpg",
    b"--help.jpg",
    b"'quote\".jpg",
    b"<b>&amp;.jpg",
    b"{{7*7}}.jpg",
    b"%s%n.jpg",
    b" blank .jpg",
    "ü.jpg".encode(),
    "u\u0308.jpg".encode(),
    "\u202egpj.jpg".encode(),
    "\U0001f600.jpg".encode(),
    ("\u00e9" * 120).encode() + b".jpg",
    b"*=P01.jpg",
    b"P01=x.jpg",
    b"a:b|c?.jpg",
]


def _renamed(raw: bytes) -> Callable[[Path], Path]:
    def make(here: Path) -> Path:
        new = here / "burst" / os.fsdecode(raw)
        (here / "burst" / "frame_001.jpg").rename(new)
        return new

    return make


def names() -> Iterator[Case]:
    """Frames, folders and results under names that are legal and rare."""
    from facemerge.formats import cache

    for i, raw in enumerate([*ODD, *LONG]):
        make = _renamed(raw)

        def sidecars(here: Path, make: Callable[[Path], Path] = make) -> Sequence[object]:
            make(here)
            return "merge", "burst", "-o", "out", "--sidecars", "beside"

        def decided(here: Path, make: Callable[[Path], Path] = make) -> Sequence[object]:
            # As a review keeps it: the frame by the name that the report has for it.
            from facemerge.formats.decisions import write_decisions
            from facemerge.formats.photo import find_frames
            from facemerge.words import Decisions

            path = make(here)
            frames, _ = find_frames([here / "burst"])
            [name] = [f.name for f in frames if f.path == str(path)]
            write_decisions(here / "words", Decisions(base=name))
            return "cull", "burst", "-o", "out", "--decisions", "words"

        yield Case(
            kind="names",
            name=f"frame {raw[:12]!r}, {len(raw)} bytes",
            words=sidecars,
            codes=frozenset({0}),
            quick=i in (0, 31),
        )
        if len(raw) < 200 or len(raw) in (250, 255):
            yield Case(
                kind="names",
                name=f"decided {raw[:12]!r}, {len(raw)} bytes",
                words=decided,
                codes=frozenset({0}),
            )
    for raw in (b"\xff\xfe", b"back\\slash", "é".encode() * 120, b"o" * 240, b"o" * 250, b"o" * 255, b"-o"):
        out = os.fsdecode(raw)
        kept = frozenset({cache.beside(Path(out)).name, out})
        yield Case(
            kind="names",
            name=f"OUT {raw[:12]!r}, {len(raw)} bytes",
            words=plain("merge", "burst", "-o", f"./{out}"),
            codes=frozenset({0}),
            result=out,
            extra=kept | {"out"},
            quick=len(raw) == 255,
        )

        def reviewed(here: Path, out: str = out) -> Sequence[object]:
            (here / "out").rename(here / out)
            return "crop", f"./{out}", "--print", "8x10"

        yield Case(
            kind="names",
            name=f"crop of OUT {raw[:12]!r}, {len(raw)} bytes",
            words=reviewed,
            # Prints are called after OUT, and may have no room for that.
            codes=frozenset({0, 1, 6}),
            result=out,
            extra=kept | {"out"},
        )
    for raw in (b"\xff\xfe", b"back\\slash", b"d" * 255):
        folder = os.fsdecode(raw)

        def moved(here: Path, folder: str = folder) -> Sequence[object]:
            (here / "burst").rename(here / folder)
            return "merge", f"./{folder}", "-o", "out"

        def card(here: Path, folder: str = folder) -> Sequence[object]:
            (here / "card").mkdir()
            (here / "burst").rename(here / "card" / folder)
            return "batch", "card", "-o", "new", "--processes", "1"

        yield Case(
            kind="names",
            name=f"burst in {raw[:12]!r}",
            words=moved,
            codes=frozenset({0}),
            burst=folder,
            extra=frozenset({folder}),
        )
        yield Case(
            kind="names",
            name=f"card with {raw[:12]!r}",
            words=card,
            # Names that cannot be shown are left out of a card, with a note.
            codes=frozenset({0, 3}),
            burst="card",
            result="new",
            extra=frozenset({"card", "new", "out"}),
        )


# -- places -------------------------------------------------------------------------------------------------


def _taken(path: Path, what: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)
    if what == "pipe":
        os.mkfifo(path)
    elif what == "socket":
        # By a short path: the name of a socket ends at 108 bytes (unix(7)).
        here = os.getcwd()
        os.chdir(path.parent)
        try:
            with socket.socket(socket.AF_UNIX) as one:
                one.bind(path.name)
        finally:
            os.chdir(here)
    elif what == "device":
        path.symlink_to("/dev/zero")
    elif what == "folder":
        path.mkdir()
    elif what == "loop":
        path.symlink_to(path.name)
    elif what == "empty":
        path.touch()


def places() -> Iterator[Case]:
    """Names that are needed and taken by something else: a pipe, a socket, a device, a loop of links."""
    culled, merged = ("cull", "burst", "-o", "out"), ("merge", "burst", "-o", "out")
    slots: list[tuple[str, tuple[object, ...], set[int]]] = [
        ("burst/frame_000.xmp", (*culled, "--sidecars", "beside"), {0}),
        ("burst/frame_000.jpg.xmp", (*culled, "--sidecars", "beside"), {0}),
        ("out/sidecars/frame_000.xmp", (*culled, "--sidecars", "out"), {0, 6}),
        ("burst/frame_002.jpg", culled, {0}),
        ("named.jpg", ("cull", "burst", "named.jpg", "-o", "out"), {0, 3}),
        ("out/report.json", merged, {6}),
        ("out/decisions.json", merged, {0, 6}),
        ("out/report.json", ("review", "out", "--no-browser"), {3}),
        ("out/report.json", ("crop", "out", "--print", "8x10"), {3}),
        ("out/composite.tif", ("crop", "out", "--print", "8x10"), {3}),
        ("report.json", ("plan", "--from-report", "report.json"), {3}),
        ("mine.toml", (*culled, "--settings", "mine.toml"), {0, 4}),
        ("mine.json", (*culled, "--decisions", "mine.json"), {3}),
        ("groups.txt", ("batch", "burst", "-o", "new", "--groups", "groups.txt"), {0, 3, 4}),
        ("plan.svg", ("plan", "5", "--picture", "plan.svg"), {6}),
        ("out", merged, {0, 6}),
        ("out.facemerge-cache", culled, {0}),
        ("burst", culled, {3}),
        (".out.review", ("crop", "out", "--print", "8x10", "--check"), {0}),
    ]
    for i, (slot, typed, codes) in enumerate(slots):
        for j, what in enumerate(("pipe", "socket", "device", "folder", "loop", "empty")):

            def make(
                here: Path, slot: str = slot, what: str = what, typed: tuple[object, ...] = typed
            ) -> Sequence[object]:
                _taken(here / slot, what)
                return typed

            cheap = typed[0] == "plan" or (codes == {3} and typed[0] in ("review", "crop", "cull"))
            yield Case(
                kind="places",
                name=f"{slot}: {what}; {typed[0]}",
                words=make,
                # An empty folder may be there, as OUT for one.
                codes=frozenset(codes | ({0, 4, 3} if what in ("folder", "empty", "loop") else set())),
                extra=frozenset({slot.partition("/")[0], "new"}),
                quick=cheap and (i + j) % 4 == 0,
                burst="burst" if slot != "burst" else "words",
            )


# -- rights -------------------------------------------------------------------------------------------------


def rights() -> Iterator[Case]:
    """Files and folders that may not be read, written or looked into."""
    culled = ("cull", "burst", "-o", "out")
    crop, review = ("crop", "out", "--print", "8x10"), ("review", "out", "--no-browser")
    said: list[tuple[int, dict[str, int], tuple[object, ...]]] = [
        (6, {"out": 0}, culled),
        (6, {"out": 0o555}, culled),
        (6, {"out": 0}, ("merge", "burst", "-o", "out")),
        (3, {"out": 0}, review),
        (3, {"out": 0}, crop),
        (6, {"out": 0}, ("batch", "burst", "-o", "out")),
        *(
            (3, {"burst": mode}, typed)
            for mode in (0, 0o311, 0o444)
            for typed in (
                culled,
                ("coverage", "burst"),
                ("coverage", "burst", "--watch", "--stop-after", "3"),
                ("focus", "burst"),
                ("batch", "burst", "-o", "new"),
                ("batch", "burst", "--show-groups"),
            )
        ),
        (3, {"burst/frame_001.jpg": 0}, culled),
        (6, {"burst": 0o555}, (*culled, "--sidecars", "beside")),
        (6, {"out/report.json": 0}, culled),
        (3, {"out/report.json": 0}, review),
        (3, {"out/report.json": 0}, crop),
        (3, {"out/report.json": 0}, ("plan", "--from-report", "out/report.json")),
        (3, {"out/composite.tif": 0}, crop),
        (4, {"words": 0}, (*culled, "--settings", "words")),
        (3, {"words": 0}, (*culled, "--decisions", "words")),
        (4, {"words": 0}, ("batch", "burst", "-o", "new", "--groups", "words")),
        (7, {"words": 0}, (*culled, "--afresh", "--models", "words")),
        (0, {"out.facemerge-cache": 0}, culled),
        (0, {"out.facemerge-cache": 0o555}, culled),
        *((6, {".": 0o555}, ("cull", "burst", "-o", out)) for out in ("out", "new", "new/deeper")),
        (6, {".": 0o555}, ("batch", "burst", "-o", "new")),
        (6, {".": 0o555}, ("plan", "5", "--picture", "plan.svg")),
    ]
    for i, (code, modes, typed) in enumerate(said):

        def make(here: Path, typed: tuple[object, ...] = typed) -> Sequence[object]:
            (here / "words").touch()
            return typed

        shown = ", ".join(f"{name} {mode:03o}" for name, mode in modes.items())
        yield Case(
            kind="rights",
            name=f"{shown}; {shlex.join(map(str, typed))}",
            words=make,
            codes=frozenset({code}),
            rights=modes,
            extra=frozenset({"new"}),
            quick=i % 8 == 0,
        )


# -- damaged words ------------------------------------------------------------------------------------------

SURROGATE = "\\ud800"
VALUES = (
    "null",
    "true",
    "-1",
    "1e400",
    "NaN",
    "Infinity",
    "9" * 5000,
    '""',
    f'"{SURROGATE}"',
    '"\\u0000"',
    "[]",
    "{}",
    "[[1]]",
    '{"a": 1}',
    "1.5",
    '"' + "x" * 100_000 + '"',
    "[" * 3000 + "]" * 3000,
)


def spoilt(text: str, rng: random.Random) -> str:
    """Return JSON with one thing in it changed: a value for another, a key gone, bytes cut or changed."""
    how = rng.randrange(6)
    spots = list(re.finditer(r'(?<=: )("[^"\n]*"|-?[0-9.e+-]+|true|false|null)', text))
    if how <= 2 and spots:
        spot = rng.choice(spots)
        return text[: spot.start()] + rng.choice(VALUES) + text[spot.end() :]
    keys = list(re.finditer(r'"[a-z_]+"(?=:)', text))
    if how == 3 and keys:
        key = rng.choice(keys)
        return text[: key.start()] + '"other"' + text[key.end() :]
    if how == 4:
        return text[: rng.randrange(len(text))]
    at = rng.randrange(len(text))
    return text[:at] + rng.choice('{}[],:"x\0é') + text[at + 1 :]


DECIDED = """{
 "schema": "facemerge-decisions/1",
 "base": "frame_001.jpg",
 "take": {
  "P01": "frame_000.jpg"
 },
 "avoid": {
  "*": [
   "frame_000.jpg"
  ]
 },
 "keep": [
  "P02"
 ],
 "stays": {
  "base": "frame_000.jpg",
  "heads": {
   "P01": "frame_000.jpg",
   "P02": "frame_001.jpg"
  }
 },
 "notes": {
  "P02": "hair"
 },
 "masks": {
  "P02": [
   {
    "base": "frame_000.jpg",
    "donor": "frame_001.jpg",
    "widen_px": 3,
    "strokes": [
     {"brush": "paint", "radius_px": 20, "softness": 0.5, "points": [[500, 300], [520, 310]]}
    ]
   }
  ]
 }
}
"""
TOML = "[scores]\nweight_eyes = 2\nmood = 'silly'\n[choice]\nswap_cost = 0.2\n[align]\nwork_px = 900\n"


def damaged() -> Iterator[Case]:
    """Reports, decisions, settings, sidecars and groups with something wrong in them."""
    any_end = frozenset({0, 1, 3, 4, 5, 6})
    readers: list[tuple[str, Callable[[Path], Sequence[object]], int, int]] = [
        ("report, plan", lambda here: ("plan", "--from-report", here / "out" / "report.json"), 40, 4),
        ("report, crop", lambda here: ("crop", "out", "--print", "8x10", "--check"), 20, 0),
        ("report, review", lambda here: ("review", "out", "--no-browser"), 40, 0),
    ]
    for name, typed, count, quick in readers:
        for seed in range(count):

            def make(
                here: Path, typed: Callable[[Path], Sequence[object]] = typed, seed: int = seed
            ) -> Sequence[object]:
                path = here / "out" / "report.json"
                path.write_text(spoilt(path.read_text("utf-8"), random.Random(seed)), "utf-8")
                return typed(here)

            yield Case(
                kind="damaged",
                name=f"{name}, seed {seed}",
                words=make,
                codes=any_end,
                quick=seed < quick,
                # A review that can begin is ended.
                presses=((6.0, signal.SIGINT),) if "review" in name else (),
            )
    for key in ("base_why", "people", "frames", "options", "notes", "sources", "dropped", "program", "size"):

        def lacking(here: Path, key: str = key) -> Sequence[object]:
            path = here / "out" / "report.json"
            report = json.loads(path.read_bytes())
            report.pop(key, None)
            path.write_text(json.dumps(report))
            return "review", "out", "--no-browser"

        yield Case(
            kind="damaged",
            name=f"report without {key}, review",
            words=lacking,
            codes=any_end,
            presses=((6.0, signal.SIGINT),),
        )
    for seed in range(40):

        def deciding(here: Path, seed: int = seed) -> Sequence[object]:
            (here / "words").write_text(spoilt(DECIDED, random.Random(1000 + seed)), "utf-8")
            return "cull", "burst", "-o", "out", "--decisions", "words"

        yield Case(
            kind="damaged",
            name=f"decisions, seed {seed}",
            words=deciding,
            codes=any_end,
            quick=seed % 20 == 0,
        )
    settings = [
        *(TOML.replace("2", value, 1) for value in VALUES),
        *(TOML[:n] for n in (5, 11, 30)),
        "\0",
        "a = " + "{b = " * 2000,
        "scores = 1\n",
        "[[scores]]\n",
        "[scores]\nweight_eyes = 1979-05-27\n",
        "[scores]\nweight_eyes = nan\n",
        "[scores]\nweight_eyes = 0x" + "f" * 6000 + "\n",
    ]
    for i, text in enumerate(settings):

        def set_(here: Path, text: str = text) -> Sequence[object]:
            (here / "words").write_text(text, "utf-8")
            return "cull", "burst", "-o", "out", "--settings", "words"

        yield Case(kind="damaged", name=f"settings {i}", words=set_, codes=any_end, quick=i % 6 == 0)
    for seed in range(20):

        def beside(here: Path, seed: int = seed) -> Sequence[object]:
            from facemerge.formats.sidecar import NEW

            rng = random.Random(2000 + seed)
            data = bytearray(NEW)
            for _ in range(1 + seed % 4):
                data[rng.randrange(len(data))] = rng.randrange(256)
            cut = rng.randrange(len(data)) if seed % 3 == 0 else len(data)
            (here / "burst" / "frame_000.xmp").write_bytes(bytes(data[:cut]))
            return "cull", "burst", "-o", "out", "--sidecars", "beside"

        yield Case(
            kind="damaged",
            name=f"sidecar, seed {seed}",
            words=beside,
            codes=frozenset({0}),
        )


# -- the machine --------------------------------------------------------------------------------------------

NO_THREAD = """
import threading
def refused(self, *_, **__):
    if {which}:
        raise RuntimeError("can't start new thread")
    return start(self)
start = threading.Thread.start
begun = []
threading.Thread.start = refused
"""


def machine() -> Iterator[Case]:
    """Too little memory, too few threads, files and bytes."""
    commands: dict[str, tuple[object, ...]] = {
        "merge": ("merge", "burst", "-o", "out", "--afresh"),
        "cull": ("cull", "burst", "-o", "out", "--afresh"),
        "coverage": ("coverage", "burst"),
        "review": ("review", "out", "--no-browser"),
        "batch": ("batch", "burst", "-o", "new", "--processes", "1"),
    }
    for name, typed in commands.items():
        presses = ((5.0, signal.SIGINT),) if name == "review" else ()
        extra = frozenset({"new"})
        for size in (100, 250, 500, 650, 900, 1150, 1280, 1350, 1450, 1600, 1800, 2200):
            yield Case(
                kind="machine",
                name=f"{name} in {size} MB",
                words=plain(*typed),
                codes=frozenset({0, 8} | ({1, 3} if name == "batch" else set())),
                limits={resource.RLIMIT_AS: size * MB},
                presses=presses,
                extra=extra,
                again=name == "merge",
                quick=size == 900 and name in ("merge", "review"),
            )
        for which in ("True", "begun.append(1) or len(begun) > 3", "self.name.startswith('facemerge')"):
            yield Case(
                kind="machine",
                name=f"{name}, no thread if {which[:20]}",
                words=plain(*typed),
                codes=frozenset({0, 8} | ({1, 3} if name == "batch" else set())),
                setup=NO_THREAD.format(which=which),
                presses=presses,
                extra=extra,
            )
        for count in (8, 16, 24, 40):
            yield Case(
                kind="machine",
                name=f"{name}, {count} open files",
                words=plain(*typed),
                codes=frozenset({0, 1, 3, 6, 7, 8}),
                limits={resource.RLIMIT_NOFILE: count},
                presses=presses,
                extra=extra,
            )
    for size in (0, 1000, 100_000, 1_000_000):
        yield Case(
            kind="machine",
            name=f"merge, no file above {size} bytes",
            words=plain(*commands["merge"]),
            codes=frozenset({0, 6}),
            limits={resource.RLIMIT_FSIZE: size},
            # Standard error is a file here.
            sentence=size > 0,
            setup="import signal\nsignal.signal(signal.SIGXFSZ, signal.SIG_IGN)",
            again=True,
        )
    unmapped = (
        "import sys, builtins\nplain = builtins.__import__\n"
        "def refused(name, *rest, **named):\n"
        "    if name.partition('.')[0] == {library!r}:\n"
        "        raise ImportError('libx.so: failed to map segment from shared object')\n"
        "    return plain(name, *rest, **named)\n"
        "builtins.__import__ = refused"
    )
    for library in ("cv2", "numpy", "ai_edge_litert", "scipy", "simplejpeg"):
        yield Case(
            kind="machine",
            name=f"{library} cannot be mapped",
            words=plain(*commands["merge"]),
            codes=frozenset({8}),
            setup=unmapped.format(library=library),
        )


# -- stops --------------------------------------------------------------------------------------------------


AT_RENAME = """
import os, pathlib, signal, threading
rename, seen = pathlib.Path.rename, []
def pressed(self, target):
    if "facemerge-" in self.name + pathlib.Path(target).name:
        seen.append(1)
        if len(seen) == {count}:
            os.kill(os.getpid(), signal.SIGINT)
    done = rename(self, target)
    if len(seen) == {count}:
        os.kill(os.getpid(), signal.SIGINT)
    return done
pathlib.Path.rename = pressed
"""


def stops() -> Iterator[Case]:
    """Ctrl-C, once or several times, at any moment of a run; and kills."""
    rng = random.Random(17)
    commands: dict[str, tuple[tuple[object, ...], float, int]] = {
        "review": (("review", "out", "--no-browser"), 4.0, 80),
        "merge": (("merge", "burst", "-o", "out", "--afresh"), 4.0, 60),
        "batch": (("batch", "burst", "-o", "new", "--processes", "1"), 5.0, 30),
        "coverage": (("coverage", "burst", "--watch"), 4.0, 50),
    }
    for name, (typed, longest_s, count) in commands.items():
        for i in range(count):
            first = rng.uniform(BOOT_S, longest_s if i % 3 else 0.6)
            presses = [(first, signal.SIGINT)]
            presses += [(rng.choice((0.0, 0.01, 0.05, 0.3)), signal.SIGINT) for _ in range(i % 3)]
            yield Case(
                kind="stops",
                name=f"{name} at {first:.2f} s, {1 + i % 3} times",
                words=plain(*typed),
                codes=frozenset({130} if name == "coverage" else {0, 130}),
                presses=tuple(presses),
                extra=frozenset({"new"}),
                again=i % 10 == 0 and name in ("merge", "review"),
                quick=i == 4,
            )
    for name, typed in {"merge": commands["merge"][0], "cull": ("cull", "burst", "-o", "out")}.items():
        for count in (1, 2):
            yield Case(
                kind="stops",
                name=f"{name}, at rename {count} of OUT",
                words=plain(*typed),
                codes=frozenset({130}),
                setup=AT_RENAME.format(count=count),
                says="the new result was in out already",
                again=True,
                quick=name == "cull",
            )
    for i in range(12):
        name = ("merge", "review", "batch")[i % 3]
        typed, longest_s, _ = commands[name]
        yield Case(
            kind="kills",
            name=f"{name}, number {i}",
            words=plain(*typed),
            codes=frozenset({0, -signal.SIGKILL}),
            presses=((rng.uniform(0.3, longest_s), signal.SIGKILL),),
            extra=frozenset({"new"}),
            again=True,
        )


# -- pictures -----------------------------------------------------------------------------------------------


def pictures() -> Iterator[Case]:
    """Damaged and sound pictures beside the burst's own, as `campaign_pictures` makes them."""
    for kind in ("sound", "damaged"):
        for i in range(PICTURES):

            def make(here: Path, kind: str = kind, i: int = i) -> Sequence[object]:
                import campaign_pictures  # loads slowly, and most cases need none

                *_, picture = getattr(campaign_pictures, kind)(i + 1)
                (here / "burst" / "z-another.jpg").write_bytes(picture.data)
                return "cull", "burst", "-o", "out"

            yield Case(kind="pictures", name=f"{kind} {i}", words=make, codes=frozenset({0}), quick=i == 0)


KINDS = (words, output, names, places, rights, damaged, machine, stops, pictures)


def all_cases() -> list[Case]:
    """Return every case, in the same order each time."""
    return [case for kind in KINDS for case in kind()]


# -- the whole ----------------------------------------------------------------------------------------------


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the campaign and return its exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--quick", action="store_true", help="the cheap half of most kinds")
    parser.add_argument("--kind", action="append", default=[], help="only cases of this kind; repeatable")
    parser.add_argument("--only", default="", help="only cases whose name holds this")
    parser.add_argument("--said", action="store_true", help="show what each case has said")
    asked = parser.parse_args(arguments)
    cases = [
        case
        for case in all_cases()
        if (case.quick or not asked.quick)
        and (not asked.kind or case.kind in asked.kind)
        and asked.only in case.name
    ]
    rows: dict[str, list[Told]] = defaultdict(list)
    with tempfile.TemporaryDirectory(prefix="campaign-") as place:
        bench = Bench(Path(place))
        for case in cases:
            told = bench.try_(case)
            rows[case.kind].append(told)
            if told.faults or asked.said:
                said = " / ".join(told.err.splitlines()[-3:])[-300:]
                what = "; ".join(told.faults) or "as it should be"
                print(f"{case.kind}: {case.name}: {what} [{told.code}] {said}", flush=True)
    print(f"{'kind':<24}{'cases':>7}{'failed':>8}{'mean s':>8}{'most s':>8}{'most MB':>9}")
    for kind, found in rows.items():
        seconds = [t.seconds for t in found]
        print(
            f"{kind:<24}{len(found):>7}{sum(bool(t.faults) for t in found):>8}"
            f"{sum(seconds) / len(found):>8.2f}{max(seconds):>8.2f}{max(t.peak_mb for t in found):>9.0f}"
        )
    failed = sum(bool(t.faults) for found in rows.values() for t in found)
    print(f"{len(cases)} cases, {failed} failed.")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
