"""Faults of the windings that their EMF shows: open phase, shorted turns, weak magnets; and what it cannot show.

Of a star machine the three pairs' amplitudes say how large each phase's EMF is, and so which phase has lost turns. The
angles between the pairs then follow, and witness for or against it.
"""

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import BudgetLine, Estimate, estimate, refused
from analysis.windings import dead_pairs, open_phase

PHASES = ("U", "V", "W")
PAIRS = ("U-V", "V-W", "W-U")
LEAST_SHORTED_PERCENT = 2.0
"""Shorted turns below this part of a phase unbalance the EMF by less than 1 %, as sound windings may be."""
WEAK_MAGNET_PERCENT = 5.0
"""A constant this far below the nameplate's on every pair is a weak magnet (common practice, no source)."""
ANGLE_AGREES_DEG_EL = 0.5
ROUNDS = 20

SHORTED, OPEN, WEAK, NO_EMF, SOUND, UNCLEAR = (
    "shorted turns",
    "open phase",
    "weak magnet",
    "no EMF",
    "no fault seen",
    "unbalanced, cause not clear",
)
CANNOT_TELL = (
    "an open phase of a delta winding: its EMF is unchanged; measure the resistances",
    "shorted turns below about 2 % of a phase: a sound winding is as unbalanced; a surge test tells",
    "a single weak pole of a series winding: every coil averages over all poles; the sensors' table by poles may show it",
)


@dataclass(frozen=True, slots=True)
class WindingSignature:
    """What the EMF of three pairs points to.

    Parameters
    ----------
    verdict
        `no fault seen`, `shorted turns`, `open phase`, `weak magnet`, `no EMF`, or `unbalanced, cause not clear`.
    phase
        The phase it lies in; empty where in none.
    shorted
        Part of that phase's turns that are missing [percent].
    magnet
        EMF constant against the nameplate's [percent]; negative is weaker.
    text
        The verdict in a sentence.
    """

    verdict: str
    phase: str
    shorted: Estimate
    magnet: Estimate
    text: str
    cannot_tell: tuple[str, ...] = CANNOT_TELL


def winding_signature(
    constants: Mapping[str, Estimate],
    nameplate: float | None = None,
    angles: Mapping[tuple[str, str], Estimate] | None = None,
) -> WindingSignature:
    """Read the three pairs' EMF constants as a fault.

    Parameters
    ----------
    constants
        By pair, all in one form and unit.
    nameplate
        The constant that there should be, in the same form; None where it is not stated.
    angles
        From each pair's EMF to the next one's [deg_el], see `analysis.pairings.pair_angles`; as a witness.
    """
    lacking = [f"{p}: {e.reason}" for p, e in constants.items() if e.value is None]
    if lacking or set(constants) != set(PAIRS):
        reason = "; ".join(lacking) or "not all three pairs were measured"
        none = refused("percent", reason)
        return WindingSignature(UNCLEAR, "", none, none, reason)
    magnet = _magnet(constants, nameplate)
    dead = dead_pairs(constants)
    if dead or not any(e.value for e in constants.values()):
        return _dead(dead, magnet)
    shorted, phase = _shorted(constants)
    weak = magnet.value is not None and magnet.value < -WEAK_MAGNET_PERCENT
    if (shorted.value or 0.0) >= LEAST_SHORTED_PERCENT and _significant(shorted):
        return _unbalanced(shorted, phase, magnet, angles)
    if weak:
        text = f"EMF {magnet.value:+.1f} % against the nameplate on every pair: the magnets are weak"
        return WindingSignature(WEAK, "", shorted, magnet, text)
    return WindingSignature(SOUND, "", shorted, magnet, "the three pairs show no fault")


def phase_emfs(pairs: Mapping[str, float]) -> dict[str, float]:
    """Return the EMF of each phase of a star from the amplitudes of its pairs.

    Parameters
    ----------
    pairs
        Amplitude of U-V, V-W, W-U in any unit.

    Notes
    -----
    The phases lie 120 degrees apart and differ in amplitude only, so |uv|^2 = u^2 + v^2 + u v, and so on; solved by
    Newton's method from equal phases.

    Raises
    ------
    ValueError
        No such star has these amplitudes.
    """
    squares = np.array([pairs[p] ** 2 for p in PAIRS])
    x = np.full(3, math.sqrt(float(squares.mean()) / 3))
    for _ in range(ROUNDS):
        x = x - np.linalg.solve(_slopes(x), _squares(x) - squares)
    if not np.allclose(_squares(x), squares, rtol=1e-9) or np.any(x < 0):
        raise ValueError(f"no star winding has pairs of {', '.join(f'{pairs[p]:g}' for p in PAIRS)}")
    return {phase: float(v) for phase, v in zip(PHASES, x, strict=True)}


def pair_angles_deg_el(phases: Mapping[str, float]) -> dict[tuple[str, str], float]:
    """Angle from each pair's EMF to the next one's that phases of these amplitudes make [deg_el]."""
    turn = np.exp(-2j * math.pi / 3)
    u, v, w = (phases[p] * turn**i for i, p in enumerate(PHASES))
    lines = dict(zip(PAIRS, (u - v, v - w, w - u), strict=True))
    return {
        (p, q): float(np.degrees(np.angle(lines[p] / lines[q])))
        for p, q in zip(PAIRS, (*PAIRS[1:], PAIRS[0]), strict=True)
    }


def _squares(x: NDArray[np.float64]) -> NDArray[np.float64]:
    y = np.roll(x, -1)
    return x * x + y * y + x * y


def _slopes(x: NDArray[np.float64]) -> NDArray[np.float64]:
    y = np.roll(x, -1)
    return np.diag(2 * x + y) + np.roll(np.diag(2 * y + x), 1, axis=1)


def _magnet(constants: Mapping[str, Estimate], nameplate: float | None) -> Estimate:
    if not nameplate:
        return refused("percent", "the nameplate states no EMF constant")
    # The best pair: shorted turns weaken two of the three, and are no weakness of the magnet.
    best = max(constants.values(), key=lambda e: e.value or 0.0)
    value = 100 * ((best.value or 0.0) / nameplate - 1)
    lines = [BudgetLine(x.source, x.kind, 100 * x.u / nameplate, x.dof) for x in best.budget]
    return estimate(value, "percent", lines)


def _dead(dead: tuple[str, ...], magnet: Estimate) -> WindingSignature:
    none = refused("percent", "not every pair shows an EMF")
    phase = open_phase(dead)
    if phase:
        text = f"no EMF on {' and '.join(dead)}: phase {phase} is open"
        return WindingSignature(OPEN, phase, none, magnet, text)
    where = ", ".join(dead) or "any pair"
    return WindingSignature(NO_EMF, "", none, magnet, f"no EMF on {where}")


def _shorted(constants: Mapping[str, Estimate]) -> tuple[Estimate, str]:
    """Part of the turns that the weakest phase lacks against the others, and its name."""
    values = {p: float(e.value or 0.0) for p, e in constants.items()}
    try:
        whole = _missing(values)
    except (ValueError, np.linalg.LinAlgError):
        return refused("percent", "the three pairs fit no star winding"), ""
    phase = max(whole, key=lambda p: whole[p])
    lines = []
    for pair, of in constants.items():
        # Type A alone: a scale error that the pairs share moves every phase alike.
        u = math.sqrt(math.fsum(x.u**2 for x in of.budget if x.kind == "A"))
        step = 1e-4 * values[pair]
        slope = (_missing(values | {pair: values[pair] + step})[phase] - whole[phase]) / step
        dof = min((x.dof for x in of.budget if x.kind == "A"), default=math.inf)
        lines.append(BudgetLine(f"scatter of {pair}", "A", abs(slope) * u, dof))
    return estimate(whole[phase], "percent", lines), phase


def _missing(pairs: Mapping[str, float]) -> dict[str, float]:
    """By how much each phase falls short of the mean of the other two [percent]."""
    phases = phase_emfs(pairs)
    total = sum(phases.values())
    return {p: 100 * (1 - v / ((total - v) / 2)) for p, v in phases.items()}


def _significant(shorted: Estimate) -> bool:
    return shorted.value is not None and shorted.value > 2 * (shorted.u or 0.0)


def _unbalanced(
    shorted: Estimate, phase: str, magnet: Estimate, angles: Mapping[tuple[str, str], Estimate] | None
) -> WindingSignature:
    part = float(shorted.value or 0.0)
    if angles and not _angles_agree(part, phase, angles):
        text = (
            f"phase {phase} seems {part:.1f} % weak by the amplitudes, but the angles between the pairs do not agree: "
            "look at the EMF paths of the station first"
        )
        return WindingSignature(UNCLEAR, phase, shorted, magnet, text)
    text = f"phase {phase} is {part:.1f} % weaker than the others: shorted turns"
    return WindingSignature(SHORTED, phase, shorted, magnet, text)


def _angles_agree(part: float, phase: str, angles: Mapping[tuple[str, str], Estimate]) -> bool:
    expected = pair_angles_deg_el({p: 1 - part / 100 if p == phase else 1.0 for p in PHASES})
    return all(
        abs(of.value - expected[between]) < max(ANGLE_AGREES_DEG_EL, 3 * (of.u or 0.0))
        for between, of in angles.items()
        if of.value is not None
    )
