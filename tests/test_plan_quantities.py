"""Lengths, times and light as they are written and shown."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from facemerge.errors import OptionError
from facemerge.plan import quantities as q


@pytest.mark.parametrize(
    ("word", "metres"),
    [
        ("3m", 3),
        ("3.5 m", 3.5),
        ("3,5m", 3.5),
        ("350cm", 3.5),
        ("50mm", 0.05),
        ("12ft", 3.6576),
        ("12 feet", 3.6576),
        ("5ft6in", 1.6764),
        ("5' 6\"", 1.6764),
        ("8in", 0.2032),
        ("1 FT", 0.3048),
        (".5m", 0.5),
    ],
)
def test_lengths_are_read_in_both_systems(word: str, metres: float) -> None:
    """A foot is 0.3048 m and an inch 25.4 mm (international yard and pound agreement, 1959)."""
    assert q.length_m(word, "--distance", 0.001, 100) == pytest.approx(metres)


@pytest.mark.parametrize(
    "word", ["", "m", "3", "3 furlongs", "-3m", "3m4", "1e3m", "nan", "three m", "3..5m", "3m\n;"]
)
def test_what_is_no_length_is_one_sentence(word: str) -> None:
    """It names the option and shows what is meant."""
    with pytest.raises(OptionError, match=r"^--distance takes a length with its unit, .*\.$"):
        q.length_m(word, "--distance", 0.001, 100)


def test_a_length_out_of_range_says_the_range_in_both_systems() -> None:
    """In metres and feet."""
    with pytest.raises(OptionError, match=r"between 30 cm \(12 in\) and 100 m \(328 ft\)"):
        q.length_m("200m", "--distance", 0.3, 100)


def test_a_focal_length_needs_no_unit() -> None:
    """50 is 50 mm where that is meant."""
    assert q.length_m("50", "--focal", 0.001, 1, bare_unit="mm") == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("word", "seconds"),
    [
        ("1/125", 0.008),
        ("1/60s", 1 / 60),
        ("250ms", 0.25),
        ("3", 3),
        ("3s", 3),
        ("1.5 s", 1.5),
        ("10min", 600),
        ("1min30s", 90),
    ],
)
def test_times_are_read(word: str, seconds: float) -> None:
    """Fractions, and units."""
    assert q.time_s(word, "--pace", 0.001, 1000) == pytest.approx(seconds)


@pytest.mark.parametrize("word", ["", "1/0", "soon", "-3s", "3h4", "1/-5", "nan", "5000"])
def test_what_is_no_time_is_one_sentence(word: str) -> None:
    """It names the option."""
    with pytest.raises(OptionError, match=r"^--pace (takes|lies) .*\.$"):
        q.time_s(word, "--pace", 0.001, 1000)


@given(ev=st.floats(-5, 19))
def test_lux_and_exposure_values_say_the_same(ev: float) -> None:
    """What is said in lux is read as the exposure value it came from."""
    assert q.light_ev(f"{q.lux(ev):.9f}lux") == pytest.approx(ev, abs=1e-6)


@pytest.mark.parametrize(("word", "ev"), [("9", 9), ("9EV", 9), ("-2 ev", -2), ("2.5lux", 0), ("640 lx", 8)])
def test_light_is_read(word: str, ev: float) -> None:
    """EV at ISO 100, or lux: 2.5 lux at EV 0 (C = 250, ISO 2720, from memory)."""
    assert q.light_ev(word) == pytest.approx(ev)


@pytest.mark.parametrize("word", ["", "dark", "0lux", "-5lux", "30EV", "nan", "9 candles"])
def test_what_is_no_light_is_one_sentence(word: str) -> None:
    """It names the option."""
    with pytest.raises(OptionError, match=r"^--light (takes|lies) .*\.$"):
        q.light_ev(word)


@pytest.mark.parametrize(
    ("word", "ratio", "long_m"),
    [
        ("8x10", 1.25, 0.254),
        ("10x8in", 1.25, 0.254),
        ("20x30cm", 1.5, 0.3),
        ("5:4", 1.25, None),
        ("1:1", 1, None),
        ("148 × 210 mm", 210 / 148, 0.21),
    ],
)
def test_prints_are_read(word: str, ratio: float, long_m: float | None) -> None:
    """Inches where nothing else is said, lying or standing."""
    found = q.print_size(word)
    assert found.ratio == pytest.approx(ratio)
    assert found.long_m == (None if long_m is None else pytest.approx(long_m))
    if long_m is not None:
        assert found.short_m == pytest.approx(long_m / ratio)
        assert found.diagonal_m == pytest.approx(long_m * (1 + ratio**-2) ** 0.5)


@pytest.mark.parametrize("word", ["", "8", "8by10", "0x10", "8x", "5:4cm", "100x1", "900x900", "axb"])
def test_what_is_no_print_is_one_sentence(word: str) -> None:
    """It names the option."""
    with pytest.raises(OptionError, match=r"^--print .*\.$"):
        q.print_size(word)


@pytest.mark.parametrize(
    ("word", "sides"),
    [("full-frame", (0.036, 0.024)), ("36x24mm", (0.036, 0.024)), ("24 x 36", (0.036, 0.024))],
)
def test_sensors_are_read(word: str, sides: tuple[float, float]) -> None:
    """By name or by size; the long side first."""
    assert q.sensor_m(word) == pytest.approx(sides)


@pytest.mark.parametrize("word", ["", "huge", "1x1", "360x240", "100x10"])
def test_what_is_no_sensor_is_one_sentence(word: str) -> None:
    """It names the option."""
    with pytest.raises(OptionError, match=r"^--sensor .*\.$"):
        q.sensor_m(word)


@given(metres=st.floats(0.0005, 300))
def test_a_length_shown_is_the_length_meant(metres: float) -> None:
    """Read again, metric and imperial agree with what was shown, to two digits."""
    assert q.length_m(q.metric(metres), "", 0, 1000) == pytest.approx(metres, rel=0.06)
    assert q.length_m(q.imperial(metres), "", 0, 1000) == pytest.approx(metres, rel=0.06)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [
        (0, "0:00 min"),
        (99, "1:39 min"),
        (3725, "1:02:05 h"),
        (1000000.0, "12 days"),
        (float("inf"), "never"),
        (1000000000000000.0, "never"),
    ],
)
def test_a_stretch_of_time_is_shown_as_a_watch_does(seconds: float, said: str) -> None:
    """Minutes and seconds; what nobody waits for is said so."""
    assert q.clock(seconds) == said


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(1 / 125, "1/125 s"), (1 / 60, "1/60 s"), (0.5, "0.5 s"), (3, "3 s"), (600, "10 min"), (86400, "24 h")],
)
def test_an_exposure_is_shown_as_a_camera_does(seconds: float, said: str) -> None:
    """A fraction below a third of a second."""
    assert q.exposure(seconds) == said


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0, "0 %"),
        (1e-9, "below 1 %"),
        (0.5, "50 %"),
        (0.994, "99 %"),
        (0.999, "above 99 %"),
        (1.0, "above 99 %"),
    ],
)
def test_a_chance_is_never_rounded_to_certain(share: float, said: str) -> None:
    """Only no chance at all is 0."""
    assert q.percent(share) == said
