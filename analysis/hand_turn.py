"""A slow, uneven turn by hand: does every signal answer, and do all agree on which way the shaft went.

Nothing is timed here. The order of the sensors' codes and the lead of A over B tell the way without any EMF; the sign of
the EMF while a sensor is high tells it again, if the feedback stands within 90 deg_el of its place.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.pairings import SENSORS
from analysis.pulse_trains import PulseTrain, Sampled, pulses
from analysis.quadrature import decode
from analysis.states import States, codes_clockwise, states_of

LEAST_EDGES = 2
"""A signal that went there and back again answers."""
AGREEING_PART = 0.8
LEAST_CORRELATION = 0.2
LEAST_EMF_V = 0.1


@dataclass(frozen=True, slots=True)
class HandTurn:
    """What answered a turn by hand.

    Parameters
    ----------
    edges
        By signal, how often it changed.
    silent
        Signals that did not answer, the EMF as `EMF`; not the index, which a turn by hand may miss.
    by_sensors, by_encoder, by_emf
        Which way the shaft went: +1 clockwise, -1 counter-clockwise, 0 where it cannot be told.
    states
        Codes of the sensors; None where not all three were captured.
    emf_peak_v
        Half of the EMF's swing [V]; None where it was not captured.
    """

    edges: Mapping[str, int]
    silent: tuple[str, ...]
    by_sensors: int
    by_encoder: int
    by_emf: int
    states: States | None
    emf_peak_v: float | None

    @property
    def agree(self) -> bool:
        """Whether sensors and encoder, where both tell a way, tell the same."""
        told = {sense for sense in (self.by_sensors, self.by_encoder) if sense}
        return len(told) <= 1

    def wrong(self, direction: int = 1) -> tuple[str, ...]:
        """Say what is wrong, in words, for a turn that should have gone one way; empty if nothing is."""
        way = {1: "clockwise", -1: "counter-clockwise"}
        return (
            *(f"{name} does not answer" for name in self.silent),
            *(
                f"{who} turned {way[sense]}, the hand {way[direction]}"
                for who, sense in (
                    ("by the sensors the shaft", self.by_sensors),
                    ("by A and B the shaft", self.by_encoder),
                )
                if sense == -direction
            ),
            *(
                ()
                if self.states is None or not self.states.illegal
                else (f"{self.states.illegal} illegal sensor codes",)
            ),
        )


@dataclass(frozen=True, slots=True, eq=False)
class _Edges:
    times_s: NDArray[np.float64]
    rising: NDArray[np.bool_]


def hand_turn(
    channels: Mapping[str, Sampled],
    interval_s: float,
    *,
    rise_deg_el: Mapping[str, float],
    a_leads_cw: bool,
    emf: Sampled | None = None,
    emf_zero_deg_el: float | None = None,
    least_emf_v: float = LEAST_EMF_V,
) -> HandTurn:
    """Read one capture of a turn by hand.

    Parameters
    ----------
    channels
        By signal name: any of `H1`, `H2`, `H3`, `A`, `B`, `Z`.
    rise_deg_el
        By sensor: angle at which the type says it rises going clockwise, see `analysis.pairings.sensor_angles_deg_el`.
    a_leads_cw
        Whether A leads B going clockwise by the type.
    emf, emf_zero_deg_el
        The EMF captured with them, and the rising zero of its pair, see `analysis.pairings.PAIR_ZERO_DEG_EL`.
    least_emf_v
        Peak below which no EMF has appeared.
    """
    trains = {name: pulses(channel, rare=name == "Z") for name, channel in channels.items()}
    states = _states(trains, interval_s, rise_deg_el)
    silent = [name for name, t in trains.items() if name != "Z" and t.at.size < LEAST_EDGES]
    peak = None if emf is None else _peak_v(emf)
    if peak is not None and peak < least_emf_v:
        silent.append("EMF")
    return HandTurn(
        {name: t.at.size for name, t in trains.items()},
        tuple(silent),
        _by_steps(states.forward, states.backward) if states else 0,
        _by_encoder(trains, a_leads_cw=a_leads_cw),
        0 if emf is None or emf_zero_deg_el is None else _by_emf(emf, channels, rise_deg_el, emf_zero_deg_el),
        states,
        peak,
    )


def _states(trains: Mapping[str, PulseTrain], interval_s: float, rise_deg_el: Mapping[str, float]) -> States | None:
    if not all(s in trains for s in SENSORS):
        return None
    edges = {s: _Edges(trains[s].at * interval_s, trains[s].rising) for s in SENSORS}
    return states_of(edges, codes_clockwise(rise_deg_el))


def _by_steps(forward: int, backward: int) -> int:
    """Name the way that most steps went; a hand may start and end with a step back."""
    if max(forward, backward) < AGREEING_PART * (forward + backward) or forward == backward:
        return 0
    return 1 if forward > backward else -1


def _by_encoder(trains: Mapping[str, PulseTrain], *, a_leads_cw: bool) -> int:
    if not all(name in trains and trains[name].at.size >= LEAST_EDGES for name in ("A", "B")):
        return 0
    step = decode(trains["A"], trains["B"]).step
    leads = _by_steps(int(np.sum(step > 0)), int(np.sum(step < 0)))
    return leads if a_leads_cw else -leads


def _by_emf(emf: Sampled, channels: Mapping[str, Sampled], rise_deg_el: Mapping[str, float], zero_deg_el: float) -> int:
    """Sign of the EMF against the position that the sensors' levels say: it follows the position going clockwise."""
    volts = emf.counts * emf.scale_v
    expected = np.zeros(volts.size)
    for sensor in (s for s in SENSORS if s in channels):
        counts = channels[sensor].counts
        high = np.where(counts > (float(counts.min()) + float(counts.max())) / 2, 1.0, -1.0) * np.sign(
            channels[sensor].scale_v
        )
        expected += high * np.cos(np.radians(rise_deg_el[sensor] - zero_deg_el))
    volts, expected = volts - volts.mean(), expected - expected.mean()
    size = float(np.linalg.norm(volts) * np.linalg.norm(expected))
    match = float(volts @ expected) / size if size > 0 else 0.0
    return 0 if abs(match) < LEAST_CORRELATION else 1 if match > 0 else -1


def _peak_v(emf: Sampled) -> float:
    low, high = np.quantile(emf.counts, [0.005, 0.995])
    return float(high - low) / 2 * abs(emf.scale_v)
