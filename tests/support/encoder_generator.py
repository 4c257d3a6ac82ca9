"""Encoder channels for tests, made from the shaft's angle: nothing is shared with the code under test.

Truth is a list of edges in lines (one period of A is one line); a speed law gives the time of each, and samples are
drawn from these times with finite edges, noise and rounding to integers.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class EncoderPlan:
    """What to make: a disc with its errors, turning at a speed, seen by a scope.

    Places of faults are lines counted from the index, going the way A leads; `once` faults happen in that turn alone.
    """

    lines: int = 2048
    rpm: float = 300.0
    turns: float = 4.2
    samples_per_count: float = 24.0
    quadrature_error_deg_line: float = 0.0
    duty: float = 0.5
    ripple: float = 0.0
    ripple_order: int = 3
    start_lines: float = 31.3
    a_leads: bool = True
    dropped_a: Sequence[int] = ()
    dropped_b: Sequence[int] = ()
    false_a: Sequence[float] = ()
    once_in_turn: int | None = None
    noise_v: float = 0.05
    low_v: float = 0.2
    high_v: float = 4.8
    index_width_lines: float = 0.25
    index_at_lines: float = 0.125
    bits: int = 16
    seed: int = 1
    scale_v: float = field(default=10.0 / 60000)


@dataclass(frozen=True)
class EncoderRecord:
    """The channels as integers, their scale, and the interval between samples [s]."""

    a: NDArray[Any]
    b: NDArray[Any]
    z: NDArray[Any]
    scale_v: float
    interval_s: float


def encoder_record(plan: EncoderPlan) -> EncoderRecord:
    """Make one capture of A, B and index."""
    rng = np.random.default_rng(plan.seed)
    interval_s = 60.0 / plan.rpm / (4 * plan.lines * plan.samples_per_count)
    n = int(plan.turns * 4 * plan.lines * plan.samples_per_count)
    x = _lines_over_time(plan, np.arange(n) * interval_s)
    lead = 0.25 + plan.quadrature_error_deg_line / 360
    a = _square(x, 0.0, plan.duty)
    b = _square(x, lead, plan.duty)
    if not plan.a_leads:
        a, b = b, a
    place = x % plan.lines
    turn = np.floor(x / plan.lines)
    hit = np.ones(n, dtype=bool) if plan.once_in_turn is None else turn == plan.once_in_turn
    for line in plan.dropped_a:
        a &= ~((np.floor(place) == line) & hit)
    for line in plan.dropped_b:
        b &= ~((np.floor((place - lead) % plan.lines) == line) & hit)
    for middle in plan.false_a:
        a ^= (np.abs(place - middle) < 0.06) & hit
    z = (place - plan.index_at_lines + plan.lines / 2) % plan.lines - plan.lines / 2
    index = np.abs(z) < plan.index_width_lines / 2
    scale_v = plan.scale_v if plan.bits == 16 else 10.0 / 250
    kind = np.int16 if plan.bits == 16 else np.int8

    def counts(high: NDArray[np.bool_]) -> NDArray[Any]:
        volts = np.where(high, plan.high_v, plan.low_v) + plan.noise_v * rng.standard_normal(n)
        return np.clip(np.rint((volts - 2.5) / scale_v), np.iinfo(kind).min, np.iinfo(kind).max).astype(kind)

    return EncoderRecord(counts(a), counts(b), counts(index), scale_v, interval_s)


def _lines_over_time(plan: EncoderPlan, t: Floats) -> Floats:
    """Lines passed, with a speed that ripples so many times a turn."""
    turns = plan.rpm / 60 * t
    swing = plan.ripple / (2 * np.pi * plan.ripple_order)
    return plan.start_lines + plan.lines * (turns + swing * (1 - np.cos(2 * np.pi * plan.ripple_order * turns)))


def _square(x: Floats, lead: float, duty: float) -> NDArray[np.bool_]:
    return (x - lead) % 1.0 < duty
