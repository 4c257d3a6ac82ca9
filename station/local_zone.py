"""The station's time zone by its IANA name."""

import os
from pathlib import Path

LOCALTIME = Path("/etc/localtime")


def local_zone() -> str:
    """Return the name of the machine's time zone; UTC where it cannot be told."""
    named = os.environ.get("TZ", "").lstrip(":")
    if "/" in named and not named.startswith("/"):
        return named
    try:
        target = str(LOCALTIME.resolve(strict=True))
    except OSError:
        return "UTC"
    name = target.partition("/zoneinfo/")[2]
    return name if name and name != "Etc/UTC" else "UTC"
