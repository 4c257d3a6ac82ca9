"""One sweep of the scope: from the motion of shaft and body to the voltage at each of the four inputs."""

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.feedback import Toggles, as_levels, chattered, encoder_track, lost_motion, sensor_toggles
from drivers.simulated.machine import pair_emf
from drivers.simulated.mounted import Parts
from drivers.simulated.shaft import History
from drivers.simulated.truth import SENSORS, Output
from drivers.simulated.wiring import GROUP_SIGNALS, KNOWN_SOURCE_HZ, KNOWN_SOURCE_V, PULL_UP_OHM, Connection

FLOATING_V = 0.18
"""Swing of an open collector without a pull-up: leakage only."""
SHARP_S = 0.1e-6
EMF_SKEW_S = 0.2e-6
PICK_UP_V = {"emf": 0.02, "logic": 0.004, "open": 0.08}
TAIL_TIME_CONSTANTS = 8


@dataclass(slots=True)
class Stretch:
    """Part of a sweep with one connection: from which bench time, with which parts on the bench."""

    start_s: float
    connection: Connection
    parts: Parts
    seen: float
    coupled: bool


@dataclass(frozen=True, slots=True)
class Levels:
    """How a logic lead looks: its low and high voltage and its time constant when it rises."""

    low_v: float
    high_v: float
    rise_s: float


def sensor_levels(parts: Parts, lead: str, connection: Connection) -> Levels:
    """Return the levels of a sensor lead with the supply and pull-ups as connected."""
    make = parts.make.sensors
    low_v = make.low_v if parts.unit.low_v is None else parts.unit.low_v
    pulled = lead in connection.pull_ups
    match make.output:
        case Output.PUSH_PULL | Output.DIFFERENTIAL:
            return Levels(low_v, connection.unit_v - make.swing_loss_v, SHARP_S)
        case Output.INTERNAL_PULL_UP if lead not in parts.unit.no_pull_up:
            parallel = 1 / (1 / make.pull_up_ohm + (1 / PULL_UP_OHM if pulled else 0.0))
            return Levels(low_v, connection.unit_v, parallel * make.line_f)
        case _:
            if pulled:
                return Levels(low_v, connection.pull_up_v, PULL_UP_OHM * make.line_f)
            return Levels(0.0, FLOATING_V, SHARP_S)


@dataclass
class Sweep:
    """One sweep while it runs and after.

    Parameters
    ----------
    start_s, samples, interval_s
        When it started, how many samples, how far apart [s].
    mains_hz, mains_phase, pick_up
        Frequency, phase [rad] and strength (1 = usual) of mains pick-up.
    reversed_pairs
        Winding pairs whose path to the scope is wired the wrong way round.
    """

    start_s: float
    samples: int
    interval_s: float
    rng: np.random.Generator
    mains_hz: float
    mains_phase: float
    pick_up: float
    emf_sign: float = 1.0
    reversed_pairs: frozenset[str] = frozenset()
    history: History = field(default_factory=History)
    stretches: list[Stretch] = field(default_factory=list)

    @property
    def end_s(self) -> float:
        """When the sweep is over."""
        return self.start_s + self.samples * self.interval_s

    @cached_property
    def _motion(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Shaft angle [rad], speed [rad/s] and body angle [rad] at the samples: cubic between knots."""
        theta, w = self._shaft()
        history = self.history
        if np.ptp(history.body):
            times = self.start_s + np.arange(self.samples) * self.interval_s
            return theta, w, np.interp(times, history.body_t_s, history.body)
        return theta, w, np.full(self.samples, history.body[0])

    def _shaft(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        history = self.history
        t = (np.array(history.t_s) - self.start_s) / self.interval_s
        theta, w = np.array(history.theta), np.array(history.w)
        if t.size < 2 or not (np.ptp(theta) or np.ptp(w)):
            return np.full(self.samples, theta[0]), np.zeros(self.samples)
        bounds = np.clip(np.ceil(t), 0, self.samples).astype(np.int64)
        counts = bounds[1:] - bounds[:-1]
        counts[-1] += self.samples - counts.sum()
        length = np.diff(t)
        scale = length * self.interval_s
        step = np.diff(theta)
        c1, d1 = w[:-1] * scale, w[1:] * scale
        c2, c3 = 3 * step - 2 * c1 - d1, c1 + d1 - 2 * step
        u = (np.arange(self.samples) - np.repeat(t[:-1], counts)) * np.repeat(1 / length, counts)
        c1, c2, c3 = np.repeat(c1, counts), np.repeat(c2, counts), np.repeat(c3, counts)
        at_theta = np.repeat(theta[:-1], counts) + u * (c1 + u * (c2 + u * c3))
        at_w = (c1 + u * (2 * c2 + 3 * u * c3)) * np.repeat(1 / scale, counts)
        return at_theta, at_w

    def volts(self, channel: int) -> NDArray[np.float32]:
        """Return the voltage at input 1 to 4, shape (samples,), before the scope's own errors."""
        starts = [round((s.start_s - self.start_s) / self.interval_s) for s in self.stretches]
        bounds = [0, *(min(max(n, 0), self.samples) for n in starts[1:]), self.samples]
        parts = [
            self._stretch_volts(channel, stretch, first, last)
            for stretch, first, last in zip(self.stretches, bounds, bounds[1:], strict=False)
            if last > first
        ]
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    def _stretch_volts(self, channel: int, stretch: Stretch, first: int, last: int) -> NDArray[np.float32]:
        theta, w, body = (values[first:last] for values in self._motion)
        if not stretch.coupled:
            theta, w = np.full_like(theta, theta[0]), np.zeros_like(w)
        kind = "emf" if channel == 1 else "logic"
        if channel == 1:
            clean = self._emf(stretch, theta, w, first)
        elif stretch.connection.known_source:
            clean = self._known_source(first, last, late_s=0.0)
        else:
            signals = [GROUP_SIGNALS[group][channel - 2] for group in stretch.connection.groups]
            leads = [self._logic(signal, stretch, theta - body) for signal in signals]
            clean = _together(leads)
        if clean is None:
            kind, clean = "open", np.zeros(last - first, np.float32)
        return clean + self._mains(PICK_UP_V[kind], first, last, channel)

    def _emf(
        self, stretch: Stretch, theta: NDArray[np.float64], w: NDArray[np.float64], first: int
    ) -> NDArray[np.float32] | None:
        early = theta - w * EMF_SKEW_S
        emfs: list[NDArray[np.float32] | None] = []
        for pair in stretch.connection.pairs:
            if stretch.connection.known_source:
                emf = self._known_source(first, first + theta.size, late_s=EMF_SKEW_S)
            else:
                emf = pair_emf(stretch.parts.tables[pair], early, w)
            emfs.append(emf if (self.emf_sign > 0) != (pair in self.reversed_pairs) else -emf)
        return _together(emfs)

    def _known_source(self, first: int, last: int, *, late_s: float) -> NDArray[np.float32]:
        cycles = (np.arange(first, last) * self.interval_s - late_s) * KNOWN_SOURCE_HZ
        high: NDArray[np.bool_] = np.floor(2 * cycles) % 2 == 0
        return high * np.float32(KNOWN_SOURCE_V)

    def _logic(self, signal: str, stretch: Stretch, phi: NDArray[np.float64]) -> NDArray[np.float32] | None:
        parts, connection = stretch.parts, stretch.connection
        lead = signal.removesuffix("-")
        make, unit = parts.make, parts.unit
        complement = signal.endswith("-")
        differential = make.sensors.output is Output.DIFFERENTIAL if lead in SENSORS else make.encoder.differential
        if (complement and not differential) or not connection.unit_alive:
            return None
        if complement and signal in unit.stuck:
            return np.full(phi.size, make.sensors.low_v, np.float32)
        if lead in SENSORS:
            levels = sensor_levels(parts, lead, connection)
            toggles = self._sensor(lead, stretch, phi)
            return draw(toggles, levels, phi.size, self.interval_s, inverted=complement)
        high_v = connection.unit_v - make.sensors.swing_loss_v
        if lead in unit.stuck:
            return np.full(phi.size, high_v if unit.stuck[lead] == "high" else make.sensors.low_v, np.float32)
        high = encoder_track(make, unit, lead, phi)
        levels_v = np.array([make.sensors.low_v, high_v], np.float32)
        return levels_v[(high ^ complement).view(np.int8)]

    def _sensor(self, lead: str, stretch: Stretch, phi: NDArray[np.float64]) -> Toggles:
        parts = stretch.parts
        if lead in parts.unit.stuck:
            return Toggles(parts.unit.stuck[lead] == "high", np.empty(0))
        toggles = sensor_toggles(parts.tracks[lead], lost_motion(phi, parts.half, stretch.seen))
        late = parts.unit.delay_s + self.rng.normal(0, parts.unit.jitter_s, toggles.at.size)
        toggles = Toggles(toggles.first, np.sort(toggles.at + late / self.interval_s))
        if lead in parts.unit.chatter:
            toggles = chattered(toggles, self.interval_s, self.rng)
        if lead in parts.unit.inverted_wires:
            toggles = Toggles(not toggles.first, toggles.at)
        return toggles

    def _mains(self, amplitude_v: float, first: int, last: int, channel: int) -> NDArray[np.float32]:
        step = 2 * math.pi * self.mains_hz * self.interval_s
        period = round(1 / (self.mains_hz * self.interval_s)) if self.interval_s * self.mains_hz < 1 else 0
        start = self.mains_phase + channel
        size = last - first
        # Where a period is a whole number of samples one period is drawn and repeated.
        whole = period > 0 and abs(period * step - 2 * math.pi) < 1e-9
        n = np.arange(first, first + (min(period, size) if whole else size))
        angle = start + step * n
        wave = (self.pick_up * amplitude_v * (np.sin(angle) + 0.2 * np.sin(3 * angle))).astype(np.float32)
        return np.resize(wave, size)


def _together(parts: Sequence[NDArray[np.float32] | None]) -> NDArray[np.float32] | None:
    """Return what a channel shows with several sources on it: their mean."""
    present = [part for part in parts if part is not None]
    if len(present) <= 1:
        return present[0] if present else None
    mean: NDArray[np.float32] = np.mean(present, axis=0, dtype=np.float32)
    return mean


def draw(
    toggles: Toggles, levels: Levels, samples: int, interval_s: float, *, inverted: bool = False
) -> NDArray[np.float32]:
    """Return the voltage of a logic lead: sharp falls, exponential rises that start between samples."""
    if inverted:
        toggles = Toggles(not toggles.first, toggles.at)
    high = as_levels(toggles, samples)
    volts = np.array([levels.low_v, levels.high_v], np.float32)[high.view(np.int8)]
    tail = min(math.ceil(TAIL_TIME_CONSTANTS * levels.rise_s / interval_s), 2000)
    rising = toggles.at[(1 if toggles.first else 0) :: 2]
    rising = rising[(rising > 0) & (rising < samples - 1)]
    if rising.size and levels.rise_s > SHARP_S:
        at = np.ceil(rising).astype(np.int64)[:, None] + np.arange(tail)
        age_s = (at - rising[:, None]) * interval_s
        missing = (levels.high_v - levels.low_v) * np.exp(-age_s / levels.rise_s)
        inside = at < samples
        at, missing = at[inside], missing[inside]
        still_high = high[at]
        volts[at[still_high]] -= missing[still_high].astype(np.float32)
    return volts
