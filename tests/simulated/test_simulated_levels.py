"""Voltages at the scope: output kinds and their pull-ups, supplies, complements, clipping, known source, polarity."""

from dataclasses import replace

import numpy as np
import pytest
from simulated_desk import Desk, ideal_make, ideal_motor, rising, with_output

from drivers.simulated.truth import EncoderMake, Output, UnitState

EXACT = UnitState(hysteresis_deg_el=0.0, delay_s=0.0, jitter_s=0.0)


def turning(
    output: Output = Output.OPEN_COLLECTOR, *, pull_ups: bool = True, unit: UnitState = EXACT, volts: float = 5.0
) -> Desk:
    desk = Desk(ideal_motor(ideal_make(sensors=with_output(output)), unit))
    desk.send("sensor_supply", f"VOLT {volts};CURR 0.5;:OUTP ON")
    if pull_ups:
        desk.send("switch", "ROUT:CLOS (@131:133)")
    desk.spin(8.0)
    desk.connect("U-V", "sensors")
    return desk


def swing(desk: Desk, channel: int = 2) -> tuple[float, float]:
    desk.sweep(20_000, 1e-5)
    low, high = np.quantile(desk.volts(channel), [0.05, 0.95])
    return float(low), float(high)


def test_no_sensor_supply_no_output() -> None:
    desk = turning()
    desk.send("sensor_supply", "OUTP OFF")
    for channel in (2, 3, 4):
        low, high = swing(desk, channel)
        assert high - low < 0.3
        assert abs(high) < 0.3


def test_too_low_a_supply_gives_no_output_and_a_full_one_does() -> None:
    assert swing(turning(Output.PUSH_PULL, volts=3.0))[1] < 0.5
    assert swing(turning(Output.PUSH_PULL))[1] > 4.0


def test_open_collector_needs_the_pull_up_of_the_bench() -> None:
    # Without a pull-up only leakage moves the lead, a swing of about 0.2 V near 0 V.
    low, high = swing(turning(pull_ups=False))
    assert high - low < 0.4
    low, high = swing(turning())
    assert (low, high) == (pytest.approx(0.25, abs=0.15), pytest.approx(5.0, abs=0.15))


@pytest.mark.parametrize("output", [Output.INTERNAL_PULL_UP, Output.PUSH_PULL, Output.DIFFERENTIAL])
def test_other_outputs_work_without_it(output: Output) -> None:
    low, high = swing(turning(output, pull_ups=False))
    assert low < 0.6 < 4.0 < high


def test_missing_internal_pull_up_is_told_from_a_dead_sensor_by_the_bench_pull_up() -> None:
    missing = replace(EXACT, no_pull_up=frozenset({"H1"}))
    assert swing(turning(Output.INTERNAL_PULL_UP, pull_ups=False, unit=missing))[1] < 0.5
    assert swing(turning(Output.INTERNAL_PULL_UP, unit=missing))[1] > 4.5
    dead = replace(EXACT, stuck={"H1": "low"})
    assert swing(turning(Output.INTERNAL_PULL_UP, unit=dead))[1] < 0.5


def test_twelve_volt_unit_swings_to_twelve_volts() -> None:
    desk = Desk(ideal_motor(ideal_make(sensors=with_output(Output.INTERNAL_PULL_UP, 12.0)), EXACT))
    desk.send("sensor_supply", "VOLT 12;CURR 0.5;:OUTP ON")
    desk.spin(8.0)
    desk.connect("U-V", "sensors")
    desk.send("scope", "SENS2:VOLT:RANG 20;OFFS 6;:SENS:SWE:POIN 20000;TINT 1E-5;:INIT")
    desk.wait(0.2)
    assert np.quantile(desk.volts(2), 0.95) == pytest.approx(12.0, abs=0.3)


def test_pull_up_rises_with_its_time_constant_and_falls_at_once() -> None:
    # R C of 4.7 kohm and 400 pF is 1.88 us: 63 % of the swing after one time constant (exponential charge).
    desk = turning()
    desk.sweep(500_000, 2e-7)
    trace = desk.volts(2)
    start = int(rising(trace, 0.5)[0])
    assert trace[start + 9 : start + 12].mean() == pytest.approx(0.25 + 4.75 * 0.632, abs=0.35)
    falls = rising(-trace, -2.5)
    at = int(falls[falls > start][0])
    assert trace[at + 2] < 0.6


def test_complements_exist_on_differential_outputs_only_and_oppose() -> None:
    desk = Desk(
        ideal_motor(ideal_make(sensors=with_output(Output.DIFFERENTIAL), encoder=EncoderMake(64, differential=True)))
    )
    desk.power_sensors()
    theta = desk.world.shaft.theta
    levels = []
    for group in ("sensors", "complements-sensors", "encoder", "complements-encoder"):
        desk.connect(None, group)
        desk.sweep(100, 1e-5)
        levels.append(desk.logic(2, 3, 4)[:, -1])
    assert desk.world.shaft.theta == theta
    assert (levels[0] != levels[1]).all()
    assert (levels[2] != levels[3]).all()
    single = turning()
    single.connect("U-V", "complements-sensors")
    assert swing(single)[1] < 0.5


def test_over_range_clips_at_the_end_codes() -> None:
    desk = turning()
    desk.send("scope", "SENS1:VOLT:RANG 10;OFFS 0;:SENS:SWE:POIN 20000;TINT 1E-5;:FORM:DATA INT,8;:INIT")
    desk.wait(0.2)
    raw = desk.instruments["scope"].execute("TRAC:DATA? CH1")
    counts = np.frombuffer(raw[2 + int(raw[1:2]) : -1], np.int8)
    assert (counts.min(), counts.max()) == (-128, 127)
    assert np.mean(np.abs(counts.astype(int)) >= 127) > 0.5


def test_sixteen_bits_and_both_byte_orders_give_the_same_volts() -> None:
    desk = turning()
    desk.sweep(2000, 1e-4)
    volts = {}
    for order, dtype in (("NORM", ">i2"), ("SWAP", "<i2")):
        desk.send("scope", f"FORM:DATA INT,16;BORD {order}")
        raw = desk.instruments["scope"].execute("TRAC:DATA? CH1")
        assert raw[:6] == b"#44000"
        scale = float(desk.send("scope", "SENS1:VOLT:SCAL?"))
        volts[order] = np.frombuffer(raw[6:-1], dtype) * scale
    # Each reading has noise of its own; its size is a part of one of the 256 steps.
    assert np.std(volts["NORM"] - volts["SWAP"]) < 1.5 * 80 / 256
    assert np.ptp(volts["NORM"]) > 30


@pytest.mark.parametrize(
    ("faults", "signs"),
    [((), (1, 1, 1)), (("scope polarity reversed",), (-1, -1, -1)), (("pair_V-W reversed",), (1, -1, 1))],
)
def test_known_source_shows_the_polarity_of_each_path(faults: tuple[str, ...], signs: tuple[int, ...]) -> None:
    desk = Desk(ideal_motor(), faults=faults)
    for pair, sign in zip(("U-V", "V-W", "W-U"), signs, strict=True):
        desk.connect(pair, None)
        desk.send("switch", "ROUT:CLOS (@141)")
        desk.sweep(1000, 1e-5)
        # A square wave from 0 V to 5 V spends half of its time at each.
        assert desk.volts(1).mean() == pytest.approx(sign * 2.5, abs=0.4)
        assert np.ptp(desk.volts(1)) == pytest.approx(5.0, abs=1.5)


def test_known_source_reaches_all_channels_and_the_first_of_them_late() -> None:
    desk = Desk(ideal_motor())
    desk.connect("U-V", "sensors")
    desk.send("switch", "ROUT:CLOS (@141)")
    desk.sweep(100_000, 2e-8)
    rises = [float(rising(desk.volts(channel), 2.5)[-1]) * 2e-8 for channel in (1, 2, 3, 4)]
    assert rises[0] - rises[1] == pytest.approx(0.2e-6, abs=3e-8)
    assert rises[1] == rises[2] == rises[3]


def test_open_inputs_show_mains_pick_up_of_fifty_hertz() -> None:
    desk = Desk(ideal_motor(), faults=("strong mains pick-up",))
    desk.send("scope", "SENS1:VOLT:RANG 4;OFFS 0;:SENS:SWE:POIN 10000;TINT 1E-4;:INIT")
    desk.wait(1.0)
    spectrum = np.abs(np.fft.rfft(desk.volts(1) - desk.volts(1).mean()))
    assert int(np.argmax(spectrum)) == 50


def test_a_standing_motor_gives_no_emf() -> None:
    desk = Desk()
    desk.connect("U-V", "sensors")
    desk.sweep(1000, 1e-4)
    assert np.ptp(desk.volts(1)) < 2.0


def test_switching_the_pair_in_mid_sweep_shows_both() -> None:
    desk = turning()
    desk.send("scope", "SENS1:VOLT:RANG 80;OFFS 0;:SENS:SWE:POIN 40000;TINT 1E-5;:INIT")
    desk.wait(0.2)
    desk.send("switch", "ROUT:OPEN (@111)")
    desk.wait(0.2)
    emf = desk.volts(1)
    assert np.ptp(emf[:19_000]) > 30
    assert np.ptp(emf[21_000:]) < 4


def test_what_changes_after_a_sweep_does_not_change_its_samples() -> None:
    desk = turning()
    desk.sweep(20_000, 1e-5)
    before = desk.volts(1)
    desk.send("simulation", 'SIM:FAUL "weak magnet",ON')
    assert np.ptp(desk.volts(1)) == pytest.approx(np.ptp(before), abs=1.5)
    desk.sweep(20_000, 1e-5)
    assert np.ptp(desk.volts(1)) < 0.9 * np.ptp(before)


def test_samples_are_refused_while_sweeping_and_before_any_sweep() -> None:
    desk = Desk()
    assert desk.send("scope", "TRAC:DATA? CH1") == ""
    assert desk.error("scope").startswith("-230")
    desk.send("scope", "INIT;:INIT")
    assert desk.error("scope").startswith("-211")
    desk.send("scope", "SENS:SWE:POIN 5")
    assert desk.error("scope").startswith("-221")


def test_shorted_unit_pulls_the_sensor_supply_down_to_its_limit() -> None:
    desk = Desk(ideal_motor(), faults=("unit shorted",))
    desk.send("sensor_supply", "VOLT 5;CURR 0.3;:OUTP ON")
    assert float(desk.send("sensor_supply", "MEAS:CURR?")) == pytest.approx(0.3, abs=0.01)
    assert float(desk.send("sensor_supply", "MEAS:VOLT?")) < 0.5


def test_twelve_volts_destroy_a_five_volt_unit_and_a_new_one_mends_it() -> None:
    desk = Desk()
    desk.send("sensor_supply", "VOLT 12;CURR 0.5;:OUTP ON")
    assert desk.state()["unit_destroyed"] is True
    desk.send("sensor_supply", "VOLT 5")
    assert desk.state()["unit_destroyed"] is True
    desk.hands("fit feedback unit")
    assert desk.state()["unit_destroyed"] is False


def test_overvoltage_protection_trips_the_output() -> None:
    desk = Desk()
    desk.send("spin_supply", "VOLT 10;CURR 1;VOLT:PROT 8;:OUTP ON")
    assert desk.send("spin_supply", "VOLT:PROT:TRIP?;:OUTP?") == "1;0"
    desk.send("spin_supply", "VOLT:PROT 12;PROT:CLE;:OUTP ON")
    assert desk.send("spin_supply", "VOLT:PROT:TRIP?;:OUTP?") == "0;1"
