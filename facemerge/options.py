"""Every tunable of the program, in one place, with its unit, its range and where its default comes from.

A stage receives its own slice only. One builder serves TOML files, `--set stage.name=value` and the API.
"""

from __future__ import annotations

import dataclasses
import difflib
import math
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from facemerge.errors import OptionError

Value = float | int | bool | str


def _option(
    default: Value,
    help: str,
    *,
    unit: str = "",
    low: float | None = None,
    high: float | None = None,
    among: tuple[str, ...] = (),
    source: str,
) -> Any:
    return field(
        default=default,
        metadata={
            "default": default,
            "help": help,
            "unit": unit,
            "low": low,
            "high": high,
            "among": among,
            "source": source,
        },
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignOptions:
    max_error_px: float = _option(
        4.0,
        "a frame whose expected alignment error is larger gives faces alone, at a picture 2400 px wide",
        unit="px",
        low=0.1,
        high=100,
        source="tried on bursts with known truth",
    )
    max_plain_error_px: float = _option(
        30.0,
        "the same where the background is too plain to show it (sky, studio), at a picture 2400 px wide",
        unit="px",
        low=0.1,
        high=200,
        source="people alone were up to 28 px off on bursts with known truth",
    )
    work_px: int = _option(
        1200,
        "long side of the copy on which frames are aligned",
        unit="px",
        low=400,
        high=12000,
        source="tried on bursts with known truth: 0.03 px on frames twice as wide",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class FacesOptions:
    min_face_px: float = _option(
        48.0,
        "smallest face looked for, cheek to cheek",
        unit="px",
        low=16,
        high=2000,
        source="60 px faces in a 24 Mpx frame of fifty people, with a margin",
    )
    min_confidence: float = _option(
        0.5,
        "detector confidence below which nobody is seen",
        low=0,
        high=1,
        source="the detector's own default",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class TracksOptions:
    max_move_faces: float = _option(
        1.5,
        "how far a head may move between frames before its looks must prove who it is",
        unit="face widths",
        low=0.1,
        high=20,
        source="people who stay in their place move less; tried",
    )
    min_share: float = _option(
        0.25,
        "a person seen in a smaller share of the frames is a passer-by and is left out",
        low=0,
        high=1,
        source="common practice, no source",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ScoresOptions:
    weight_eyes: float = _option(
        1.0, "how much shut eyes count", low=0, high=10, source="common practice: eyes first"
    )
    weight_sharpness: float = _option(
        1.0, "how much a soft face counts", low=0, high=10, source="common practice: sharp eyes second"
    )
    weight_expression: float = _option(
        0.7, "how much an awkward face counts", low=0, high=10, source="common practice: expression third"
    )
    weight_gaze: float = _option(
        0.6,
        "how much a look away from the camera counts",
        low=0,
        high=10,
        source="common practice, no source",
    )
    weight_pose: float = _option(
        0.7,
        "how much a head turned or tilted out of its pose counts",
        low=0,
        high=10,
        source="common practice, no source",
    )
    weight_visible: float = _option(
        1.0, "how much a partly hidden face counts", low=0, high=10, source="common practice, no source"
    )
    weight_light: float = _option(
        0.7,
        "how much blown highlights, lost shadows and red-eye count",
        low=0,
        high=10,
        source="common practice, no source",
    )
    mood: str = _option(
        "pleasant",
        "what a good face is: 'pleasant', or 'silly' for the deliberately silly frame",
        among=("pleasant", "silly"),
        source="what a photographer calls out",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ChoiceOptions:
    swap_cost: float = _option(
        0.1,
        "square root of a score that a new head must gain before it is worth a seam",
        low=0,
        high=1,
        source="tried: two good faces of one person differ by up to this much",
    )
    neighbour_cost: float = _option(
        0.1,
        "the same for two people whose heads meet, before their heads come from different frames",
        low=0,
        high=0.5,
        source="tried on bursts with known truth",
    )
    seam_weight: float = _option(
        1.0,
        "how much the square of a seam's risk counts against a better face",
        low=0,
        high=10,
        source="a head that is surely found is worth no more than the one in the base",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class RiskOptions:
    inspect_from: float = _option(
        0.35,
        "risk from which a head is flagged 'inspect'",
        low=0,
        high=1,
        source="below, blind viewers found 2 heads of 79",
    )
    retouch_from: float = _option(
        0.7,
        "risk from which a head is flagged 'retouch'",
        low=0,
        high=1,
        source="above, blind viewers found 21 heads of 22",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class GroupingOptions:
    pause_s: float = _option(
        30.0,
        "pause up to which frames of a card belong to one group if half of the people are the same",
        unit="s",
        low=0,
        high=86400,
        source="common practice, no source: somebody has to be put into place",
    )
    break_s: float = _option(
        600.0,
        "pause after which a new group begins even with the same people: the light has changed",
        unit="s",
        low=0,
        high=86400,
        source="common practice, no source",
    )
    same_people: float = _option(
        0.5,
        "share of the people in either of two frames who must be in both for one group",
        low=0.05,
        high=1,
        source="tried on drawn groups",
    )
    work_px: int = _option(
        1500,
        "long side of the copy on which a card is sorted into groups",
        unit="px",
        low=400,
        high=12000,
        source="tried on drawn bursts: every face found",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class CoverageOptions:
    keeper_from: float = _option(
        0.7,
        "score from which a face is a keeper during the shoot",
        low=0,
        high=1,
        source="bursts with known truth: 170 good faces scored above 0.78, 214 spoilt ones below 0.58",
    )
    confidence: float = _option(
        0.9,
        "how likely the frames still to take are to give everybody a keeper",
        low=0.5,
        high=0.999,
        source="common practice, no source",
    )
    poll_s: float = _option(
        1.0,
        "how often a folder is looked into while it is watched",
        unit="s",
        low=0.01,
        high=600,
        source="common practice, no source",
    )
    patience_s: float = _option(
        10.0,
        "how long a file may stay incomplete without growing before it is called broken",
        unit="s",
        low=0,
        high=3600,
        source="common practice, no source",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Options:
    """All settings of a run, by stage."""

    align: AlignOptions = field(default_factory=AlignOptions)
    faces: FacesOptions = field(default_factory=FacesOptions)
    tracks: TracksOptions = field(default_factory=TracksOptions)
    scores: ScoresOptions = field(default_factory=ScoresOptions)
    choice: ChoiceOptions = field(default_factory=ChoiceOptions)
    risk: RiskOptions = field(default_factory=RiskOptions)
    grouping: GroupingOptions = field(default_factory=GroupingOptions)
    coverage: CoverageOptions = field(default_factory=CoverageOptions)


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One row of the option table."""

    name: str
    default: Value
    help: str
    unit: str
    low: float | None
    high: float | None
    among: tuple[str, ...]
    source: str

    @property
    def range(self) -> str:
        """The values allowed, in words."""
        if self.among:
            return " or ".join(self.among)
        if self.low is not None and self.high is not None:
            return f"{self.low:g} to {self.high:g}"
        return "true or false"


def table() -> list[Entry]:
    """Return one entry for every option, in the order of the stages."""
    rows = []
    for stage in dataclasses.fields(Options):
        for f in dataclasses.fields(getattr(Options(), stage.name)):
            m = f.metadata
            rows.append(
                Entry(
                    name=f"{stage.name}.{f.name}",
                    default=m["default"],
                    help=m["help"],
                    unit=m["unit"],
                    low=m["low"],
                    high=m["high"],
                    among=m["among"],
                    source=m["source"],
                )
            )
    return rows


def as_dict(options: Options) -> dict[str, dict[str, Value]]:
    """Return every setting as plain nested dictionaries, the form of the TOML file."""
    return dataclasses.asdict(options)


def _checked(entry: Entry, value: object) -> Value:
    kind = type(entry.default)
    if kind is bool:
        good: Value | None = value if isinstance(value, bool) else None
    elif kind is str:
        good = value if isinstance(value, str) else None
    elif isinstance(value, bool) or not isinstance(value, int | float):
        good = None
    else:
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        good = number
        if kind is int and math.isfinite(number):
            good = int(number) if number.is_integer() else None
    if good is None:
        raise OptionError(f"{entry.name} takes {_kind_name(kind)}, not {_shown(value)}.")
    if entry.among and good not in entry.among:
        raise OptionError(f"{entry.name} is {entry.range}, not {_shown(value)}.")
    # `not low <= value` rather than `value < low`: it also refuses a NaN.
    if (
        not isinstance(good, str | bool)
        and entry.low is not None
        and entry.high is not None
        and not entry.low <= good <= entry.high
    ):
        raise OptionError(
            f"{entry.name} lies between {entry.low:g} and {entry.high:g}: "
            f"{_shown(value)[:40]} is out of range."
        )
    return good


def _shown(value: object) -> str:
    try:
        return repr(value)
    except ValueError:  # Python writes out no number of more than 4300 digits
        return "a number of thousands of digits"


def _kind_name(kind: type) -> str:
    return {bool: "true or false", str: "a word", int: "a whole number", float: "a number"}[kind]


def build(*layers: Mapping[str, object]) -> Options:
    """Return the defaults overlaid by each layer in turn, later ones winning.

    Parameters
    ----------
    *layers
        Mappings from stage to a mapping from name to value, or from 'stage.name' to value.

    Raises
    ------
    OptionError
        For an unknown name, a wrong type or a value out of range; the sentence lists what exists.
    """
    known = {e.name: e for e in table()}
    values: dict[str, dict[str, Value]] = {}
    for layer in layers:
        for name, value in _flat(layer):
            if name not in known:
                near = difflib.get_close_matches(name, known, n=1)
                hint = f"did you mean {near[0]}? All of them" if near else "the options"
                raise OptionError(f"There is no option {name!r}; {hint}: {', '.join(known)}.")
            stage, _, key = name.partition(".")
            values.setdefault(stage, {})[key] = _checked(known[name], value)
    stages = {f.name: type(getattr(Options(), f.name)) for f in dataclasses.fields(Options)}
    return Options(**{name: stage(**values.get(name, {})) for name, stage in stages.items()})


def _flat(layer: Mapping[str, object]) -> Iterable[tuple[str, object]]:
    for name, value in layer.items():
        if isinstance(value, Mapping):
            for key, inner in value.items():
                yield f"{name}.{key}", inner
        else:
            yield name, value


def parse_toml(text: str, name: str) -> dict[str, object]:
    """Return the settings in a TOML text; `name` is the file's, for the error sentence.

    Raises
    ------
    OptionError
        If the text is not TOML.
    """
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise OptionError(f"{name} is not a valid TOML file: {error}.") from error
    except ValueError as error:
        raise OptionError(f"{name} holds a number of more digits than can be read.") from error


def parse_assignments(
    assignments: Iterable[str], said: str = "--set takes stage.name=value"
) -> dict[str, object]:
    """Return the settings in `stage.name=value` words; `said` begins the sentence for a word that is none.

    Raises
    ------
    OptionError
        If a word has no '='.
    """
    found: dict[str, object] = {}
    for word in assignments:
        name, equals, raw = word.partition("=")
        if not equals:
            raise OptionError(f"{said}, not {word!r}.")
        found[name.strip()] = _literal(raw.strip())
    return found


def _literal(raw: str) -> Value:
    if raw in ("true", "false"):
        return raw == "true"
    for kind in (int, float):
        try:
            return kind(raw)
        except ValueError:
            pass
    return raw
