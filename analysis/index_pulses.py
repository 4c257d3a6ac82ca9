"""Index pulses of an encoder: where their middles lie, how wide they are, and which level they have."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.estimate import BudgetLine, Estimate, estimate
from analysis.pulse_trains import PulseTrain

Floats = NDArray[np.float64]

NARROW_PART = 0.5
"""A pulse narrower than this part of the usual one is a disturbance."""


@dataclass(frozen=True, slots=True, eq=False)
class IndexPulses:
    """Middles of the index pulses, shape (n,), and their usual width [samples]."""

    at: Floats
    width: float
    active_low: bool


def index_pulses(train: PulseTrain, samples: int) -> IndexPulses:
    """Find the middles of the index pulses; their edges may lie next to a count edge, and the count would waver by one."""
    rises, falls = train.rises, train.falls
    if train.at.size == 0:
        return IndexPulses(np.empty(0), 0.0, active_low=False)
    high = float(np.sum(train.at[~train.rising]) - np.sum(train.at[train.rising]))
    high += samples if bool(train.rising[-1]) else 0
    active_low = high > samples / 2
    starts, ends = (falls, rises) if active_low else (rises, falls)
    ends = ends[ends > starts[0]] if starts.size else ends
    starts = starts[: ends.size]
    widths = ends[: starts.size] - starts
    wide = widths > NARROW_PART * np.median(widths) if widths.size else np.empty(0, dtype=bool)
    middles = (starts + widths / 2)[wide]
    return IndexPulses(middles, float(np.median(widths[wide])) if middles.size else 0.0, active_low)


def amid_edges(index: IndexPulses, trains: Mapping[str, PulseTrain]) -> IndexPulses:
    """Leave out index pulses at either end of the record, before the first or after the last edge of A or B.

    How far they are from an edge that was not seen is not known, so the turn next to them would be one count out.
    """
    first, last = max(trains[n].at[0] for n in ("A", "B")), min(trains[n].at[-1] for n in ("A", "B"))
    return replace(index, at=index.at[(index.at >= first) & (index.at <= last)])


def index_width(index: IndexPulses, counts: NDArray[np.int64]) -> Estimate:
    """Give the width of the index in counts, from the counts of each turn, shape (turns,)."""
    per_sample = float(np.median(counts / np.diff(index.at)))
    # Two edges, each anywhere within its sample interval (JCGM 100:2008, F.2.2.1).
    grid = BudgetLine("sample grid of both edges", "B", per_sample / 6**0.5)
    return estimate(index.width * per_sample, "count", [grid])
