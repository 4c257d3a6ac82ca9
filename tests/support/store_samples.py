"""Invented runs and records for tests of the store."""

import copy
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import sample_record

from db.engine import engine_to_read, url_of
from db.store import Begun, Started, Store, Stored, WaveformData
from db.store_check import check_store
from db.waveform_codec import waveform_digest

NOW = datetime(2026, 3, 25, 8, 2, 55, tzinfo=UTC)
NOTHING_CHANGED = "rows are only ever added"


def started(**changes: Any) -> Started:
    known: dict[str, Any] = {
        "kind": "production", "station": "station-2", "stage": "as-found", "job": "J-26-0418",
        "motor_serial": "NB4-20771", "motor_type": "nb4-100", "sequence_name": "as-found",
        "sequence_digest": sample_record.digest_of("as-found"), "bench": "bench-2", "started_utc": NOW,
    }  # fmt: skip
    return Started(**(known | changes))


def waveform(seed: int, samples: int = 500, dtype: str = "int8") -> WaveformData:
    rng = np.random.default_rng(seed)
    counts = rng.integers(-100, 100, samples).astype(dtype)
    return WaveformData(waveform_digest(counts), counts, 1e-5)


def document(
    begun: Begun, start: Started, waveforms: Sequence[WaveformData] = (), *, minutes: float = 11.0, **changes: Any
) -> dict[str, Any]:
    """Return a whole record for a begun run; `changes` replace parts of it."""
    record = copy.deepcopy(sample_record.as_found())
    end = start.started_utc + timedelta(minutes=minutes)
    record |= {
        "number": begun.number, "kind": start.kind, "stage": start.stage,
        "started_utc": text_of(start.started_utc), "ended_utc": text_of(end),
        "captures": [capture(waveforms)] if waveforms else [],
    }  # fmt: skip
    record["job"]["number"] = start.job
    record["motor"]["serial"] = start.motor_serial
    record["motor_type"]["name"] = start.motor_type
    record["bench"] |= {"station": start.station, "simulated": start.kind == "simulated"}
    if start.kind != "production":
        record["disposition"]["proposed"] = None
    return record | changes


def capture(waveforms: Sequence[WaveformData]) -> dict[str, Any]:
    return {
        "index": 1, "step": "capture 1", "group": "sensors", "winding_pair": "U-V", "direction": "CW",
        "speed_target_rpm": 200.0, "speed_rpm": 201.37, "interval_s": 1e-5, "samples": waveforms[0].counts.size,
        "waveforms": [
            {"channel": i, "signal": f"ch{i}", "scale_v": 0.02, "offset_v": 0.5, "digest": w.digest}
            for i, w in enumerate(waveforms, start=1)
        ],
    }  # fmt: skip


def text_of(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def store_record(store: Store, start: Started, waveforms: Sequence[WaveformData] = (), **changes: Any) -> Stored:
    begun = store.begin_run(start)
    return store.add_record(begun.number, document(begun, start, waveforms, **changes), waveforms)


def problems(location: str | Path) -> list[str]:
    """Read a whole store again, without the checks of opening it."""
    engine = engine_to_read(url_of(location))
    try:
        return check_store(engine, str(location)).problems
    finally:
        engine.dispose()


@contextmanager
def opened(folder: Path) -> Iterator[Store]:
    with Store.open(folder / "records.db") as store:
        yield store
