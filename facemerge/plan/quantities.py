"""Lengths, times, light and sizes as a photographer writes them, and as they are shown."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from facemerge.errors import OptionError

FOOT_M, INCH_M = 0.3048, 0.0254
"""Exact since the international yard of 1959."""
_NUMBER = r"(?:\d+(?:[.,]\d*)?|[.,]\d+)"
_LENGTHS_M = {
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
    "in": INCH_M,
    "inch": INCH_M,
    "inches": INCH_M,
    '"': INCH_M,
    "ft": FOOT_M,
    "foot": FOOT_M,
    "feet": FOOT_M,
    "'": FOOT_M,
}
_TIMES_S = {"ms": 0.001, "s": 1.0, "sec": 1.0, "min": 60.0}
_SENSORS_MM = {
    "full-frame": (36.0, 24.0),
    "aps-c": (23.5, 15.6),
    "four-thirds": (17.3, 13.0),
    "44x33": (43.8, 32.9),
}
LUX_PER_EV0 = 2.5
"""Illuminance at EV 0 and ISO 100: E = C 2^EV / S with a flat receptor's C = 250 (ISO 2720, from memory)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Print:
    """A print, or only its proportions."""

    name: str
    """As the user wrote it."""
    ratio: float
    """Long side over short side, 1 or more."""
    long_m: float | None = None
    """Length of the long side in metres, or None where only proportions are known."""

    @property
    def short_m(self) -> float | None:
        return None if self.long_m is None else self.long_m / self.ratio

    @property
    def diagonal_m(self) -> float | None:
        return None if self.long_m is None else self.long_m * math.hypot(1, 1 / self.ratio)


def _number(text: str) -> float:
    return float(text.replace(",", "."))


def _sum_of_parts(word: str, units: dict[str, float]) -> float | None:
    """Return '5ft 6in' as one number, or None if the word is nothing of the kind."""
    names = "|".join(re.escape(u) for u in sorted(units, key=len, reverse=True))
    part = rf"({_NUMBER})\s*({names})"
    if not re.fullmatch(rf"(?:\s*{part})+\s*", word.lower()):
        return None
    return sum(_number(n) * units[u] for n, u in re.findall(part, word.lower()))


def length_m(word: str, said: str, low_m: float, high_m: float, *, bare_unit: str = "") -> float:
    """Return a length such as '3m', '12ft', '5ft6in', '80 cm' or '50mm' in metres.

    Parameters
    ----------
    word, said
        What was written, and for which option, for the sentence.
    low_m, high_m
        Range allowed.
    bare_unit
        Unit of a number without one; without it such a number is refused.

    Raises
    ------
    OptionError
        If the word is no length, or one out of range.
    """
    found = _sum_of_parts(word + bare_unit if re.fullmatch(_NUMBER, word.strip()) else word, _LENGTHS_M)
    if found is None:
        raise OptionError(f"{said} takes a length with its unit, for example 3m, 80cm or 12ft, not {word!r}.")
    if not low_m <= found <= high_m:
        raise OptionError(
            f"{said} lies between {metric(low_m)} ({imperial(low_m)}) and {metric(high_m)} "
            f"({imperial(high_m)}), so {word!r} is out of range."
        )
    return found


def time_s(word: str, said: str, low_s: float, high_s: float, *, bare_unit: str = "s") -> float:
    """Return a time such as '1/125', '3s', '250ms' or '10min' in seconds.

    A number without a unit is in `bare_unit`; the other parameters and errors are those of `length_m`.
    """
    bare = word.strip().lower()
    fraction = re.fullmatch(rf"({_NUMBER})\s*/\s*({_NUMBER})\s*s?", bare)
    if fraction:
        below = _number(fraction[2])
        found = _number(fraction[1]) / below if below else None
    else:
        found = _sum_of_parts(bare + bare_unit if re.fullmatch(_NUMBER, bare) else bare, _TIMES_S)
    if found is None:
        raise OptionError(f"{said} takes a time, for example 1/125, 250ms, 3s or 10min, not {word!r}.")
    if not low_s <= found <= high_s:
        raise OptionError(
            f"{said} lies between {exposure(low_s)} and {exposure(high_s)}, so {word!r} is out of range."
        )
    return found


def light_ev(word: str) -> float:
    """Return a light level, '9', '9EV' (at ISO 100) or '500lux', as an exposure value at ISO 100.

    Raises
    ------
    OptionError
        If the word is no light level, or no one photographs in it.
    """
    match = re.fullmatch(rf"\s*(-?{_NUMBER})\s*(ev|lux|lx)?\s*", word.lower())
    value = _number(match[1]) if match else math.nan
    if match and match[2] in ("lux", "lx"):
        value = math.log2(value / LUX_PER_EV0) if value > 0 else math.nan
    if math.isnan(value):
        raise OptionError(f"--light takes a level such as 9EV (at ISO 100) or 500lux, not {word!r}.")
    if not -6 <= value <= 20:
        raise OptionError(f"--light lies between -6 EV and 20 EV at ISO 100, so {word!r} is out of range.")
    return value


def lux(ev: float) -> float:
    """Return the illuminance in lux of an exposure value at ISO 100."""
    return LUX_PER_EV0 * 2**ev


def print_size(word: str) -> Print:
    """Return a print: '8x10' (inches, as prints are named), '20x30cm', '5x7in' or proportions, '5:4'.

    Raises
    ------
    OptionError
        If the word is no size, or an absurd one.
    """
    match = re.fullmatch(
        rf"\s*({_NUMBER})\s*(?:([x×:])\s*({_NUMBER})\s*(in|cm|mm|m)?)\s*", word.lower().replace("inch", "in")
    )
    sides = sorted((_number(match[1]), _number(match[3]))) if match else [0.0, 0.0]
    if not match or (match[2] == ":" and match[4]) or sides[0] <= 0:
        raise OptionError(f"--print takes a size such as 8x10, 20x30cm or 5:4, not {word!r}.")
    ratio = sides[1] / sides[0]
    long_m = None if match[2] == ":" else sides[1] * _LENGTHS_M[match[4] or "in"]
    if ratio > 10 or (long_m is not None and not 0.02 <= long_m <= 20):
        raise OptionError(f"--print {word}: a print is 2 cm to 20 m long, and at most ten times its height.")
    return Print(name=word.strip(), ratio=ratio, long_m=long_m)


def sensor_m(word: str) -> tuple[float, float]:
    """Return long and short side, in metres, of a sensor given by name or as '36x24mm'.

    The sizes behind names are common practice (no source): makers differ by a few tenths of a millimetre.

    Raises
    ------
    OptionError
        If the word is neither.
    """
    bare = word.strip().lower()
    match = re.fullmatch(rf"({_NUMBER})\s*[x×]\s*({_NUMBER})\s*(?:mm)?", bare)
    if bare in _SENSORS_MM:
        sides = _SENSORS_MM[bare]
    elif match:
        sides = (_number(match[1]), _number(match[2]))
    else:
        raise OptionError(f"--sensor is {', '.join(_SENSORS_MM)} or a size such as 36x24mm, not {word!r}.")
    long, short = max(sides), min(sides)
    if not (short >= 2 and long <= 300 and long <= 4 * short):
        raise OptionError(
            f"--sensor {word}: sides are 2 to 300 mm, the long one at most four times the short."
        )
    return long / 1000, short / 1000


# -- as they are shown --------------------------------------------------------------------------------------


def _digits(value: float, digits: int) -> str:
    """Return a number to so many significant digits, without a power of ten."""
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value)) + 1e-9))
    text = f"{value:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def metric(value_m: float) -> str:
    """Return a length in the metric unit that fits it."""
    if math.isinf(value_m):
        return "infinity"
    if value_m >= 0.9995:
        return f"{_digits(value_m, 3)} m"
    return f"{_digits(value_m * 100, 2)} cm" if value_m >= 0.00995 else f"{_digits(value_m * 1000, 2)} mm"


def imperial(value_m: float) -> str:
    """Return a length in feet, or inches where it is short."""
    if math.isinf(value_m):
        return "infinity"
    if value_m >= 0.995 * FOOT_M:
        return f"{_digits(value_m / FOOT_M, 3)} ft"
    return f"{_digits(value_m / INCH_M, 2)} in"


def both(value_m: float) -> str:
    """Return a length in metric and, in brackets, in feet or inches."""
    return "infinity" if math.isinf(value_m) else f"{metric(value_m)} ({imperial(value_m)})"


def exposure(value_s: float) -> str:
    """Return a time as a camera shows it: '1/125 s', '2 s', '10 min'."""
    if value_s >= 7200:
        return f"{_digits(value_s / 3600, 3)} h"
    if value_s >= 120:
        return f"{_digits(value_s / 60, 3)} min"
    if value_s > 0.3:
        return f"{_digits(value_s, 3)} s"
    return f"1/{_digits(1 / value_s, 3)} s"


def clock(value_s: float) -> str:
    """Return a stretch of time as minutes and seconds, '2:06'; hours or days where it is absurdly long."""
    if math.isinf(value_s):
        return "never"
    if value_s >= 2 * 86400:
        days = value_s / 86400
        return f"{days:,.0f} days" if days < 1e6 else "never"
    seconds = round(value_s)
    if seconds >= 3600:
        return f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d} h"
    return f"{seconds // 60}:{seconds % 60:02d} min"


def percent(share: float) -> str:
    """Return a chance in per cent; what is less than certain is never rounded to 100."""
    if share == 0:
        return "0 %"
    if share > 0.995:
        return "above 99 %"
    if share < 0.005:
        return "below 1 %"
    return f"{100 * share:.0f} %"
