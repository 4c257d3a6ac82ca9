"""An analysis made a record: its captures, description and findings in the store, under a number series of its own.

It is evidence of what the captures show. Nobody watched the shaft, the direction is what the description states, and no
interlock was run; so it is of a kind of its own that no yield counts and that can never be released.
"""

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from db.record_rules import WaveformData
from db.run_start import Started
from db.waveform_codec import waveform_digest
from station.analysis import Analysis, document
from station.clearance import STATED
from station.data_folder import DataFolder
from station.disposition import propose
from station.exit_codes import BadInput
from station.local_zone import local_zone
from station.motor_type import MotorType
from station.record import FORMAT, captures_of, motor_type_of, utc_text
from station.run_facts import waveforms_of
from station.sheet_command import write_sheet

KIND = "analysis"
BENCH = "saved captures"


def store_analysis(
    of: Analysis, folder: DataFolder, serial: str, job: str, stage: str, technician: str | None
) -> tuple[str, Path]:
    """Store an analysis as a record and write its sheet; return its number and the sheet's path.

    Raises
    ------
    BadInput
        The description names no motor type.
    StoreError
        The record could not be stored.
    """
    kind = of.saved.motor_type
    if kind is None:
        raise BadInput(
            f"{of.saved.description.document.name}: a record needs motor_type; allowed: a motor type instead of pole_pairs"
        )
    rows = waveforms_of(of.gathered)
    waveforms = {
        waveform_digest(w.counts): WaveformData(waveform_digest(w.counts), w.counts, t.capture.interval_s)
        for t, _, w in rows
    }
    now = datetime.now(UTC)
    with folder.open_store() as store:
        known = {"number": job} | dict(store.job(job) or {})
        begun = store.begin_run(_started(of, kind, serial, job, stage, now))
        made = _record(of, kind, begun.number, serial, known, stage, technician, now)
        made["captures"] = captures_of(of.gathered, [waveform_digest(w.counts) for _, _, w in rows])
        store.add_record(begun.number, made, list(waveforms.values()))
        return begun.number, write_sheet(store, folder, begun.number)


def _started(of: Analysis, kind: MotorType, serial: str, job: str, stage: str, now: datetime) -> Started:
    description = of.saved.description
    return Started(
        kind=KIND,
        station=BENCH,
        stage=stage,
        job=job,
        motor_serial=serial,
        motor_type=kind.name,
        sequence_name=BENCH,
        sequence_digest=description.digest,
        bench=BENCH,
        started_utc=now,
    )


def _record(
    of: Analysis,
    kind: MotorType,
    number: str,
    serial: str,
    job: dict[str, Any],
    stage: str,
    technician: str | None,
    now: datetime,
) -> dict[str, Any]:
    made, description = document(of), of.saved.description
    findings = list(of.gathered.findings.values())
    facts = ("work_order", "customer", "received_on", "complaint", "condition")
    return {
        "format": FORMAT,
        "number": number,
        "kind": KIND,
        "stage": stage,
        "outcome": "complete",
        "stop_reason": None,
        "started_utc": utc_text(now),
        "ended_utc": utc_text(now),
        "zone": local_zone(),
        "clock": "not known",
        "time_sync": dict(of.gathered.time_sync),
        "job": {"number": job["number"]} | {name: job.get(name) for name in facts},
        "motor": {"serial": serial, "shop_tag": None, "nameplate": dict(kind.nameplate)},
        "motor_type": motor_type_of(kind),
        "adapter": {"name": "none", "code": None, "code_read": None, "digest": None, "text": None},
        "sequence": {
            "name": BENCH,
            "title": description.title,
            "revision": None,
            "digest": description.digest,
            "text": description.text,
        },
        "bench": {
            "name": BENCH,
            "station": BENCH,
            "place": None,
            "simulated": False,
            "digest": description.digest,
            "text": description.text,
            "mains_hz": of.saved.basis.mains_hz,
            "probe": None,
        },
        "people": [{"role": "technician", "name": technician or "not stated", "status": STATED}],
        "software": made["software"],
        "instruments": [],
        "hand_instruments": [],
        "temperatures": [],
        "answers": [
            {"step": g.step, "prompt": g.prompt, "value": g.value, "unit": g.unit, "hand_instrument": None}
            for g in of.gathered.answers
        ],
        "steps": [],
        "findings": [f.document() for f in findings],
        "pairings": made["pairings"],
        "pictures": made["pictures"],
        "wiring": made["wiring"],
        "correction": made["correction"],
        "speeds": [],
        "decision_rule": made["decision_rule"],
        "interlock_events": [],
        "deviations": [
            f"Made from saved captures: {', '.join(f'{name} {digest}' for name, digest in of.saved.digests.items())}.",
            *made["deviations"],
        ],
        "not_tested": [
            {"what": "direction, identity and wiring of the bench", "why": "the captures were saved elsewhere"}
        ],
        "as_found_record": None,
        "disposition": propose(stage, "complete", findings, KIND, None).document(),
        "cautions": [],
        "setting": None,
        "approved": None,
    }
