"""A writer killed at any moment loses nothing that it was told is stored."""

from pathlib import Path

from killing import Acknowledged, killing
from store_samples import NOW, opened, problems

KILLS = 30


def test_every_acknowledged_record_is_whole_after_kill_9_at_random_moments(tmp_path: Path) -> None:
    told, checked, closed = Acknowledged(), set[str](), []
    with killing(str(tmp_path / "records.db"), tmp_path / "keys", seed=20) as kill:
        for _ in range(KILLS):
            kill.one_writer(told)
            with opened(tmp_path) as store:
                for number in set(told.stored) - checked:
                    assert store.record(number).digest == told.stored[number]
                    assert [w.counts.size for w in store.waveforms(number)] == [20_000, 20_000]
                    checked.add(number)
                closed += store.close_dead_runs(NOW, "closed at the next start")
                assert store.open_runs() == []
    with opened(tmp_path) as store:
        known = {summary.number: summary.outcome for summary in store.find()}
    # No number was used twice, each begun run has its record, and the kills met both sides of a commit.
    assert len(told.begun) == len(set(told.begun))
    assert set(told.begun) <= set(known)
    assert len(told.stored) > KILLS / 2
    assert closed
    assert {number for number, outcome in known.items() if outcome == "stopped"} == set(closed)
    assert problems(tmp_path / "records.db") == []
