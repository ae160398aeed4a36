"""Small pictures of letters for a terminal: two curves, rows before the camera, the cut in a frame."""

from __future__ import annotations

import math
from collections.abc import Sequence

from facemerge.plan.framing import Cut
from facemerge.plan.optics import Setting
from facemerge.plan.quantities import both, metric

WIDTH, HEIGHT = 60, 11
FRAME_WIDTH = 46


def curves(covered: Sequence[float], one_frame: Sequence[float], confidence: float, last: int) -> list[str]:
    """Return both chances over the number of frames, o and x; where they meet the o lies on top.

    Parameters
    ----------
    covered, one_frame
        Chances at equal steps from one frame to `last`, equally many, in [0, 1].
    confidence
        Where the dotted line goes.
    last
        Number of frames at the right edge.
    """
    count = len(covered)
    wide = WIDTH
    screen = [[" "] * wide for _ in range(HEIGHT)]
    screen[_level(confidence)] = ["."] * wide
    for column in range(wide):
        index = round(column * (count - 1) / (wide - 1))
        screen[_level(one_frame[index])][column] = "x"
        screen[_level(covered[index])][column] = "o"
    lines = [
        f"  {f'{100 - 10 * i} %' if i % 5 == 0 else '':>5} |{''.join(row).rstrip()}"
        for i, row in enumerate(screen)
    ]
    end = f"{last:,} frames"
    return [
        *lines,
        f"        +{'-' * wide}",
        f"         1{end:>{wide - 1}}",
        "  o everybody good in one frame or another   x one frame with everybody good   "
        f"... {100 * confidence:g} %",
    ]


def _level(chance: float) -> int:
    """Return the line of a chance, the top one 0; only what is certain to a twentieth reaches it."""
    return HEIGHT - 1 - round(chance * (HEIGHT - 1))


def rows(setting: Setting) -> list[str]:
    """Return the camera, the rows by number and what is sharp, to scale, from the side."""
    places = setting.rows.places_m
    end = max(places[-1] * 1.15, min(setting.far_m, places[-1] * 1.6) * 1.04)
    wide = WIDTH + 8

    def at(distance_m: float) -> int:
        return min(wide - 1, round(distance_m / end * (wide - 1)))

    sharp = range(at(setting.near_m), at(min(setting.far_m, end)) + 1)
    line = ["=" if i in sharp else "-" for i in range(wide)]
    for number, place in reversed(list(enumerate(places, 1))):
        line[at(place)] = f"{number % 10}"
    line[0] = ">"
    focus = f"focus {metric(setting.focus_m)}"
    mark = f"{'v':>{at(setting.focus_m) + 1}}"
    over = f"{focus:>{max(len(focus), at(setting.focus_m) + 1)}}"
    far = "infinity" if math.isinf(setting.far_m) else both(setting.far_m)
    return [
        f"  {over}",
        f"  {mark}",
        f"  {''.join(line)}",
        f"  > camera   1 2 3 rows   === sharp, from {both(setting.near_m)} to {far}",
    ]


def frame(cut: Cut, ratio: float, name: str) -> list[str]:
    """Return the frame, what a print keeps of it (:), and the group's share (#), to scale.

    Parameters
    ----------
    cut
        What the print keeps.
    ratio
        The frame's long side over its short side.
    name
        The print's.
    """
    # A letter is about twice as high as it is wide.
    wide, high = FRAME_WIDTH, max(7, round(FRAME_WIDTH / ratio / 2))
    screen = [[" "] * wide for _ in range(high)]
    for share, tall, mark in (
        (cut.long_share, cut.short_share, ":"),
        (cut.group_share, cut.group_height_share, "#"),
    ):
        left, top = round((1 - share) / 2 * wide), round((1 - tall) / 2 * high)
        # The frame's own edge is drawn already, so where nothing is cut no line is needed.
        sides = () if share == 1 else (left, wide - 1 - left)
        levels = () if tall == 1 else (top, high - 1 - top)
        for column in sides:
            for line in range(top, high - top):
                screen[line][column] = mark
        for line in levels:
            for column in range(left, wide - left):
                screen[line][column] = mark
    edge = f"  +{'-' * wide}+"
    kept = f": what the {name} print keeps   " if cut.area < 1 else ""
    return [edge, *(f"  |{''.join(row)}|" for row in screen), edge, f"  {kept}# room for the group"]
