"""The whole plan, from the words a photographer wrote to the lines that answer them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from facemerge.errors import OptionError
from facemerge.plan import rates
from facemerge.plan.chances import LEAST_PACE_S, MOST_PACE_S, Forecast, forecast
from facemerge.plan.framing import MARGIN
from facemerge.plan.light import ADULTS_S, CHILDREN_S, SLOWEST_S, exposures, handheld_s
from facemerge.plan.optics import (
    BLUR_ANGLE,
    NEAREST_VIEW_M,
    Rows,
    Setting,
    circle_m,
    setting_for,
    usual_circle_m,
)
from facemerge.plan.quantities import exposure, length_m, light_ev, metric, print_size, sensor_m, time_s
from facemerge.plan.settings_sheet import Picture, exposure_sheet, framing_sheet, settings_sheet
from facemerge.plan.sheet import USUAL_PATIENCE_S, Said, frames_sheet

USUAL_PACE_S = 3.0
ROW_DEPTH_M, ROW_PLAY_M = 0.6, 0.15
"""From row to row, and how far a head is out of its row (common practice, no source)."""
SEED = 20060601
_ROWS_UP_TO = ((4, 1), (14, 2))
_BLINK_RULE_BELOW = 20


@dataclass(frozen=True, slots=True, kw_only=True)
class Group:
    """What was said of the people and of time, as written; None where nothing was said."""

    people: int | None = None
    confidence: float = 0.95
    keeper_rate: float | None = None
    blinks: float | None = None
    blink_length: str | None = None
    children: int = 0
    child_rate: float | None = None
    pace: str | None = None
    patience: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What was said of the camera and where people stand, as written; None where nothing was said."""

    distance: str | None = None
    focal: str | None = None
    rows: int | None = None
    row_depth: str | None = None
    row_play: str | None = None
    viewing: str | None = None
    blur: str | None = None
    circle: str | None = None
    pixels: int | None = None
    shutter: str | None = None
    light: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Framing:
    """What was said of frame and print, as written."""

    sensor: str = "full-frame"
    prints: tuple[str, ...] = ()
    margin: float = MARGIN


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """What is planned."""

    forecast: Forecast
    picture: Picture
    setting: Setting | None
    """None where no distance was said."""
    lines: tuple[str, ...]
    """All of it in words."""


def make_plan(
    group: Group, scene: Scene, framing: Framing, *, report: Mapping[str, Any] | None = None
) -> Plan:
    """Return the plan for a group.

    Parameters
    ----------
    group, scene, framing
        What the photographer wrote.
    report
        An earlier report, from which keeper rates are taken.

    Raises
    ------
    OptionError
        If something written is wrong, missing, or contradicts another word.
    InputError
        If the report shows nobody.
    """
    picture = _picture(framing)
    found, said = _rates(group, scene, report)
    if not 0.5 <= group.confidence <= 0.9999:
        raise OptionError(
            f"--confidence lies between 0.5 and 0.9999, so {group.confidence:g} is out of range."
        )
    pace_s = USUAL_PACE_S if group.pace is None else time_s(group.pace, "--pace", LEAST_PACE_S, MOST_PACE_S)
    ahead = forecast(found, confidence=group.confidence, pace_s=pace_s)
    setting, words = _settings(group, scene, picture, ahead.people)
    lines = [*frames_sheet(ahead, said), "", *words, *framing_sheet(picture, setting, ahead.people)]
    return Plan(forecast=ahead, picture=picture, setting=setting, lines=tuple(lines))


def _picture(framing: Framing) -> Picture:
    if not 0 <= framing.margin <= 0.4:
        raise OptionError(f"--margin is a share from 0 to 0.4, so {framing.margin:g} is out of range.")
    return Picture(
        sensor_m=sensor_m(framing.sensor),
        prints=tuple(print_size(p) for p in framing.prints or ("8x10",)),
        margin=framing.margin,
    )


# -- keeper rates -------------------------------------------------------------------------------------------


def _rates(group: Group, scene: Scene, report: Mapping[str, Any] | None) -> tuple[rates.Rates, Said]:
    given = {
        "--keeper-rate": group.keeper_rate is not None,
        "--blinks": group.blinks is not None or group.blink_length is not None,
        "--from-report": report is not None,
    }
    if sum(given.values()) > 1:
        names = " and ".join(name for name, there in given.items() if there)
        raise OptionError(f"The keeper rate comes from one place; choose between {names}.")
    patience_s = (
        USUAL_PATIENCE_S if group.patience is None else time_s(group.patience, "--patience", 10, 86400)
    )
    if report is not None:
        return _measured(group, report, patience_s)
    if group.people is None:
        raise OptionError("Say how many people stand in the group, for example: facemerge plan 12.")
    rule = None
    if given["--blinks"]:
        shutter_s = _said_shutter_s(scene) or ADULTS_S
        rate, words = _from_blinks(group, shutter_s)
        if group.people < _BLINK_RULE_BELOW:
            rule = (
                "A third as many frames as people in good light (Svenson and Barnes 2006)",
                -(-group.people // 3),
            )
    elif group.keeper_rate is not None:
        rate = rates.checked_rate(group.keeper_rate, "--keeper-rate")
        words = f"A person is good in {_in_words(rate)} (as you said)."
    else:
        rate = rates.USUAL
        words = "A person is good in one frame of 4.5, a keeper in four or five (common practice, no source)."
    child_rate = (
        rates.USUAL_CHILD
        if group.child_rate is None
        else rates.checked_rate(group.child_rate, "--child-rate")
    )
    if group.child_rate is not None and not group.children:
        raise OptionError("--child-rate needs --children, how many of the people are small.")
    if group.children:
        source = " (common practice, no source)" if group.child_rate is None else " (as you said)"
        who = "A small child is" if group.children == 1 else f"{group.children} small children are"
        words += f" {who} good in {_in_words(child_rate)}{source}."
    found = rates.known(group.people, rate, group.children, child_rate)
    return found, Said(keeper=words, patience_s=patience_s, rule=rule)


def _in_words(rate: float) -> str:
    return f"one frame of {1 / rate:.3g}" if rate < 0.5 else f"{100 * rate:.3g} % of frames"


def _from_blinks(group: Group, shutter_s: float) -> tuple[float, str]:
    per_minute = rates.BLINKS_PER_MIN if group.blinks is None else group.blinks
    if not 0 < per_minute <= 60:
        raise OptionError(f"--blinks lies between 0 and 60 a minute, so {per_minute:g} is out of range.")
    blink_s = (
        rates.BLINK_S
        if group.blink_length is None
        else time_s(group.blink_length, "--blink-length", 0.05, 1.0)
    )
    rate = rates.from_blinks(per_minute, blink_s, shutter_s)
    return rate, (
        f"Blinks alone ({per_minute:g} a minute of {blink_s * 1000:.0f} ms, shutter {exposure(shutter_s)}) "
        f"spoil {100 * (1 - rate):.1f} % of one person's frames; expression and motion come on top."
    )


def _measured(group: Group, report: Mapping[str, Any], patience_s: float) -> tuple[rates.Rates, Said]:
    if group.children or group.child_rate is not None:
        raise OptionError("--children says nothing with --from-report: everybody's rate is in the report.")
    counted = rates.tally(report)
    other = group.people is not None and group.people != len(counted)
    found = rates.measured(counted, np.random.default_rng(SEED), people=group.people if other else None)
    mean, _ = rates.usual_rate(counted)
    words = (
        f"Measured on {len(counted)} people in {counted[0].frames} frames: a face is good "
        f"(score {rates.GOOD_FROM} or more) in {100 * mean:.0f} %."
    )
    if other:
        words += " For other people like them, so each may be better or worse."
    else:
        hardest = sorted(zip(rates.shrunk(counted), counted, strict=True), key=lambda pair: pair[0])[:3]
        words += (
            " Hardest: "
            + ", ".join(
                f"{t.person} {t.good} of {t.frames} (reckoned as {100 * r:.0f} %)" for r, t in hardest
            )
            + "."
        )
    return found, Said(keeper=words, patience_s=patience_s)


# -- settings -----------------------------------------------------------------------------------------------


def _said_shutter_s(scene: Scene) -> float | None:
    return None if scene.shutter is None else time_s(scene.shutter, "--shutter", 1 / 8000, 30)


def _settings(group: Group, scene: Scene, picture: Picture, people: int) -> tuple[Setting | None, list[str]]:
    if scene.distance is None:
        idle = [
            name
            for name in Scene.__slots__
            if getattr(scene, name) is not None
            # A shutter tells how long a blink can spoil, too.
            and not (name == "shutter" and (group.blinks is not None or group.blink_length is not None))
        ]
        if idle:
            raise OptionError(
                f"--{idle[0].replace('_', '-')} needs --distance, from the lens to the front row."
            )
        return None, ["For f-number, focus, shutter and ISO say --distance 4m --focal 50mm --light 9EV.", ""]
    if scene.focal is None:
        raise OptionError("With --distance say the lens too, for example --focal 50mm.")
    focal_m = length_m(scene.focal, "--focal", 0.004, 2.0, bare_unit="mm")
    circle, blur = _circle(scene, picture)
    setting = setting_for(_rows(scene, people), focal_m=focal_m, circle_m=circle)
    if scene.pixels is not None and not 100 <= scene.pixels <= 100_000:
        raise OptionError(f"--pixels lies between 100 and 100000, so {scene.pixels} is out of range.")
    lines = settings_sheet(setting, picture, blur, scene.pixels)
    return setting, [*lines, "", *_exposures(group, scene, setting, picture), ""]


def _rows(scene: Scene, people: int) -> Rows:
    count = next((n for most, n in _ROWS_UP_TO if people <= most), 3) if scene.rows is None else scene.rows
    if not 1 <= count <= 20:
        raise OptionError(f"--rows lies between 1 and 20, so {count} is out of range.")
    depth, play = scene.row_depth, scene.row_play
    return Rows(
        front_m=length_m(scene.distance or "", "--distance", 0.3, 100),
        count=count,
        apart_m=ROW_DEPTH_M if depth is None else length_m(depth, "--row-depth", 0.05, 10),
        play_m=ROW_PLAY_M if play is None else length_m(play, "--row-play", 0, 2),
    )


def _circle(scene: Scene, picture: Picture) -> tuple[float, str]:
    """Return the circle of confusion of the strictest print in metres, and why it is that."""
    if scene.circle is not None:
        if scene.blur is not None or scene.viewing is not None:
            raise OptionError("--circle says what blur is allowed already; leave out --blur and --viewing.")
        return length_m(scene.circle, "--circle", 1e-6, 0.002), "Blur allowed, as you said"
    found = []
    for p in picture.prints:
        crop = picture.crop_m(p)
        if p.long_m is None or p.diagonal_m is None:
            if scene.blur is not None or scene.viewing is not None:
                raise OptionError(f"For --blur and --viewing say the size of the print, not only {p.name}.")
            found.append(
                (usual_circle_m(crop), f"Blur allowed on the {p.name} print: 1/1500 of its diagonal")
            )
            continue
        seen = p.diagonal_m if scene.viewing is None else length_m(scene.viewing, "--viewing", 0.1, 50)
        seen = max(seen, NEAREST_VIEW_M) if scene.viewing is None else seen
        blur = BLUR_ANGLE * seen if scene.blur is None else length_m(scene.blur, "--blur", 1e-5, 0.02)
        why = f", 1/1500 of the {metric(seen)} it is seen from" if scene.blur is None else ", as you said"
        found.append(
            (circle_m(crop, p.long_m, blur), f"Blur allowed on the {p.name} print: {blur * 1000:.2g} mm{why}")
        )
    return min(found)


def _exposures(group: Group, scene: Scene, setting: Setting, picture: Picture) -> list[str]:
    said_s = _said_shutter_s(scene)
    children = group.children > 0
    held_s = handheld_s(setting.focal_m, picture.sensor_m)
    still_s, who = (
        (CHILDREN_S, "for small children") if children else (ADULTS_S, "for people who stand still")
    )
    if said_s is not None:
        chosen_s, why = said_s, "as you said"
    elif held_s < still_s * 0.99:
        chosen_s, why = held_s, "what this lens asks for by hand; on a tripod say --shutter 1/125"
    else:
        chosen_s, why = still_s, f"{who} (common practice, no source)"
    shown = sorted({chosen_s, SLOWEST_S, ADULTS_S, CHILDREN_S}, reverse=True)
    ev = None if scene.light is None else light_ev(scene.light)
    found = exposures(
        0.0 if ev is None else ev,
        setting.stop.exact,
        tuple(shown),
        circle_m=setting.circle_m,
        magnification=setting.magnification,
    )
    return exposure_sheet(setting, found, chosen_s, ev=ev, children=children, why=why)
