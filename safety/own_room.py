"""Makes sure that `safety` is this project's own package, since a public package has the same import name."""

import sys
from pathlib import Path

import safety


class ForeignSafety(RuntimeError):  # noqa: N818 - names what was found
    """The imported `safety` is not ours, so nothing that guards people can be relied on."""


def assert_own_safety() -> None:
    """Refuse to go on with another package's `safety`.

    Raises
    ------
    ForeignSafety
        The package found does not stand beside this project's other rooms.
    """
    own = Path(__file__).resolve().parent
    found = Path(safety.__file__ or "").resolve().parent
    station = sys.modules.get("station")
    beside = (
        own.parent if station is None or station.__file__ is None else Path(station.__file__).resolve().parent.parent
    )
    if found != own or own.parent != beside:
        raise ForeignSafety(
            f"the package `safety` comes from {found}, not from this station ({beside / 'safety'}); "
            "allowed: polemark in an environment of its own, without another package of that name"
        )
