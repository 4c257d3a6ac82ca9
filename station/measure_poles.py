"""The finding of pole pairs: by the index where there is one, else by the pattern of the poles in the sensors' edges."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.angles import circular_mean, wrap
from analysis.estimate import Estimate, refused
from analysis.pole_count import pole_pairs_by_pattern
from station.basis import Basis
from station.decision import Decision
from station.run_facts import Gathered
from station.timed_captures import Timed


def add_pole_pairs(found: Estimate, basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Judge a number of pole pairs against the stated one; one that was found before stands if this is none."""
    known = gathered.findings.get("pole_pairs_found")
    if found.value is None:
        if known is None:
            gathered.add(decision.finding("pole_pairs_found", found))
        return
    stated = basis.machine.pole_pairs
    fails = "" if found.value == stated else f"stated are {stated}: every speed and mechanical angle is wrong"
    gathered.add(decision.checked("pole_pairs_found", found, fails=fails))


def measure_poles(timed: Sequence[Timed], basis: Basis, gathered: Gathered, decision: Decision) -> None:
    """Find the pole pairs by the sensors alone."""
    add_pole_pairs(_by_pattern(timed), basis, gathered, decision)


def _by_pattern(timed: Sequence[Timed]) -> Estimate:
    """Take the capture with the most cycles."""
    usable = [t for t in timed if t.timing.phase is not None and not t.timing.refusal]
    if not usable:
        return refused("count", "no capture with sensors that were timed")
    longest = max(usable, key=lambda t: t.timing.phase.cycles if t.timing.phase else 0.0)
    return pole_pairs_by_pattern(_departures(longest))


def _departures(timed: Timed) -> list[NDArray[np.float64]]:
    """Departure of each edge from the mean place of its kind, cycle after cycle, one row a sensor and kind [deg_el]."""
    rows = []
    for edges in timed.timing.edges.values():
        for kind in (True, False):
            times_s = edges.times_s[edges.rising == kind]
            chi = timed.timing.phase.at(times_s) if timed.timing.phase else np.array([])
            chi = chi[np.isfinite(chi)]
            if chi.size > 1:
                rows.append(np.asarray(wrap(chi - circular_mean(chi)), dtype=np.float64))
    return rows
