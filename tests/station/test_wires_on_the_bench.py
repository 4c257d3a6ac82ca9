"""Each electrical fault of a sensor's or encoder's wire leads to its own finding, on the real simulated bench."""

from collections.abc import Iterator

import pytest
from short_runs import DIFFERENTIAL, OPEN_COLLECTOR, OWN_PULL_UP, TURNING, ShortRuns, by_name, short_runs

from drivers.simulation import Simulation

SENSORS = (
    TURNING
    + """\
  - spin: {direction: CW, speed: 300 rpm}
  - capture: {signals: sensors, winding_pair: U-V, cycles: 2, interval: 1 us, pull_up: false}
  - capture: {signals: sensors, winding_pair: U-V, cycles: 2, interval: 1 us, pull_up: true}
  - capture: {signals: complements-sensors, winding_pair: U-V, cycles: 2, interval: 2 us, where_fitted: true}
  - capture: {signals: sensors, winding_pair: U-V, cycles: 12, interval: 20 us}
  - rest: {}
  - measure: {quantities: [sensors]}
"""
)
ENCODER = (
    TURNING
    + """\
  - spin: {direction: CW, speed: 300 rpm}
  - capture: {signals: encoder, winding_pair: U-V, turns: 3.2, interval: 4 us}
  - capture: {signals: encoder, winding_pair: U-V, duration: 4 ms, interval: 0.2 us, serves: wires}
  - capture: {signals: complements-encoder, winding_pair: U-V, turns: 1.2, interval: 4 us, where_fitted: true}
  - rest: {}
  - measure: {quantities: [encoder]}
"""
)


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ShortRuns]:
    with short_runs(tmp_path_factory.mktemp("wires")) as runs:
        yield runs


def test_a_sound_sensor_rises_with_the_time_constant_of_its_pull_up(bench: ShortRuns) -> None:
    # 10 % to 90 % of an exponential charge takes ln 9 time constants; 4.7 kohm and 400 pF make 1.88 us.
    found = bench.findings(SENSORS, OWN_PULL_UP)
    for sensor in ("H1", "H2", "H3"):
        rise, fall = found[f"rise_time_{sensor}"], found[f"fall_time_{sensor}"]
        assert abs(rise["value"] - 2.197 * 1.88) < 2 * rise["u"]
        assert (rise["unit"], fall["value"] < 1.0, found[f"chatter_{sensor}"]["value"]) == ("us", True, 0)
        assert {line["source"] for line in rise["budget"]} >= {"sample grid"}
        pull_up = found[f"pull_up_{sensor}"]
        assert (pull_up["conformity"], pull_up["text"]) == ("conforming", "works")
    assert not [name for name in found if name.startswith(("complement", "differential"))]


STUCK_LOW = "stuck low: the output holds the wire down, or the wire lies on 0 V"


@pytest.mark.parametrize(
    ("motor", "fault", "says"),
    [
        (OWN_PULL_UP, "H2 missing pull-up", "works with the bench's pull-up only: its own pull-up is missing"),
        (OWN_PULL_UP, "H2 dead", STUCK_LOW),
        (OWN_PULL_UP, "H2 stuck high", "stuck high: the output never pulls the wire down"),
        (OPEN_COLLECTOR, "H2 dead", STUCK_LOW),
        (OPEN_COLLECTOR, "H2 stuck high", "never pulls down: no output, or the wire is open"),
        (DIFFERENTIAL, "H2 dead", STUCK_LOW),
    ],
)
def test_the_switchable_pull_up_tells_what_is_wrong_with_a_silent_sensor(
    bench: ShortRuns, motor: tuple[str, str], fault: str, says: str
) -> None:
    found = bench.findings(SENSORS, motor, fault)
    wrong = found["pull_up_H2"]
    assert (wrong["conformity"], wrong["text"], wrong["reason"]) == ("nonconforming", says, says)
    assert found["rise_time_H2"]["reason"] == "no edge"
    assert {found[f"pull_up_{s}"]["conformity"] for s in ("H1", "H3")} == {"conforming"}
    assert found["swing_H2"]["conformity"] == "nonconforming"


def test_an_open_collector_works_with_the_bench_pull_up_that_it_needs(bench: ShortRuns) -> None:
    found = bench.findings(SENSORS, OPEN_COLLECTOR)
    assert found["pull_up_H1"]["conformity"] == "conforming"
    assert found["pull_up_H1"]["text"] == "works with the bench's pull-up, as its open collector needs"
    assert found["swing_H1"]["conformity"] == "conforming"


def test_the_record_says_which_capture_the_bench_pulled_up_and_the_relays_are_as_before_after_it(
    bench: ShortRuns,
) -> None:
    own = bench.run(SENSORS, OWN_PULL_UP)
    needed = bench.run(SENSORS, OPEN_COLLECTOR)
    sensors = [c["bench_pull_up"] for c in own["captures"] if c["group"] == "sensors"]
    assert sensors == [False, True, False]
    assert [c["bench_pull_up"] for c in needed["captures"] if c["group"] == "sensors"] == [False, True, True]


def test_a_chattering_sensor_is_counted_by_edge(bench: ShortRuns) -> None:
    found = bench.findings(SENSORS, OPEN_COLLECTOR, "H1 chatters")
    # Two cycles hold two edges each, the last perhaps just outside; every one of them bounces, for up to 40 us.
    assert found["chatter_H1"]["value"] in (3, 4)
    assert found["chatter_H1"]["conformity"] == "nonconforming"
    assert 0 < found["chatter_H1"]["detail"][0]["value"] <= 41.0
    assert found["glitches_H1"]["conformity"] == "nonconforming"
    assert found["chatter_H2"]["value"] == 0


def test_differential_sensors_are_held_against_their_complements(bench: ShortRuns) -> None:
    # The simulated unit drives 0.25 V and 4.1 V: 3.85 V between a line and its complement, either way.
    sound = bench.findings(SENSORS, DIFFERENTIAL)
    assert sound["complement_H1"]["conformity"] == "conforming"
    assert abs(sound["differential_H1"]["value"] - 3.85) < 2 * sound["differential_H1"]["u"]
    found = bench.findings(SENSORS, DIFFERENTIAL, "H1 complement dead", "H3 dead")
    assert found["complement_H1"]["text"] == "the complement of H1 does not switch, H1 does"
    assert found["complement_H3"]["text"] == "neither H3 nor its complement switches"
    assert found["complement_H2"]["text"] == "both switch"
    assert {found[f"complement_{s}"]["conformity"] for s in ("H1", "H3")} == {"nonconforming"}
    assert found["differential_H1"]["conformity"] == "nonconforming"


def test_encoder_wires_have_levels_times_and_complements(bench: ShortRuns) -> None:
    found = bench.findings(ENCODER, DIFFERENTIAL)
    for wire in ("A", "B", "Z"):
        low, high, swing = (found[f"{name}_{wire}"] for name in ("low_level", "high_level", "swing"))
        assert (low["value"], high["value"], swing["value"]) == pytest.approx((0.25, 4.1, 3.85), abs=0.08)
        assert {f["conformity"] for f in (low, high, swing)} == {"conforming"}
        assert low["u"] > 0
        assert found[f"complement_{wire}"]["conformity"] == "conforming"
    # The simulated outputs step from one sample to the next.
    assert found["rise_time_A"]["value"] <= 0.2
    assert found["counts_per_rev_x4"]["value"] == 10000


@pytest.mark.parametrize("wire", ["A", "Z"])
def test_a_dead_complement_of_the_encoder_is_named_though_all_counts_are_right(bench: ShortRuns, wire: str) -> None:
    found = bench.findings(ENCODER, DIFFERENTIAL, f"encoder {wire} complement dead")
    assert found["counts_per_rev_x4"]["conformity"] == "conforming"
    assert found[f"complement_{wire}"]["text"] == f"the complement of {wire} does not switch, {wire} does"
    assert found[f"complement_{wire}"]["conformity"] == "nonconforming"
    assert found["complement_B"]["conformity"] == "conforming"


def test_a_dead_encoder_wire_is_named_by_its_levels(bench: ShortRuns) -> None:
    found = bench.findings(ENCODER, OPEN_COLLECTOR, "encoder B dead")
    assert found["swing_B"]["conformity"] == found["high_level_B"]["conformity"] == "nonconforming"
    assert found["swing_A"]["conformity"] == found["low_level_B"]["conformity"] == "conforming"
    assert found["rise_time_B"]["reason"] == "no edge"


def test_captures_that_serve_wires_are_left_out_of_timing(bench: ShortRuns) -> None:
    whole = SENSORS.replace("[sensors]", "[timing, sensors]")
    found = bench.findings(whole, OPEN_COLLECTOR)
    # Two cycles cannot be timed; were they taken for the latest capture, nothing would be measured.
    assert found["duty_H1"]["value"] == pytest.approx(50, abs=1)


def test_setting_stops_with_the_verdict_on_a_new_unit_without_its_pull_up(bench: ShortRuns) -> None:
    text = SENSORS.replace("stage: as-found", "stage: setting").replace(
        "[sensors]", "[timing, sensors, correction]"
    ) + ("  - repeat: {at_most: 1, until: offset_mean}\n    steps:\n      - measure: {quantities: [timing]}\n")
    document = bench.run(text, OWN_PULL_UP, "H3 missing pull-up")
    assert document["outcome"] == "stopped"
    assert document["stop_reason"] == (
        "offset_mean cannot be set: output and pull-up of H3: works with the bench's pull-up only: "
        "its own pull-up is missing"
    )


STANDING = "  - name: calm\n    capture: {signals: sensors, winding_pair: U-V, drive: standstill, duration: 200 ms}\n"


def standstill(bench: ShortRuns, *faults: str, hand: bool = False) -> dict[str, dict[str, object]]:
    from short_runs import UP

    def turned(simulation: Simulation) -> None:
        simulation.hands("turn shaft", 450.0)

    text = UP + STANDING + "  - rest: {}\n  - measure: {quantities: [standstill]}\n"
    return dict(by_name(bench.run(text, OPEN_COLLECTOR, *faults, at={"calm": turned} if hand else None)))


def test_standstill_measures_offset_noise_and_mains_of_the_emf_channel(bench: ShortRuns) -> None:
    # The simulated pick-up of a connected winding is 20 mV peak, ten times that where it is strong.
    usual, strong = standstill(bench), standstill(bench, "strong mains pick-up")
    assert usual["standstill"]["text"] == "as it should be"
    for found, peak_v in ((usual, 0.02), (strong, 0.2)):
        mains = found["standstill_mains"]
        assert abs(mains["value"] - peak_v) < 3 * mains["u"] + 0.003 * peak_v
        assert found["standstill"]["conformity"] == "conforming"
    assert 0 < usual["standstill_noise"]["value"] < 0.05
    assert abs(usual["standstill_offset"]["value"]) < 3 * usual["standstill_offset"]["u"] + 0.02


def test_a_shaft_that_moves_at_standstill_is_named(bench: ShortRuns) -> None:
    found = standstill(bench, hand=True)["standstill"]
    assert found["conformity"] == "nonconforming"
    assert "so the shaft moves" in str(found["text"])


def test_a_wire_between_its_levels_is_named_at_standstill(bench: ShortRuns) -> None:
    # A low level of 1.9 V of 5 V is neither low nor high; a valid code has one or two sensors low.
    found = standstill(bench, "weak low level")["standstill"]
    assert found["conformity"] == "nonconforming"
    assert "V, between its levels" in str(found["text"])
