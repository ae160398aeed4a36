"""The quick half of `scripts/campaign.py`: whatever goes wrong ends in one sentence, and nothing is lost."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).resolve().parents[1] / "scripts"))

import campaign

QUICK = [case for case in campaign.all_cases() if case.quick]


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> campaign.Bench:
    """Return a burst and a result, which every case has a copy of."""
    return campaign.Bench(tmp_path_factory.mktemp("campaign"))


@pytest.mark.parametrize("kind", sorted({case.kind for case in QUICK}))
def test_nothing_slips_through(kind: str, bench: campaign.Bench) -> None:
    """The right exit code, one sentence, frames and OUT whole, nothing left over, no traceback, no hang."""
    told = {case.name: bench.try_(case) for case in QUICK if case.kind == kind}
    assert {name: (t.code, t.faults, t.err[-300:]) for name, t in told.items() if t.faults} == {}


def test_the_campaign_tells_a_fault(bench: campaign.Bench) -> None:
    """A wrong exit code, frames that were changed and a file left over are each found."""

    def spoil(here: Path) -> list[str]:
        (here / "stray").touch()
        return ["cull", "nowhere", "-o", "new"]

    case = campaign.Case(kind="", name="", words=spoil, codes=frozenset({0}))
    assert bench.try_(case).faults == ["exit code 3, not 0", "left over: stray"]
