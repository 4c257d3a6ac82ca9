"""The station is safe under every fault that was tried: a part of `make faults`, judged from the bench's own log.

The runs are shortened, not the list of faults: each seed deals others.
"""

from pathlib import Path

import pytest
from fault_campaign import campaign, table
from fault_cases import all_faults, deck

RUNS, JOBS, FACTOR = 10, 3, 3.0


@pytest.mark.parametrize("seed", range(4))
def test_every_run_under_faults_is_safe(tmp_path: Path, seed: int) -> None:
    # Together the four deals try 40 different faults first.
    cases = deck(4 * RUNS, 0)[seed::4]
    results = campaign(cases, JOBS, FACTOR, seed, tmp_path)
    assert len(results) == RUNS
    assert [(r.name, r.moment, r.problems) for r in results if not r.safe] == []
    assert len(table(results)) == 1 + len({r.name for r in results})


def test_a_deal_tries_every_fault_once_before_any_comes_again() -> None:
    faults = all_faults()
    dealt = [case.faults[0] for case in deck(2 * len(faults), 5)]
    assert set(dealt[: len(faults)]) == set(dealt[len(faults) :]) == set(faults)
    assert any(len(case.faults) == 2 for case in deck(20, 5))


def test_what_no_station_could_answer_is_not_dealt() -> None:
    for case in deck(3000, 7):
        assert not (
            case.has("dead-man failed") and (case.station_silent or case.both_ways_off_lost or case.spoils("switch"))
        )
