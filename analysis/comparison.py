"""As found against as left: the change with its sign, and how sure it is that anything changed.

What was wrong in the same way both times (a scope's gain, a channel's skew) cancels in the change, so it must not count
towards its uncertainty; what was not, must.
"""

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from analysis.angles import wrap
from analysis.conformity import CONFORMING
from analysis.estimate import BudgetLine, Estimate, estimate, refused


@dataclass(frozen=True, slots=True)
class Change:
    """A change and its significance |change| / u(change); None where either value is missing or u is zero."""

    change: Estimate
    significance: float | None


def shared_systematic(found: Estimate, left: Estimate) -> frozenset[str]:
    """Return the sources of type B that both budgets name: what cancels if instruments and set-up were the same."""
    both = ({line.source for line in e.budget if line.kind == "B"} for e in (found, left))
    return frozenset.intersection(*map(frozenset, both))


def compare(found: Estimate, left: Estimate, *, correlated: Collection[str] = (), circular: bool = False) -> Change:
    """Compare a figure as left with the same as found.

    Parameters
    ----------
    correlated
        Budget sources of type B that acted the same both times; none unless the caller knows so, since a change
        that only looks sure is worse than one that does not.
    circular
        The figure is an angle; the change is brought into (-180, 180].

    Notes
    -----
    u^2(change) = u_1^2 + u_2^2 - 2 r u_1 u_2, with r = 1 for the correlated sources (JCGM 100:2008, 5.2.2): of these
    the difference of the two is left.
    """
    for name, of in (("as found", found), ("as left", left)):
        if of.value is None:
            return Change(refused(of.unit, f"not measured {name}: {of.reason}"), None)
    if found.value is None or left.value is None or found.unit != left.unit:
        return Change(refused(left.unit, f"as found in {found.unit}, as left in {left.unit}"), None)
    change = left.value - found.value
    result = estimate(wrap(change) if circular else change, left.unit, _budget(found, left, frozenset(correlated)))
    size = None if not result.u else abs(result.value or 0.0) / result.u
    return Change(result, size)


def _budget(found: Estimate, left: Estimate, correlated: frozenset[str]) -> list[BudgetLine]:
    sources = {(x.source, x.kind): None for e in (found, left) for x in e.budget}
    return [_line(source, kind, found, left, same=kind == "B" and source in correlated) for source, kind in sources]


def _line(source: str, kind: str, found: Estimate, left: Estimate, *, same: bool) -> BudgetLine:
    lines = [[x for x in e.budget if (x.source, x.kind) == (source, kind)] for e in (found, left)]
    first, second = (math.sqrt(math.fsum(x.u**2 for x in each)) for each in lines)
    u = abs(second - first) if same else math.hypot(first, second)
    return BudgetLine(source, kind, u, _dof(lines, first, second))


def _dof(lines: list[list[BudgetLine]], first: float, second: float) -> float:
    """Welch-Satterthwaite over the lines of both (JCGM 100:2008, G.4.1)."""
    shares = math.fsum(x.u**4 / x.dof for each in lines for x in each)
    return math.hypot(first, second) ** 4 / shares if shares > 0 else math.inf


def sound_as_target(conformities: Mapping[str, str]) -> tuple[bool, tuple[str, ...]]:
    """Say whether an as-found state may itself be the target to set to, and if not, why not.

    Parameters
    ----------
    conformities
        Conformity of each finding that a sound feedback and winding need, by name (spread, closure, duty, states,
        counts, balance and the like; not the offset, which is what the state would define).
    """
    wrong = tuple(f"{name}: {conformity}" for name, conformity in conformities.items() if conformity != CONFORMING)
    return (bool(conformities) and not wrong), wrong or (() if conformities else ("nothing was checked",))
