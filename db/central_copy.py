"""Copying one station's ledger to central: what is due is asked of central anew for every parcel."""

from collections.abc import Collection
from dataclasses import dataclass

from db.central_source import Source
from db.central_store import Central


@dataclass(frozen=True, slots=True)
class Progress:
    """What one step did."""

    copied: int
    held: int
    """How many entries central has now."""
    waiting: int
    """How many the station has beyond these."""


def copy_parcel(source: Source, central: Central, accepted: Collection[str] = ()) -> Progress:
    """Copy one parcel, if something waits.

    Central alone says how far it is, in the transaction that adds to it, so a step that was cut in the middle or whose answer
    was lost is either done or not, and the next step goes on from there.

    Parameters
    ----------
    accepted
        Names of keys that someone answers for.

    Raises
    ------
    HistoryRefused
        The station's ledger is not whole or does not continue what central holds.
    CentralAway
        The central store does not answer.
    """
    held = central.held(source.station)
    source.check(held.size, held.root, held.origin)
    there = source.size()
    if there == held.size:
        if there:
            central.sight(source.station, there)
        return Progress(0, there, 0)
    parcel = source.parcel(held.size)
    copied = central.arrive(parcel, accepted)
    return Progress(copied, held.size + copied, parcel.entries_there - held.size - copied)
