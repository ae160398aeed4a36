"""Depth of field for rows of people: the f-number, where to focus, and where diffraction ends it.

A thin lens: distances run from the lens to the people. All lengths of one call are in one unit, here metres.
Formulas are the textbook ones, from memory unless a source is named; tests hold them against printed tables.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from facemerge.errors import OptionError

WAVELENGTH_M = 550e-9
"""Green light, where the eye is keenest."""
BLUR_ANGLE = 1 / 1500
"""Blur disc allowed on a print over viewing distance. Seen from its diagonal away: 1/1500 of the diagonal, or
0.03 mm on 36 x 24 mm (Zeiss, Camera Lens News, as quoted at dantestella.com/zeiss/dof.html)."""
NEAREST_VIEW_M = 0.25
"""Nearer than this nobody looks at a print at ease (common practice, no source)."""
_NAMES = (
    *("1", "1.1", "1.2", "1.4", "1.6", "1.8", "2", "2.2", "2.5", "2.8", "3.2", "3.5", "4", "4.5", "5", "5.6"),
    *(
        "6.3",
        "7.1",
        "8",
        "9",
        "10",
        "11",
        "13",
        "14",
        "16",
        "18",
        "20",
        "22",
        "25",
        "29",
        "32",
        "36",
        "40",
        "45",
    ),
)
"""What the rings and displays of cameras say, by thirds of a stop from f/1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """An f-number in thirds of a stop."""

    thirds: int
    """From f/1; f/1.4 is 3."""

    @property
    def exact(self) -> float:
        """The f-number a lens is set to: 2^(thirds/6)."""
        return float(2 ** (self.thirds / 6))

    @property
    def name(self) -> str:
        """As cameras write it."""
        return f"f/{_NAMES[self.thirds]}" if self.thirds < len(_NAMES) else f"f/{self.exact:.0f}"


def next_third(f_number: float) -> Stop:
    """Return the first third of a stop, f/1 or beyond, that is at least `f_number`."""
    return Stop(thirds=max(0, math.ceil(6 * math.log2(max(f_number, 1.0)) - 1e-9)))


def third_below(f_number: float) -> Stop:
    """Return the last third of a stop, f/1 or beyond, that is at most `f_number`."""
    return Stop(thirds=max(0, math.floor(6 * math.log2(max(f_number, 1.0)) + 1e-9)))


def circle_m(crop_m: tuple[float, float], print_long_m: float, blur_m: float) -> float:
    """Return the circle of confusion on the sensor that becomes a blur disc of `blur_m` on the print.

    Parameters
    ----------
    crop_m
        Long and short side of the part of the sensor that is printed.
    print_long_m
        Long side of the print.
    blur_m
        Diameter of the disc on the print.
    """
    return blur_m * crop_m[0] / print_long_m


def usual_circle_m(crop_m: tuple[float, float]) -> float:
    """Return the circle of confusion for a print looked at from its own diagonal, whatever its size."""
    return BLUR_ANGLE * math.hypot(*crop_m)


def hyperfocal_m(focal_m: float, f_number: float, circle_m: float) -> float:
    """Return the focus distance beyond which everything to infinity is sharp: f²/(N c) + f."""
    return focal_m**2 / (f_number * circle_m) + focal_m


def limits_m(focus_m: float, focal_m: float, f_number: float, circle_m: float) -> tuple[float, float]:
    """Return the nearest and the farthest distance that is sharp; the farthest may be infinite.

    near = s (H - f)/(H + s - 2 f), far = s (H - f)/(H - s).
    """
    h = hyperfocal_m(focal_m, f_number, circle_m)
    near = focus_m * (h - focal_m) / (h + focus_m - 2 * focal_m)
    return near, math.inf if focus_m >= h else focus_m * (h - focal_m) / (h - focus_m)


def blur_disc_m(at_m: float, focus_m: float, focal_m: float, f_number: float) -> float:
    """Return the diameter of the disc on the sensor that a point becomes: f²/N |x - s|/(x (s - f))."""
    return focal_m**2 / f_number * abs(at_m - focus_m) / (at_m * (focus_m - focal_m))


def focus_between_m(near_m: float, far_m: float) -> float:
    """Return the focus distance from which two distances are blurred alike.

    P = 2 D d/(D + d): US Navy, Photography (Basic), NAVEDTRA 14209, conjugate foci.
    """
    return 2 * near_m * far_m / (near_m + far_m)


def f_number_for(near_m: float, far_m: float, focal_m: float, circle_m: float) -> float:
    """Return the f-number at which both ends are blurred by just the circle, focused between them.

    `blur_disc_m` solved for N. 0 where both distances are one.

    Raises
    ------
    OptionError
        If the near end lies within the focal length: no lens forms a picture there.
    """
    if near_m <= focal_m:
        raise OptionError("The front row stands nearer than the focal length; no lens can focus there.")
    return blur_disc_m(near_m, focus_between_m(near_m, far_m), focal_m, circle_m)


def deepest_m(near_m: float, focal_m: float, f_number: float, circle_m: float) -> float:
    """Return how far away the last row may stand at an f-number, well focused; the inverse of `f_number_for`.

    Infinite where everything behind is sharp.
    """
    spread = f_number * circle_m
    room = focal_m**2 - spread * near_m
    if room <= 0:
        return math.inf
    focus = near_m * (focal_m**2 - spread * focal_m) / room
    return math.inf if focus >= 2 * near_m else focus * near_m / (2 * near_m - focus)


def airy_m(f_number: float, magnification: float = 0.0) -> float:
    """Return the diameter of the Airy disc, to its first dark ring: 2.44 λ N (1 + m)."""
    return 2.44 * WAVELENGTH_M * f_number * (1 + magnification)


def diffraction_limit(circle_m: float, magnification: float = 0.0) -> float:
    """Return the f-number at which the Airy disc alone is as wide as the circle."""
    return circle_m / airy_m(1.0, magnification)


def thirds_focus_m(focal_m: float, hyperfocal_m: float) -> float:
    """Return the focus distance at which just a third of the depth lies before it: (H + 2 f)/3.

    From the limits: front over behind is (H - s)/(H + s - 2 f), which is 1/2 there and nowhere else.
    """
    return (hyperfocal_m + 2 * focal_m) / 3


def span_with_diffraction(needed: float, limit: float) -> tuple[float, float]:
    """Return the least and the largest f-number at which the outermost eyes stay within the circle.

    Discs of both kinds are added as squares (a rule, not a law): (needed/N)² + (N/limit)² = 1 solved for N.
    Both are the f-number of least blur where even that one is more than the circle.

    Parameters
    ----------
    needed
        The f-number at which they are out of focus by just the circle.
    limit
        The f-number at which the Airy disc is just as wide.
    """
    root = math.sqrt(max(0.0, 1 - 4 * (needed / limit) ** 2))
    high = limit * math.sqrt((1 + root) / 2) if root else math.sqrt(needed * limit)
    return needed * limit / high, high


@dataclass(frozen=True, slots=True, kw_only=True)
class Rows:
    """Where people stand; distances from the lens to their eyes in metres."""

    front_m: float
    """Distance to the front row."""
    count: int
    """Number of rows, 1 or more."""
    apart_m: float
    """From row to row."""
    play_m: float
    """How far a head may be before or behind its row."""

    @property
    def places_m(self) -> tuple[float, ...]:
        """The distance of each row, front to back."""
        return tuple(self.front_m + i * self.apart_m for i in range(self.count))

    @property
    def near_m(self) -> float:
        """The nearest eyes."""
        return self.front_m - self.play_m

    @property
    def far_m(self) -> float:
        """The farthest eyes."""
        return self.places_m[-1] + self.play_m


@dataclass(frozen=True, slots=True, kw_only=True)
class Setting:
    """What to set on lens and camera for some rows, and what follows from it; lengths in metres."""

    rows: Rows
    focal_m: float
    circle_m: float
    """Diameter of the blur disc allowed on the sensor."""
    needed: float
    """The f-number at which the outermost eyes are blurred by just the circle."""
    stop: Stop
    """The third of a stop to set: the next at which the outermost eyes are within the circle, diffraction
    reckoned in; where none is, that at which they are sharpest, unless depth of field asks for more."""
    focus_m: float
    near_m: float
    """Nearest distance that is sharp at `stop`."""
    far_m: float
    """Farthest distance that is sharp at `stop`; may be infinite."""
    hyperfocal_m: float
    magnification: float
    """Size on the sensor over size in life, where the focus lies."""

    @property
    def limit(self) -> float:
        """The f-number at which diffraction alone blurs by the circle."""
        return diffraction_limit(self.circle_m, self.magnification)

    @property
    def airy_m(self) -> float:
        """Diameter of the Airy disc on the sensor."""
        return airy_m(self.stop.exact, self.magnification)

    @property
    def keenest(self) -> float:
        """The f-number at which the outermost eyes are sharpest, out of focus and diffraction together."""
        return math.sqrt(self.needed * self.limit)

    def blur(self, distance_m: float, stop: Stop | None = None) -> float:
        """Return how wide the disc of a point is, out of focus and diffraction together, over the circle.

        Parameters
        ----------
        distance_m
            Of the point.
        stop
            Another f-number than the one to set.
        """
        n = (stop or self.stop).exact
        disc = blur_disc_m(distance_m, self.focus_m, self.focal_m, n)
        return math.hypot(disc, airy_m(n, self.magnification)) / self.circle_m

    @property
    def least_blur(self) -> float:
        """The same for the outermost eyes at the f-number where they are sharpest."""
        return math.sqrt(2 * self.needed / self.limit)

    @property
    def front_share(self) -> float:
        """Share of the rows' depth before the focus: near/(near + far), a third only if far is twice near."""
        return self.rows.near_m / (self.rows.near_m + self.rows.far_m)

    @property
    def sharp_front_share(self) -> float:
        """Share of all that is sharp which lies before the focus; 0 if it ends at infinity."""
        if math.isinf(self.far_m):
            return 0.0
        return (self.focus_m - self.near_m) / (self.far_m - self.near_m)


def setting_for(rows: Rows, *, focal_m: float, circle_m: float) -> Setting:
    """Return what to set so that every pair of eyes is within the circle.

    Raises
    ------
    OptionError
        If the front row stands too near, or its heads' play reaches the lens.
    """
    if rows.near_m <= focal_m:
        raise OptionError("The front row stands too near to the lens; say a larger --distance.")
    focus = focus_between_m(rows.near_m, rows.far_m)
    needed = f_number_for(rows.near_m, rows.far_m, focal_m, circle_m)
    limit = diffraction_limit(circle_m, focal_m / (focus - focal_m))
    least, _ = span_with_diffraction(needed, limit)
    stop = next_third(least)
    if 2 * needed > limit:
        # Nothing is within the circle; what is sharpest is better than what comes after it.
        stop = Stop(thirds=max(next_third(needed).thirds, round(6 * math.log2(least))))
    near, far = limits_m(focus, focal_m, stop.exact, circle_m)
    return Setting(
        rows=rows,
        focal_m=focal_m,
        circle_m=circle_m,
        needed=needed,
        stop=stop,
        focus_m=focus,
        near_m=near,
        far_m=far,
        hyperfocal_m=hyperfocal_m(focal_m, stop.exact, circle_m),
        magnification=focal_m / (focus - focal_m),
    )
