"""Files of captures with known truth, as somebody with a scope would have saved them, and their description."""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np
import yaml
from signal_generator import Record, Setting, draw_station

QUICK = Setting(offset_deg=3.0, fill=0.6, interval_s=5e-5, cycles=12.0)
"""Short and coarse: a whole station in a few hundred kilobytes."""


def station(seed: int = 3, setting: Setting = QUICK) -> list[Record]:
    """Twelve captures of one motor with all that a real one shows."""
    return draw_station("full", seed, setting)


def columns(record: Record) -> dict[str, np.ndarray]:
    """Time and volts of a record by column heading."""
    times = np.arange(record.emf_v.size) * record.interval_s
    return {"time": times, "emf": record.emf_v, **record.sensors_v}


def save_all(records: Iterable[Record], folder: Path) -> list[dict[str, str]]:
    """Save records as NumPy archives and return what a description says of each."""
    files = []
    for place, record in enumerate(records):
        name = f"capture-{place:02d}.npz"
        np.savez(folder / name, **columns(record))
        files.append(entry(name, record))
    return files


def save_text(record: Record, path: Path, *, delimiter: str = ";", comma: bool = True) -> dict[str, str]:
    """Save a record as text with headings and units, six digits as scopes write them."""
    named = columns(record)
    heads = delimiter.join(f"{name} [{'s' if name == 'time' else 'V'}]" for name in named)
    rows = np.column_stack(list(named.values()))
    lines = [delimiter.join(f"{value:.6g}" for value in row) for row in rows]
    text = "\n".join(line.replace(".", ",") if comma else line for line in lines)
    path.write_text(f"Saved by a scope\n{heads}\n{text}\n", encoding="utf-8")
    return entry(path.name, record)


def entry(name: str, record: Record) -> dict[str, str]:
    """What a description says of one file."""
    return {"file": name, "direction": "CW" if record.direction > 0 else "CCW", "winding_pair": record.pair}


def describe(folder: Path, files: Sequence[Mapping[str, object]], **more: object) -> Path:
    """Write a description and return its path; a value of None takes a key away."""
    content: dict[str, object] = {
        "captures": "captures of an invented motor",
        "pole_pairs": 4,
        "signals": {"emf": "emf", "H1": "H1", "H2": "H2", "H3": "H3"},
        "time": "time",
        "files": [dict(f) for f in files],
    }
    content |= more
    path = folder / "captures.yaml"
    kept = {key: value for key, value in content.items() if value is not None}
    path.write_text(yaml.safe_dump(kept, sort_keys=False), encoding="utf-8")
    return path
