"""The station tests its own paths with the known source: polarity, scale and skew, and a path that is turned over."""

from collections.abc import Iterator

import pytest
from short_runs import OPEN_COLLECTOR, UP, ShortRuns, short_runs

TEXT = (
    UP
    + """\
  - over: {winding_pair: [U-V, V-W, W-U]}
    steps:
      - capture: {signals: known-source, drive: standstill, duration: 5 ms, interval: 0.1 us}
  - measure: {quantities: [self_test]}
  - rest: {}
"""
)
SCALES = tuple(f"self_test_scale_{place}" for place in ("UV", "VW", "WU", "2", "3", "4"))


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ShortRuns]:
    with short_runs(tmp_path_factory.mktemp("self-test")) as runs:
        yield runs


def test_a_sound_station_finds_its_paths_in_order_and_channel_one_late(bench: ShortRuns) -> None:
    found = bench.findings(TEXT, OPEN_COLLECTOR)
    assert found["self_test_polarity"]["text"] == "all as they should be"
    for name in SCALES:
        assert found[name]["conformity"] == "conforming"
        # The simulated scope's gain is off by 0.2 percent, one standard deviation; one step is 0.4 percent.
        assert abs(found[name]["value"]) < 1.2
        assert found[name]["u"] >= 0.1 + 0.2  # 5 mV of 5 V, and the scope's gain as the bench file states it
    for channel in (2, 3, 4):
        skew = found[f"self_test_skew_{channel}"]
        # The simulated channel 1 is 0.2 us late.
        assert abs(skew["value"] + 0.2) < 3 * skew["u"]
        assert (skew["unit"], skew["conformity"]) == ("us", "conforming")


@pytest.mark.parametrize(
    ("fault", "says"),
    [
        ("pair_V-W reversed", "V-W is turned over"),
        ("scope polarity reversed", "U-V is turned over; V-W is turned over; W-U is turned over"),
        ("pair_W-U reversed", "W-U is turned over"),
    ],
)
def test_a_path_that_is_turned_over_is_named(bench: ShortRuns, fault: str, says: str) -> None:
    found = bench.findings(TEXT, OPEN_COLLECTOR, fault)
    assert (found["self_test_polarity"]["conformity"], found["self_test_polarity"]["text"]) == ("nonconforming", says)
    # Its size is right all the same.
    assert {found[name]["conformity"] for name in SCALES} == {"conforming"}


def test_a_source_that_does_not_come_through_is_named(bench: ShortRuns) -> None:
    found = bench.findings(TEXT, OPEN_COLLECTOR, "known_source dead")
    assert found["self_test_polarity"]["conformity"] == "nonconforming"
    assert "U-V: the known source does not come through" in found["self_test_polarity"]["text"]
    assert found["self_test_scale_UV"]["reason"] == "the known source does not come through"
    assert {found[name]["conformity"] for name in SCALES} == {"nonconforming"}
    assert found["self_test_skew_2"]["conformity"] == "nonconforming"


def test_a_station_check_that_missed_a_path_does_not_call_all_in_order(bench: ShortRuns) -> None:
    found = bench.findings(TEXT.replace(", W-U]", "]"), OPEN_COLLECTOR)
    assert found["self_test_polarity"]["conformity"] == "not measured"
    assert found["self_test_polarity"]["reason"] == "not captured: W-U"


def test_nothing_of_the_source_is_left_connected(bench: ShortRuns) -> None:
    start = len(bench.simulation.event_log(0))
    bench.findings(TEXT, OPEN_COLLECTOR)
    log = [e for e in bench.simulation.event_log(start) if e["what"] == "relay known_source"]
    # Off again after every capture, not only at rest.
    assert [e["value"] for e in log] == [True, False] * 3
