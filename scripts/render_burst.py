"""Render a burst of photographs of a group that never existed, with its truth.

Every face is the canonical mesh of the installed `face_landmarker.task`, given proportions, skin, hair and
clothes and set to an expression; nobody drawn here exists. See `--help`.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from pathlib import Path

import numpy as np

# Imported from a test or run as a script: the modules lie beside this file either way.
sys.path.insert(0, str(Path(__file__).resolve().parent))

from render.burst import invent_people, plan_burst, render_burst
from render.front import Front
from render.person import CAST, Person
from render.scene import BACKGROUNDS
from render.single import Head, render_head, render_head_with_truth

__all__ = [
    "CAST",
    "Front",
    "Head",
    "Person",
    "invent_people",
    "main",
    "plan_burst",
    "render_burst",
    "render_head",
    "render_head_with_truth",
]


def main(arguments: list[str] | None = None) -> int:
    """Run from the command line; returns the exit code."""
    parser = argparse.ArgumentParser(
        description="Render a burst of a drawn group: frame_NNN.jpg, truth.json and truth/who_NNN.png.",
        formatter_class=argparse.ArgumentDefaultsHelpFormatter,
    )
    parser.add_argument("out", type=Path, help="folder to make")
    parser.add_argument("--people", type=int, default=8, help="how many stand in the picture")
    parser.add_argument("--frames", type=int, default=20, help="length of the burst")
    parser.add_argument(
        "--width", type=int, default=2100, help="width of a frame, px (6000 is 24 megapixels)"
    )
    parser.add_argument("--height", type=int, help="height of a frame, px; 2/3 of the width if not given")
    parser.add_argument("--seed", type=int, default=7, help="same seed and arguments, same bytes")
    parser.add_argument("--background", choices=BACKGROUNDS, default="half", help="half is sky beside brick")
    parser.add_argument("--quality", type=int, default=82, help="JPEG quality")
    parser.add_argument("--grain", type=float, default=1.6, help="sensor noise in mid tones, 8-bit steps")
    parser.add_argument(
        "--workers", type=int, default=os.cpu_count() or 1, help="processes; no influence on the result"
    )
    parser.add_argument("--force", action="store_true", help="replace a folder that is not empty")
    given = parser.parse_args(arguments)
    started = time.monotonic()
    try:
        render_burst(
            given.out,
            np.random.default_rng(given.seed),
            people=given.people,
            frames=given.frames,
            width=given.width,
            height=given.height,
            background=given.background,
            quality=given.quality,
            grain=given.grain,
            workers=given.workers,
            force=given.force,
        )
    except (FileExistsError, FileNotFoundError, ValueError) as error:
        print(f"render_burst: {error}", file=sys.stderr)
        return 1
    print(
        f"{given.out}: {given.frames} frames of {given.people} people in {time.monotonic() - started:.0f} s"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
