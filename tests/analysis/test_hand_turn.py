"""A slow uneven turn by hand, drawn from a stated motion of the shaft."""

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.hand_turn import HandTurn, hand_turn
from analysis.pairings import PAIR_ZERO_DEG_EL, PAIRS, SENSORS, sensor_angles_deg_el
from analysis.pulse_trains import Trace

POLE_PAIRS = 4
LINES = 100
INTERVAL_S = 1e-4
RISE = sensor_angles_deg_el(
    dict(zip(SENSORS, PAIRS, strict=True)), dict.fromkeys(SENSORS, 1), dict.fromkeys(SENSORS, 0.0)
)


def motion(turns: float = 1.2, seconds: float = 4.0) -> NDArray[np.float64]:
    """Mechanical angle [rad]: a start with a step back, two pauses, uneven in between."""
    t = np.linspace(0, 1, int(seconds / INTERVAL_S))
    uneven = t + 0.06 * np.sin(2 * np.pi * 3 * t) - 0.03 * np.exp(-(((t - 0.02) / 0.01) ** 2))
    return 2 * np.pi * turns * uneven


def seen(
    theta: NDArray[np.float64],
    *,
    offset: float = 5.0,
    a_leads: bool = True,
    dead: tuple[str, ...] = (),
    emf: bool = True,
    group: str = "all",
) -> HandTurn:
    el = np.degrees(POLE_PAIRS * theta)
    lines = theta / (2 * np.pi) * LINES
    high = {s: (el - RISE[s] - offset) % 360 < 180 for s in SENSORS}
    high |= {
        "A": lines % 1 < 0.5,
        "B": (lines - (0.25 if a_leads else -0.25)) % 1 < 0.5,
        "Z": (lines + 0.1) % LINES < 0.25,
    }
    rng = np.random.default_rng(1)
    names = {"all": tuple(high), "sensors": SENSORS, "encoder": ("A", "B", "Z")}[group]
    channels = {
        n: Trace(
            np.rint((np.where(high[n], 2.0, -2.0) * (n not in dead) + rng.normal(0, 0.05, theta.size)) / 0.03).astype(
                np.int8
            ),
            0.03,
        )
        for n in names
    }
    speed = np.gradient(theta, INTERVAL_S)
    volts = 0.05 * speed * np.sin(np.radians(el - PAIR_ZERO_DEG_EL["V-W"])) * emf + rng.normal(0, 0.005, theta.size)
    return hand_turn(
        channels, INTERVAL_S, rise_deg_el=RISE, a_leads_cw=True,
        emf=Trace(np.rint(volts / 0.01).astype(np.int8), 0.01), emf_zero_deg_el=PAIR_ZERO_DEG_EL["V-W"], least_emf_v=0.05,
    )  # fmt: skip


@pytest.mark.parametrize("way", [1, -1])
def test_everything_answers_and_all_agree_on_the_way(way: int) -> None:
    found = seen(way * motion())
    assert found.silent == ()
    assert (found.by_sensors, found.by_encoder, found.by_emf) == (way, way, way)
    assert found.agree
    assert found.wrong(way) == ()
    assert found.edges["A"] > 200
    assert found.states is not None
    assert found.states.illegal == 0


@pytest.mark.parametrize("offset", [-60.0, 60.0, 170.0])
def test_the_way_by_the_codes_does_not_depend_on_the_offset(offset: float) -> None:
    found = seen(motion(), offset=offset)
    assert (found.by_sensors, found.by_encoder) == (1, 1)


def test_a_turn_the_other_way_than_asked_is_said() -> None:
    assert seen(-motion()).wrong(1) == (
        "by the sensors the shaft turned counter-clockwise, the hand clockwise",
        "by A and B the shaft turned counter-clockwise, the hand clockwise",
    )


def test_an_encoder_of_the_other_sense_disagrees() -> None:
    found = seen(motion(), a_leads=False)
    assert (found.by_sensors, found.by_encoder) == (1, -1)
    assert not found.agree


@pytest.mark.parametrize("dead", ["H1", "H3", "A", "B"])
def test_a_signal_that_does_not_answer_is_named(dead: str) -> None:
    found = seen(motion(), dead=(dead,))
    assert found.silent == (dead,)
    assert f"{dead} does not answer" in found.wrong(1)


def test_no_emf_is_named() -> None:
    found = seen(motion(), emf=False)
    assert found.silent == ("EMF",)
    assert found.by_emf == 0


def test_a_group_without_sensors_tells_by_the_encoder_alone() -> None:
    found = seen(motion(), group="encoder")
    assert (found.by_sensors, found.by_encoder, found.states) == (0, 1, None)
    found = seen(motion(), group="sensors")
    assert (found.by_sensors, found.by_encoder) == (1, 0)


def test_a_shaft_rocked_to_and_fro_has_no_way() -> None:
    theta = 2 * np.sin(np.linspace(0, 12 * np.pi, 40_000))
    found = seen(theta)
    assert (found.by_sensors, found.by_encoder) == (0, 0)
    assert found.agree
