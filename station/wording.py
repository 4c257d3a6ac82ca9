"""Small pieces of sentences that name choices."""

import difflib
from collections.abc import Iterable

LONG_LIST = 20
"""A list of more names than this helps nobody who has only mistyped one."""


def listed(names: Iterable[object]) -> str:
    """Join names with commas."""
    return ", ".join(str(name) for name in names)


def closest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name that was probably meant, or None."""
    by_folded = {k.casefold(): k for k in known}
    found = difflib.get_close_matches(name.casefold(), by_folded, n=1, cutoff=0.6)
    return by_folded[found[0]] if found else None


def meant(name: str, known: Iterable[str]) -> str:
    """List what is known with the probable meaning; of a long list the probable meaning alone."""
    names = list(known)
    near = closest(name, names)
    if near is None:
        return listed(names)
    shown = listed(names) if len(names) <= LONG_LIST else f"one of {len(names)} names"
    return f"{shown} (did you mean '{near}'?)"
