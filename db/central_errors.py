"""What can go wrong between a station and the central store.

StoreError
├── CentralAway       the server or the way to it is gone, for now: the same may succeed later
└── HistoryRefused    what the station holds is not what it signed, or does not continue what central holds
"""

from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, InterfaceError, OperationalError

from db.store_errors import StoreError, told


class CentralAway(StoreError):  # noqa: N818 - it names what is wrong, as the sentence does
    """The central store does not answer now; what it holds and what the station holds is intact."""


class HistoryRefused(StoreError):  # noqa: N818 - it names what happened
    """A station's ledger was not taken; the message says why."""


@contextmanager
def reached(where: str) -> Iterator[None]:
    """Turn an error of the central database into a sentence, and tell what may pass from what will not.

    Raises
    ------
    CentralAway
        It does not answer, went away, or is short of something that its administrator can give.
    StoreError
        It refused.
    """
    try:
        with told(where):
            yield
    except StoreError as error:
        cause = error.__cause__
        # A session that the server ended for its silence comes as an error of another kind, on a connection that is lost.
        if isinstance(cause, DBAPIError) and (
            cause.connection_invalidated or isinstance(cause, (OperationalError, InterfaceError))
        ):
            said = str(cause.orig).strip().split("\n", 1)[0]
            raise CentralAway(f"{where} cannot be used now: {said}; what is not copied waits at the station") from error
        raise
