"""Drag and coast-down of simulated motors against the equation of motion that they are simulated by."""

import math
from collections.abc import Iterator

import pytest
from short_runs import OPEN_COLLECTOR, OWN_PULL_UP, TURNING, ShortRuns, by_name, short_runs

RUN_OUT = "    capture: {signals: sensors, winding_pair: W-U, drive: coast, duration: 3 s, interval: 100 us}\n"
TEXT = (
    TURNING
    + """\
  - over: {direction: [CW, CCW]}
    steps:
      - spin: {speed: 600 rpm}
      - capture: {signals: none, winding_pair: U-V, cycles: 20, interval: 100 us}
      - capture: {signals: none, winding_pair: V-W, cycles: 20, interval: 100 us}
      - capture: {signals: none, winding_pair: W-U, cycles: 20, interval: 100 us}
  - name: run out
"""
    + RUN_OUT
    + """\
  - name: the other way
    spin: {direction: CW, speed: 200 rpm}
  - rest: {}
  - measure: {quantities: [mechanics]}
"""
)
SPIN_MOTOR_J, SPIN_MOTOR_NM, SPIN_MOTOR_NM_S = 3e-4, 0.02, 5e-5
"""The bench's spin motor as `drivers/simulated/shaft.py` has it: inertia, dry friction, viscous drag."""
RAD_S = 2 * math.pi / 60


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ShortRuns]:
    with short_runs(tmp_path_factory.mktemp("mechanics")) as runs:
        yield runs


def coast_s(inertia: float, dry_nm: float, viscous_nm_s: float) -> float:
    """J dw/dt = -T - b w from 540 to 300 rpm: t = J/b ln((T + b w1)/(T + b w2))."""
    j, t, b = inertia + SPIN_MOTOR_J, dry_nm + SPIN_MOTOR_NM, viscous_nm_s + SPIN_MOTOR_NM_S
    return j / b * math.log((t + b * 540 * RAD_S) / (t + b * 300 * RAD_S))


@pytest.mark.parametrize(
    ("motor", "inertia", "dry_nm", "viscous_nm_s"),
    [(OPEN_COLLECTOR, 4e-4, 0.02, 1e-4), (OWN_PULL_UP, 1.2e-3, 0.04, 2e-4)],
)
def test_drag_and_coast_down_are_those_of_the_simulated_motor(
    bench: ShortRuns, motor: tuple[str, str], inertia: float, dry_nm: float, viscous_nm_s: float
) -> None:
    found = bench.findings(TEXT, motor)
    coast, drag = found["coast_down"], found["drag_torque"]
    assert coast["label"] == "coast-down time from 540 to 300 rpm"
    # Cogging and the ripple of the spin motor take speed and give it back; 5 % is what they leave over these few turns.
    assert coast["value"] == pytest.approx(coast_s(inertia, dry_nm, viscous_nm_s), rel=0.05)
    assert 0 < coast["u"] < 0.02
    torque = dry_nm + viscous_nm_s * 600 * RAD_S
    assert abs(drag["value"] - torque) < 3 * drag["u"]
    assert {line["source"] for line in drag["budget"]} >= {
        "the station's own drag",
        "torque constant of the spin motor",
        "current reading of the spin supply",
    }


def test_a_rough_bearing_drags_and_stops_the_shaft_sooner(bench: ShortRuns) -> None:
    # Ten times a dry friction of 0.04 N m adds 0.36 N m.
    sound, rough = bench.findings(TEXT, OWN_PULL_UP), bench.findings(TEXT, OWN_PULL_UP, "rough bearing")
    assert rough["drag_torque"]["value"] == pytest.approx(sound["drag_torque"]["value"] + 0.36, abs=0.03)
    assert rough["coast_down"]["value"] < sound["coast_down"]["value"] / 3
    assert rough["drag_torque"]["conformity"] == "nonconforming"


def test_the_supply_is_off_while_the_shaft_runs_out_and_stands_before_it_turns_the_other_way(bench: ShortRuns) -> None:
    start = len(bench.simulation.event_log(0))
    document = bench.run(TEXT, OPEN_COLLECTOR)
    log = bench.simulation.event_log(start)
    step = next(s for s in document["steps"] if s["name"] == "run out")
    during = [e for e in log if step["started_s"] <= e["t_s"] <= step["ended_s"]]
    off = next(e for e in during if e["what"] == "spin supply output" and e["value"] is False)
    assert abs(off["speed_rpm"]) > 500
    relays = [e for e in during if e["what"] in ("relay spin_on", "relay spin_reverse")]
    assert relays, "the direction relay opens once the shaft stands"
    assert all(abs(e["speed_rpm"]) < 0.01 for e in relays)
    on = next(e for e in log if e["t_s"] > step["ended_s"] and e["what"] == "spin supply output" and e["value"] is True)
    assert on["speed_rpm"] == pytest.approx(0, abs=0.01)
    assert by_name(document)["coast_down"]["value"] > 0


def test_a_guard_opened_while_the_shaft_runs_out_stops_the_run(bench: ShortRuns) -> None:
    document = bench.run(TEXT, OPEN_COLLECTOR, at={"run out": lambda simulation: simulation.hands("open guards")})
    assert document["outcome"] == "stopped"
    assert "guard" in document["stop_reason"]
    assert (document["steps"][-1]["name"], document["steps"][-1]["outcome"]) == ("run out", "failed")
