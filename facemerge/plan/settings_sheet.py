"""The plan in words: lens, focus, shutter and ISO for the rows, and how wide to frame."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from facemerge.plan import sketch
from facemerge.plan.framing import SAME, Cut, cut_for, distance_for_m, field_m
from facemerge.plan.light import ADULTS_S, CHILDREN_S, GRAINY_ISO, MOST_ISO, SLOWEST_S, Exposure
from facemerge.plan.optics import (
    Setting,
    Stop,
    blur_disc_m,
    deepest_m,
    span_with_diffraction,
    third_below,
    thirds_focus_m,
)
from facemerge.plan.quantities import Print, both, exposure, imperial, lux, metric, print_size
from facemerge.plan.sheet import paragraph, table

USUAL_PRINTS = ("4x6", "5x7", "8x10", "11x14", "10x10")
SHOULDERS_M = 0.5
SMALLEST_APERTURE = 22.0
"""Where most lenses for these sensors end (common practice, no source)."""
THUMB_PAIR, THUMB_ROWS, THUMB_ROWS_LAST = Stop(thirds=18), Stop(thirds=21), Stop(thirds=24)
"""f/8 for two side by side; f/11 to f/16 for rows (common practice, no source)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """What becomes of the frame; lengths in metres."""

    sensor_m: tuple[float, float]
    prints: tuple[Print, ...]
    margin: float
    """Share of the cut picture left free at each end."""

    @property
    def ratio(self) -> float:
        return self.sensor_m[0] / self.sensor_m[1]

    def cut(self, print_: Print) -> Cut:
        return cut_for(self.ratio, print_.ratio, self.margin)

    def crop_m(self, print_: Print) -> tuple[float, float]:
        """Return the sides of the part of the sensor that a print shows."""
        cut = self.cut(print_)
        return self.sensor_m[0] * cut.long_share, self.sensor_m[1] * cut.short_share

    @property
    def tightest(self) -> Print:
        """The print that leaves the group the least room along the frame."""
        return min(self.prints, key=lambda p: self.cut(p).group_share)


def settings_sheet(setting: Setting, picture: Picture, blur: str, long_px: int | None = None) -> list[str]:
    """Return the lines on f-number and focus.

    Parameters
    ----------
    setting
        What to set.
    picture
        The frame and its prints.
    blur
        What blur is allowed and why, a sentence.
    long_px
        Pixels along the frame, to say the circle in pixels too.
    """
    rows = setting.rows
    many = "1 row" if rows.count == 1 else f"{rows.count} rows {both(rows.apart_m)} apart"
    size = f"{picture.sensor_m[0] * 1000:g} x {picture.sensor_m[1] * 1000:g} mm"
    px = (
        "" if long_px is None else f", {setting.circle_m / picture.sensor_m[0] * long_px:.1f} px of {long_px}"
    )
    return [
        *paragraph(
            f"{many}, the front one {both(rows.front_m)} away, heads up to {both(rows.play_m)} out of line; "
            f"{setting.focal_m * 1000:g} mm lens, sensor {size}."
        ),
        *paragraph(f"{blur}; {setting.circle_m * 1000:.3f} mm on the sensor{px}."),
        "",
        *_pairs(
            ("set", _set_words(setting)),
            ("needed exactly", f"f/{setting.needed:.1f}, diffraction left out"),
            ("focus at", f"{both(setting.focus_m)}, {_focus_words(setting)}"),
            ("sharp", f"from {both(setting.near_m)} to {both(setting.far_m)}"),
            ("hyperfocal distance", both(setting.hyperfocal_m)),
            ("outer rows sharpest at", f"f/{setting.keenest:.1f}"),
            ("diffraction alone", f"reaches that blur at f/{setting.limit:.0f}"),
        ),
        "",
        *_row_table(setting),
        "",
        *sketch.rows(setting),
        "",
        *_warnings(setting),
        *_split(setting),
        *_thumb(setting),
    ]


def _set_words(setting: Setting) -> str:
    _, most = span_with_diffraction(setting.needed, setting.limit)
    largest = third_below(most)
    if setting.least_blur > 1 or largest.thirds <= setting.stop.thirds:
        return setting.stop.name
    return f"{setting.stop.name}, or any number up to {largest.name}"


def _focus_words(setting: Setting) -> str:
    places, focus = setting.rows.places_m, setting.focus_m
    if len(places) == 1:
        return (
            "on the row" if abs(focus - places[0]) < 0.03 else f"{metric(places[0] - focus)} before the row"
        )
    behind = focus - places[0]
    if behind < 0.03:
        return "on the front row"
    row = next((i for i, p in enumerate(places, 1) if abs(focus - p) < 0.03), None)
    if row is not None:
        return f"on row {row}"
    before = sum(p < focus for p in places)
    return f"{both(behind)} behind row 1, between rows {before} and {before + 1}"


def _pairs(*pairs: tuple[str, str]) -> list[str]:
    return [f"  {name:<24}{value}" for name, value in pairs]


def _row_table(setting: Setting) -> list[str]:
    rows, play = setting.rows, setting.rows.play_m
    shown = []
    for number, place in enumerate(rows.places_m, 1):
        # Heads stand a little out of line: the worse end of a row counts.
        worst = max((place - play, place + play), key=setting.blur)
        disc = blur_disc_m(worst, setting.focus_m, setting.focal_m, setting.stop.exact)
        shown.append(
            (
                f"row {number}",
                metric(place),
                imperial(place),
                f"{100 * disc / setting.circle_m:.0f} %",
                f"{100 * setting.blur(worst):.0f} %",
            )
        )
    head = ("blur of that allowed", "away", "", "out of focus", "with diffraction")
    return table(head, shown)


def _warnings(setting: Setting) -> list[str]:
    text = ""
    if setting.stop.exact > setting.limit:
        text = (
            f"{setting.stop.name} is too far: diffraction alone blurs by {setting.airy_m * 1000:.3f} mm "
            "there, more than you allow. "
        )
    elif setting.least_blur > 1:
        text = (
            "No f-number keeps the outer rows within that blur once diffraction is added: at best, "
            f"at f/{setting.keenest:.0f}, they blur by {100 * setting.least_blur:.0f} % of it. "
        )
    elif setting.stop.exact > SMALLEST_APERTURE * 1.05:
        text = f"Many lenses end at f/{SMALLEST_APERTURE:g}. "
    if text:
        text += _way_out(setting)
    elif setting.needed < 1.4:
        text = "Depth of field asks for no small f-number here; take the one at which the lens is best."
    return paragraph(text)


def _way_out(setting: Setting) -> str:
    rows = setting.rows
    # Half the limit is the most depth of field may ask for, if diffraction is to leave room for it.
    most = min(setting.limit / 2, SMALLEST_APERTURE)
    deepest = deepest_m(rows.near_m, setting.focal_m, most, setting.circle_m)
    apart = (deepest - rows.near_m - 2 * rows.play_m) / max(1, rows.count - 1)
    closer = f"Put the rows {both(apart)} apart, step" if rows.count > 1 and apart > 0 else "Step"
    return f"{closer} back, take a shorter lens, or allow more blur with --blur."


def _split(setting: Setting) -> list[str]:
    """Return what becomes of the rule 'a third in front, two thirds behind' here."""
    rows, sharp = setting.front_share, setting.sharp_front_share
    third = thirds_focus_m(setting.focal_m, setting.hyperfocal_m)
    holds = abs(rows - 1 / 3) < 0.03
    return paragraph(
        f"A third in front, two thirds behind? Of your rows' depth {100 * rows:.0f} % lies before the focus "
        f"and {100 * (1 - rows):.0f} % behind; of all that is sharp {100 * sharp:.0f} and "
        f"{100 * (1 - sharp):.0f} %. So the rule {'holds' if holds else 'does not hold'} here: it does where "
        "the last heads are twice as far away as the first, and the focus at a third of the hyperfocal "
        f"distance ({both(third)} at {setting.stop.name}). Nearer, it is closer to half and half; farther, "
        "more lies behind."
    )


def _thumb(setting: Setting) -> list[str]:
    """Return the rule of thumb for these people, and what it would do here."""
    pair = setting.rows.count == 1
    stop, last = (THUMB_PAIR, THUMB_PAIR) if pair else (THUMB_ROWS, THUMB_ROWS_LAST)
    words = f"Rule of thumb: {'f/8 for two side by side' if pair else 'f/11 to f/16 for rows'}"
    words += " (common practice, no source)"
    if stop.thirds <= setting.stop.thirds:
        enough = setting.stop.thirds <= last.thirds
        return paragraph(f"{words}{', as here' if enough else '; here that is not enough'}.")
    here, there = (setting.blur(setting.rows.far_m, at) for at in (setting.stop, stop))
    stops = (stop.thirds - setting.stop.thirds) / 3
    return paragraph(
        f"{words}. At {stop.name} the outermost heads blur by {100 * there:.0f} % of what you allow "
        f"instead of {100 * here:.0f} %, diffraction included, for {stops:.1f} stops more light."
    )


def exposure_sheet(
    setting: Setting,
    exposures: Sequence[Exposure],
    chosen_s: float,
    *,
    ev: float | None,
    children: bool,
    why: str,
) -> list[str]:
    """Return the lines on shutter and ISO.

    Parameters
    ----------
    setting
        The f-number and the circle come from here.
    exposures
        One for each shutter to show; without a light level their ISO means nothing.
    chosen_s
        The shutter to use.
    ev
        Light at ISO 100, or None if not measured.
    children, why
        Whether there are small children, and why that shutter, in words.
    """
    light = "" if ev is None else f" in {ev:.3g} EV at ISO 100 ({lux(ev):,.0f} lux)"
    rows = [
        (
            f"{exposure(e.shutter_s)}{'  <- this' if math.isclose(e.shutter_s, chosen_s) else ''}",
            "-" if ev is None else f"ISO {e.iso_name}",
            f"{both(e.head_speed_m_s)}/s",
        )
        for e in exposures
    ]
    lines = [
        f"Shutter and ISO at {setting.stop.name}{light}:",
        *table(("shutter", "ISO", "a head may move"), rows),
        *paragraph(f"{exposure(chosen_s)}: {why}. A head that moves faster blurs more than you allow."),
    ]
    if ev is None:
        lines.append("Say the light with --light 9EV or --light 500lux, and the ISO follows.")
    chosen = next(e for e in exposures if math.isclose(e.shutter_s, chosen_s))
    if ev is not None:
        lines += _iso_words(chosen)
    if children and chosen_s > ADULTS_S * 1.01:
        lines.append(f"Small children want {exposure(ADULTS_S)} or faster, better {exposure(CHILDREN_S)}.")
    elif chosen_s > SLOWEST_S * 1.01:
        lines.append(f"People seldom hold still for longer than {exposure(SLOWEST_S)}.")
    return lines


def _iso_words(chosen: Exposure) -> list[str]:
    if chosen.iso_name > MOST_ISO:
        return [f"ISO {chosen.iso_name} is beyond what cameras offer: bring light."]
    if chosen.iso_name > GRAINY_ISO:
        return [f"Above ISO {GRAINY_ISO} grain shows in large prints: bring light, or allow more blur."]
    if chosen.iso < 90:
        return [f"At ISO 100 the shutter may be as short as {exposure(chosen.shutter_s * chosen.iso / 100)}."]
    return []


def framing_sheet(picture: Picture, setting: Setting | None, people: int) -> list[str]:
    """Return the lines on how wide to frame; with a setting also whether so many people fit."""
    asked = {p.name for p in picture.prints}
    usual = [print_size(name) for name in USUAL_PRINTS if name not in asked]
    rows = []
    for p in sorted((*picture.prints, *usual), key=lambda p: -p.ratio):
        cut = picture.cut(p)
        rows.append(
            (
                f"{p.name}{'  <- yours' if p.name in asked else ''}",
                f"{100 * cut.long_share:.0f} %",
                _lost(p, picture, cut),
                f"{100 * cut.area:.0f} %",
                f"{100 * cut.group_share:.0f} %",
            )
        )
    tight = picture.tightest
    cut = picture.cut(tight)
    lines = [
        f"Framing: cutting prints from a {_proportions(picture.ratio)} frame, "
        f"with {100 * picture.margin:.0f} % left free at each end of the print.",
        *table(("print", "long side kept", "cut off at each end", "area kept", "group may fill"), rows),
        "",
        *sketch.frame(cut, picture.ratio, tight.name),
        "",
        f"Frame so that the group fills at most {100 * cut.group_share:.0f} % of the long side "
        f"and {100 * cut.group_height_share:.0f} % of the short one.",
    ]
    if setting is not None:
        near = setting.rows.front_m
        wide, high = (field_m(s, setting.focal_m, near) for s in picture.sensor_m)
        lines += paragraph(
            f"At the front row the frame takes in {both(wide)} by {both(high)}; the group may be "
            f"{both(wide * cut.group_share)} wide there. {_fit(picture, setting, people, cut)}"
        )
    return lines


def _fit(picture: Picture, setting: Setting, people: int, cut: Cut) -> str:
    abreast = math.ceil(people / setting.rows.count)
    needed_m = abreast * SHOULDERS_M
    side_m = picture.sensor_m[0] * cut.group_share
    words = f"{abreast} abreast take about {both(needed_m)} (half a metre each: common practice, no source)"
    if needed_m <= field_m(side_m, setting.focal_m, setting.rows.front_m):
        return f"{words}: they fit."
    away_m = distance_for_m(needed_m, side_m, setting.focal_m)
    return f"{words}: too wide. Step back to {both(away_m)}, take a shorter lens, or more rows."


def _proportions(ratio: float) -> str:
    """Return a ratio as photographers say it, 3:2."""
    near = Fraction(ratio).limit_denominator(5)
    if math.isclose(float(near), ratio, rel_tol=SAME):
        return f"{near.numerator}:{near.denominator}"
    return f"{ratio:.3g}:1"


def _lost(print_: Print, picture: Picture, cut: Cut) -> str:
    """Return what is cut off the long side at each end, measured on an uncut print as high as this one."""
    if cut.long_share == 1:
        return "nothing" if cut.short_share == 1 else "top and bottom"
    if print_.short_m is None:
        return f"{100 * cut.lost_each_end:.1f} % of the frame"
    lost = print_.short_m * picture.ratio * cut.lost_each_end
    return f"{lost / 0.0254:.2f} in ({metric(lost)})"
