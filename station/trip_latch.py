"""A trip stays on its bench from run to run, until a person resets it by name."""

import contextlib
import hashlib
import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

UNREADABLE = "the note of the trip cannot be read"


@dataclass(frozen=True, slots=True)
class Trip:
    """Which run tripped, by which row of the interlock table, and why."""

    run: str
    row: str
    what: str

    @property
    def words(self) -> str:
        """The trip in a few words."""
        return f"run {self.run}, {self.row}: {self.what}"


class TripLatch:
    """The latch of one bench, kept in the station's data folder.

    Parameters
    ----------
    folder
        The data folder.
    bench
        The bench by name.
    """

    def __init__(self, folder: Path, bench: str) -> None:
        # A name may hold what a file name may not.
        self._path = folder / f"tripped-{hashlib.sha256(bench.encode()).hexdigest()[:16]}.json"

    def read(self) -> Trip | None:
        """Return the trip that no person has reset; None where there is none."""
        try:
            found = json.loads(self._path.read_text(encoding="utf-8"))
            return Trip(str(found["run"]), str(found["row"]), str(found["what"]))
        except FileNotFoundError:
            return None
        except (OSError, ValueError, KeyError, TypeError):
            return Trip("unknown", "unknown", UNREADABLE)

    def latch(self, trip: Trip) -> None:
        """Latch a trip; it is on the disk when this returns, and an older one stays where it cannot be written."""
        part = self._path.with_suffix(".part")
        with contextlib.suppress(OSError), part.open("w", encoding="utf-8") as file:
            json.dump(asdict(trip), file, ensure_ascii=False)
            file.flush()
            os.fsync(file.fileno())
            part.replace(self._path)

    def reset(self) -> None:
        """Forget the trip."""
        self._path.unlink(missing_ok=True)
