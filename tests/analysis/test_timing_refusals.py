"""Records that must give no number, and how good the numbers of the others are."""

from dataclasses import replace

import numpy as np
import pytest
from emf_signals import Capture, Look, Unit, capture, near

from analysis.refusals import TimingSettings, is_clipped
from analysis.timing import CaptureTiming, capture_timing

SEEN = Look(bits=8, noise_v=0.02)


def timed(seen: Capture, how: TimingSettings | None = None) -> CaptureTiming:
    return capture_timing(
        seen.emf_v, seen.sensors_v, seen.look.interval_s, seen.look.direction, seen.unit.pole_pairs, settings=how
    )


def refusal_of(found: CaptureTiming) -> str:
    """The reason, after making sure that no sensor has a number and all give that reason."""
    assert found.refusal
    for sensor in found.sensors.values():
        for figure in (sensor.y_waveform, sensor.y_fundamental, sensor.duty):
            assert (figure.value, figure.u, figure.reason) == (None, None, found.refusal)
    return found.refusal


def test_less_than_one_turn_is_refused() -> None:
    assert "needed: 4, one turn" in refusal_of(timed(capture(Unit(), replace(SEEN, cycles=3.8))))


def test_one_turn_and_a_little_is_enough() -> None:
    found = timed(capture(Unit(body_deg_mech=1.0), replace(SEEN, cycles=5.3)))
    assert found.refusal == ""
    assert found.sensors["H1"].y_waveform.value == pytest.approx(4.0, abs=0.15)


@pytest.mark.parametrize("how", [None, TimingSettings(full_scale_v=(-6.0, 5.953125))])
def test_a_clipped_emf_is_refused_with_and_without_a_known_range(how: TimingSettings | None) -> None:
    found = timed(capture(Unit(), replace(SEEN, span_v=12.0)), how)
    assert "clipped" in refusal_of(found)


def test_an_emf_that_nearly_fills_the_range_is_not_clipped() -> None:
    look = replace(SEEN, span_v=17.0)
    assert timed(capture(Unit(), look), TimingSettings(full_scale_v=(-8.5, 8.43))).refusal == ""
    assert timed(capture(Unit(), look)).refusal == ""


def test_samples_of_bridged_spikes_between_two_levels_make_no_clipped_emf() -> None:
    """A crest of many samples in its last level, and single ones half a step below it, is a crest still."""
    seen = capture(Unit(), SEEN)
    step = SEEN.span_v / 2**SEEN.bits
    crest = np.flatnonzero(seen.emf_v > seen.emf_v.max() - 1.5 * step)
    emf_v = seen.emf_v.copy()
    emf_v[crest] = seen.emf_v.max()
    emf_v[crest[::40]] -= step / 2
    emf_v[(emf_v > seen.emf_v.max() - 3.5 * step) & (emf_v < seen.emf_v.max() - 0.75 * step)] = seen.emf_v.max() - step
    assert np.count_nonzero(emf_v == emf_v.max()) > 0.002 * emf_v.size
    assert not is_clipped(emf_v, None)
    clipped = np.minimum(seen.emf_v, 0.7 * seen.emf_v.max())
    assert is_clipped(clipped, None)


@pytest.mark.parametrize(("fill", "refused"), [(0.08, True), (0.15, False)])
def test_small_fill_is_refused(fill: float, refused: bool) -> None:
    look = replace(SEEN, amplitude_v=12.0 * fill, noise_v=0.01)
    found = timed(capture(Unit(), look), TimingSettings(full_scale_v=(-12.0, 11.90625)))
    assert ("fills less than 10 %" in found.refusal) == refused
    if refused:
        refusal_of(found)


@pytest.mark.parametrize(
    ("rpm", "mains_hz", "refused"), [(300.0, 60.0, True), (300.0, 50.0, False), (250.0, 50.0, True)]
)
def test_mains_on_a_harmonic_is_refused(rpm: float, mains_hz: float, refused: bool) -> None:
    # 300 rpm and 4 pole pairs are 20 Hz, whose third harmonic is 60 Hz; 250 rpm are 16.67 Hz, third 50 Hz.
    found = timed(capture(Unit(), replace(SEEN, rpm=rpm)), TimingSettings(mains_hz=mains_hz))
    assert ("meets the mains" in found.refusal) == refused
    if refused:
        refusal_of(found)
        assert found.speed_rpm == pytest.approx(rpm, rel=1e-3)


@pytest.mark.parametrize("level_v", [0.1, 2.5, 4.9])
def test_a_sensor_that_does_not_switch_has_no_number_and_the_others_have(level_v: float) -> None:
    seen = capture(Unit(), SEEN)
    noise = 0.05 * np.random.default_rng(4).standard_normal(seen.emf_v.size)
    found = timed(replace(seen, sensors_v={**seen.sensors_v, "H2": level_v + noise}))
    dead = found.sensors["H2"]
    assert dead.y_waveform.value is None
    assert "does not switch" in dead.y_waveform.reason
    assert dead.duty.value is None
    assert found.sensors["H1"].y_waveform.value == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("noise_v", [0.0, 0.05])
def test_no_emf_gives_no_number(noise_v: float) -> None:
    found = timed(capture(Unit(), replace(SEEN, amplitude_v=0.0, noise_v=noise_v)))
    assert "no EMF" in refusal_of(found)
    assert (found.f_e_hz, found.speed_rpm) == (None, None)


def test_a_sensor_that_keeps_no_place_in_the_cycle_is_refused() -> None:
    seen = capture(Unit(), SEEN)
    other = capture(Unit(pole_pairs=3), replace(SEEN, cycles=21.3 * 3 / 4))
    found = timed(replace(seen, sensors_v={"H1": other.sensors_v["H1"][: seen.emf_v.size]}))
    assert found.sensors["H1"].y_waveform.value is None
    assert "keep no place" in found.sensors["H1"].y_waveform.reason


@pytest.mark.parametrize("seed", range(40))
def test_random_machines_are_read_to_a_tenth_of_a_degree(seed: int) -> None:
    draw = np.random.default_rng(seed)
    unit = Unit(
        pole_pairs=int(draw.integers(2, 7)),
        body_deg_mech=float(draw.uniform(-1, 1)),
        hysteresis_deg=float(draw.uniform(0, 3)),
        harmonics={5: (float(draw.uniform(0, 0.04)), 0.0), 7: (float(draw.uniform(0, 0.02)), 180.0)},
    )
    # Orders that are no multiple of the pole pairs: the other ones look like harmonics of the machine.
    orders = [m for m in range(1, 9) if m % unit.pole_pairs][:3]
    look = Look(
        direction=int(draw.choice([1, -1])),
        rpm=float(draw.uniform(18.5, 24.0)) * 60 / unit.pole_pairs,
        cycles=float(draw.uniform(3, 4)) * unit.pole_pairs,
        start_deg_mech=float(draw.uniform(0, 360)),
        ripple=tuple((m, float(draw.uniform(0.002, 0.01)), float(draw.uniform(0, 6.28))) for m in orders),
        noise_v=0.05,
        bits=8,
        seed=seed,
    )
    seen = capture(unit, look)
    for name, sensor in timed(seen).sensors.items():
        of = sensor.y_waveform
        assert of.value is not None, of.reason
        assert of.u is not None
        error = abs(near(of.value - seen.true_deg[name]))
        # Sensors that belong to the other pairs are read too: 120 degrees off, between the zeros of this EMF.
        assert error <= 0.1
        assert error <= 5 * of.u
