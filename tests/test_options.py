"""Every tunable lives in one place, and a wrong one is refused in a sentence."""

from __future__ import annotations

import dataclasses

import pytest
from conftest import ROOT

from facemerge import options
from facemerge.errors import OptionError
from facemerge.words import PARTS


def test_later_layers_win() -> None:
    """Defaults, then the TOML file, then --set."""
    toml = options.parse_toml("[scores]\nweight_eyes = 2\nweight_expression = 0.5\n", "mine.toml")
    built = options.build(toml, options.parse_assignments(["scores.weight_eyes=3"]))
    assert built.scores.weight_eyes == 3
    assert built.scores.weight_expression == 0.5
    assert built.align == options.AlignOptions()


@pytest.mark.parametrize(
    ("layer", "words"),
    [
        ({"scores.weight_eye": 1}, "There is no option 'scores.weight_eye'; did you mean scores.weight_eyes"),
        ({"nowhere": {"x": 1}}, "There is no option 'nowhere.x'"),
        ({"scores.weight_eyes": "much"}, "takes a number, not 'much'"),
        ({"scores.weight_eyes": True}, "takes a number, not True"),
        ({"scores.weight_eyes": 11}, "lies between 0 and 10"),
        ({"scores.weight_eyes": float("nan")}, "out of range"),
        ({"align.work_px": 1000.5}, "takes a whole number"),
        ({"scores.mood": "sad"}, "is pleasant or silly, not 'sad'"),
        ({"scores.mood": 3}, "takes a word"),
    ],
)
def test_a_wrong_setting_is_one_sentence(layer: dict[str, object], words: str) -> None:
    """Unknown name, wrong type, out of range."""
    with pytest.raises(OptionError, match=words):
        options.build(layer)


def test_broken_files_and_words_are_one_sentence() -> None:
    """A TOML file that is none, and a --set without '='."""
    with pytest.raises(OptionError, match=r"mine\.toml is not a valid TOML file"):
        options.parse_toml("[scores\n", "mine.toml")
    with pytest.raises(OptionError, match="takes stage"):
        options.parse_assignments(["scores.weight_eyes"])


@pytest.mark.parametrize("entry", options.table(), ids=lambda e: e.name)
def test_every_option_is_documented_and_its_default_allowed(entry: options.Entry) -> None:
    """Help, range and origin are there, and the default passes its own check."""
    assert entry.help
    assert entry.source
    assert options.build({entry.name: entry.default}) == options.Options()


def test_the_readme_table_is_the_dataclasses() -> None:
    """Docs and options do not drift apart."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for entry in options.table():
        unit = f" {entry.unit}" if entry.unit else ""
        assert f"| `{entry.name}` | {entry.default}{unit} | {entry.range} | {entry.help} |" in readme


def test_settings_survive_a_round_trip() -> None:
    """What the report writes down builds the same options again."""
    changed = options.build({"choice.swap_cost": 0.2, "scores.mood": "silly"})
    assert options.build(options.as_dict(changed)) == changed


def test_options_are_frozen() -> None:
    """No stage can change another's settings."""
    with pytest.raises(dataclasses.FrozenInstanceError):
        options.Options().scores = options.ScoresOptions()  # type: ignore[misc]


def test_every_part_of_a_score_has_a_weight_of_its_own() -> None:
    """What `words` says a score is made of, the options can weigh, and nothing else."""
    start = "scores.weight_"
    weights = {e.name.removeprefix(start) for e in options.table() if e.name.startswith(start)}
    assert weights == set(PARTS)


def test_a_number_of_thousands_of_digits_is_out_of_range() -> None:
    """Python refuses to read one in tens, and to write out one that is read in sixteens."""
    with pytest.raises(OptionError, match="more digits than can be read"):
        options.parse_toml("[align]\nwork_px = " + "9" * 5000, "mine.toml")
    huge = options.parse_toml("[align]\nwork_px = 0x" + "f" * 6000, "mine.toml")
    with pytest.raises(OptionError, match="thousands of digits"):
        options.build(huge)
