"""Signatures of winding faults, from phasors of a star made here."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.winding_faults import (
    NO_EMF,
    OPEN,
    SHORTED,
    SOUND,
    UNCLEAR,
    WEAK,
    pair_angles_deg_el,
    phase_emfs,
    winding_signature,
)

PAIRS = ("U-V", "V-W", "W-U")


def star(u: float, v: float, w: float) -> dict[str, complex]:
    a, b, c = (x * np.exp(-2j * math.pi / 3 * i) for i, x in enumerate((u, v, w)))
    return {"U-V": a - b, "V-W": b - c, "W-U": c - a}


def constants(u: float, v: float, w: float, scatter: float = 0.02) -> dict[str, Estimate]:
    lines = {p: abs(z) * 70 / math.sqrt(3) for p, z in star(u, v, w).items()}
    return {
        p: estimate(x, "V/krpm", [BudgetLine("scatter", "A", scatter, 5), BudgetLine("scale", "B", 0.5)])
        for p, x in lines.items()
    }


def angles(u: float, v: float, w: float) -> dict[tuple[str, str], Estimate]:
    lines = star(u, v, w)
    return {
        (p, q): Estimate(math.degrees(np.angle(lines[p] / lines[q])), "deg_el", 0.05)
        for p, q in zip(PAIRS, (*PAIRS[1:], PAIRS[0]), strict=True)
    }


# Signal model of shorted turns: part f of phase U missing; change of U-V in amplitude [percent] and angle [deg].
@pytest.mark.parametrize(
    ("f", "change", "turn"), [(0.01, -0.5, -0.17), (0.02, -1.0, -0.33), (0.05, -2.5, -0.85), (0.1, -5.0, -1.74)]
)
def test_missing_turns_change_amplitude_and_angle_as_the_model_says(f: float, change: float, turn: float) -> None:
    amplitudes = {p: abs(z) for p, z in star(1 - f, 1, 1).items()}
    assert 100 * (amplitudes["U-V"] / math.sqrt(3) - 1) == pytest.approx(change, abs=0.05)
    assert 100 * (amplitudes["V-W"] / math.sqrt(3) - 1) == pytest.approx(0, abs=1e-9)
    # V-W keeps its place, so U-V's turn shows in the angle between them.
    assert 120 - pair_angles_deg_el({"U": 1 - f, "V": 1.0, "W": 1.0})["U-V", "V-W"] == pytest.approx(turn, abs=0.006)


@settings(deadline=None, max_examples=80)
@given(*[st.floats(0.5, 1.5)] * 3)
def test_phases_are_found_from_their_pairs(u: float, v: float, w: float) -> None:
    found = phase_emfs({p: abs(z) for p, z in star(u, v, w).items()})
    assert (found["U"], found["V"], found["W"]) == pytest.approx((u, v, w), rel=1e-6)


def test_amplitudes_that_no_star_makes_are_refused() -> None:
    with pytest.raises(ValueError, match="no star winding has pairs of 100, 1, 1"):
        phase_emfs({"U-V": 100.0, "V-W": 1.0, "W-U": 1.0})


@pytest.mark.parametrize(("phase", "values"), [("U", (0.95, 1, 1)), ("V", (1, 0.95, 1)), ("W", (1, 1, 0.95))])
def test_shorted_turns_are_named_with_phase_and_part(phase: str, values: tuple[float, float, float]) -> None:
    found = winding_signature(constants(*values), 70.0, angles(*values))
    assert (found.verdict, found.phase) == (SHORTED, phase)
    assert found.shorted.value == pytest.approx(5.0, abs=1e-6)
    assert found.magnet.value == pytest.approx(0.0, abs=1e-6)


def test_below_two_percent_nothing_is_claimed() -> None:
    found = winding_signature(constants(0.985, 1, 1), 70.0)
    assert found.verdict == SOUND
    assert found.shorted.value == pytest.approx(1.5, abs=1e-6)


def test_what_scatters_as_much_as_it_differs_is_not_claimed() -> None:
    assert winding_signature(constants(0.97, 1, 1, scatter=2.0), 70.0).verdict == SOUND


def test_angles_that_do_not_follow_make_it_unclear() -> None:
    found = winding_signature(constants(0.9, 1, 1), 70.0, angles(1, 1, 1))
    assert found.verdict == UNCLEAR
    assert "look at the EMF paths of the station first" in found.text


def test_uncertainty_of_the_part_agrees_with_a_monte_carlo_draw() -> None:
    rng = np.random.default_rng(1)
    base = {p: abs(z) * 70 / math.sqrt(3) for p, z in star(0.95, 1, 1).items()}
    draws = []
    for _ in range(600):
        x = phase_emfs({p: v + rng.normal(0, 0.1) for p, v in base.items()})
        draws.append(100 * (1 - x["U"] / ((x["V"] + x["W"]) / 2)))
    found = winding_signature(constants(0.95, 1, 1, scatter=0.1), 70.0)
    assert found.shorted.u == pytest.approx(np.std(draws), rel=0.12)


def test_a_weak_magnet_is_low_on_every_pair() -> None:
    found = winding_signature(constants(0.9, 0.9, 0.9), 70.0)
    assert found.verdict == WEAK
    assert found.magnet.value == pytest.approx(-10.0)


def test_shorted_turns_are_no_weak_magnet() -> None:
    assert winding_signature(constants(0.8, 1, 1), 70.0).verdict == SHORTED


def test_an_open_phase_of_a_star_leaves_one_pair() -> None:
    made = constants(1, 1, 1)
    dead = {p: Estimate(0.4, "V/krpm", 0.1) for p in ("U-V", "V-W")}
    found = winding_signature(made | dead, 70.0)
    assert (found.verdict, found.phase) == (OPEN, "V")
    assert found.shorted.value is None


def test_no_emf_on_any_or_one_pair() -> None:
    assert winding_signature({p: Estimate(0.0, "V/krpm", 0.1) for p in PAIRS}, 70.0).verdict == NO_EMF
    one = winding_signature(constants(1, 1, 1) | {"V-W": Estimate(0.1, "V/krpm", 0.1)}, 70.0)
    assert (one.verdict, one.phase) == (NO_EMF, "")


def test_without_all_pairs_nothing_is_said() -> None:
    found = winding_signature(constants(1, 1, 1) | {"V-W": refused("V/krpm", "clipped")}, 70.0)
    assert found.verdict == UNCLEAR
    assert found.text == "V-W: clipped"


def test_what_the_emf_cannot_show_is_said() -> None:
    said = " ".join(winding_signature(constants(1, 1, 1)).cannot_tell)
    assert "delta" in said
    assert "surge" in said
