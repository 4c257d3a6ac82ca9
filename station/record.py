"""The record document: everything a run leaves, in one JSON object (format polemark-record-1)."""

import importlib.metadata
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from drivers.bench import InstrumentIdentity
from station.decision import Decision
from station.disposition import propose
from station.motor_type import MotorType
from station.run_facts import Gathered, RunFacts, waveforms_of

FORMAT = "polemark-record-1"


def document(
    facts: RunFacts,
    gathered: Gathered,
    *,
    outcome: str,
    stop_reason: str | None,
    ended_utc: datetime,
    zone: str,
    clock: str,
    identities: Sequence[InstrumentIdentity],
    decision: Decision,
    digests: Sequence[str],
) -> dict[str, Any]:
    """Put the record together.

    Parameters
    ----------
    digests
        Digest of every waveform in the order of `waveforms_of(gathered)`.
    """
    findings = list(gathered.findings.values())
    return {
        "format": FORMAT,
        "number": facts.number,
        "kind": facts.kind,
        "stage": facts.sequence.stage,
        "outcome": outcome,
        "stop_reason": stop_reason,
        "started_utc": utc_text(facts.started_utc),
        "ended_utc": utc_text(ended_utc),
        "zone": zone,
        "clock": clock,
        "time_sync": dict(gathered.time_sync),
        "job": _job(facts, gathered),
        "motor": _motor(facts),
        "motor_type": motor_type_of(facts.motor_type),
        "adapter": _adapter(facts, gathered.adapter_code_read),
        "sequence": _sequence(facts),
        "bench": _bench(facts),
        "people": _people(facts),
        "software": _software(),
        "instruments": [_instrument(i) for i in identities],
        "hand_instruments": _hand_instruments(gathered),
        "temperatures": _temperatures(gathered),
        "answers": [
            {"step": g.step, "prompt": g.prompt, "value": g.value, "unit": g.unit, "hand_instrument": g.hand_instrument}
            for g in gathered.answers
        ],
        "steps": [
            {
                "index": index,
                "name": s.name,
                "kind": s.kind,
                "context": dict(s.context),
                "started_s": round(s.started_s, 6),
                "ended_s": round(s.ended_s, 6),
                "outcome": s.outcome,
                "note": s.note,
            }
            for index, s in enumerate(gathered.steps, start=1)
        ],
        "captures": captures_of(gathered, digests),
        "findings": [f.document() for f in findings],
        "pairings": gathered.pairings,
        "pictures": gathered.pictures,
        "wiring": gathered.wiring,
        "correction": gathered.correction,
        "speeds": gathered.speeds,
        "decision_rule": {"name": decision.rule.name, "text": decision.rule.text},
        "interlock_events": gathered.interlock_events,
        "deviations": gathered.deviations,
        "not_tested": gathered.not_tested,
        "as_found_record": None if facts.as_found is None else facts.as_found["number"],
        "disposition": propose(facts.sequence.stage, outcome, findings, facts.kind, stop_reason).document(),
        "cautions": gathered.cautions,
        "setting": gathered.setting,
        "approved": facts.clearance.approved,
        "retest": facts.clearance.retest_document(),
    }


def started_facts(facts: RunFacts, identities: Sequence[InstrumentIdentity], zone: str) -> dict[str, Any]:
    """Parts of the record that are known when the run begins, for the record of a run that dies."""
    return {
        "zone": zone,
        "clock": facts.bench_file.clock,
        "job": dict(facts.job),
        "motor": _motor(facts),
        "motor_type": motor_type_of(facts.motor_type),
        "adapter": _adapter(facts, None),
        "sequence": _sequence(facts),
        "bench": _bench(facts),
        "people": _people(facts),
        "software": _software(),
        "instruments": [_instrument(i) for i in identities],
        "approved": facts.clearance.approved,
        "retest": facts.clearance.retest_document(),
    }


def utc_text(moment: datetime) -> str:
    """Return a UTC time as ISO 8601 with milliseconds and Z."""
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def _job(facts: RunFacts, gathered: Gathered) -> dict[str, Any]:
    """Return the job, with what this run was told of condition and complaint."""
    told = {name: given.value for name in ("condition", "complaint") if (given := gathered.answered(name)) is not None}
    return dict(facts.job) | told


def _motor(facts: RunFacts) -> dict[str, Any]:
    return {"serial": facts.serial, "shop_tag": None, "nameplate": dict(facts.motor_type.nameplate)}


def _adapter(facts: RunFacts, code_read: int | None) -> dict[str, Any]:
    adapter = facts.adapter
    return {
        "name": adapter.name,
        "code": adapter.code,
        "code_read": code_read,
        "digest": adapter.digest,
        "text": adapter.text,
    }


def _people(facts: RunFacts) -> list[dict[str, str]]:
    return [{"role": "technician", "name": facts.technician or "not stated", "status": facts.clearance.people_status}]


def _software() -> dict[str, str]:
    return {"name": "polemark", "version": importlib.metadata.version("polemark")}


def motor_type_of(kind: MotorType) -> dict[str, Any]:
    """Return a motor type as it was."""
    return {
        "name": kind.name,
        "maker": kind.maker,
        "revision": kind.revision,
        "digest": kind.digest,
        "text": kind.text,
        "facts": dict(kind.facts()),
    }


def _sequence(facts: RunFacts) -> dict[str, Any]:
    sequence = facts.sequence
    return {
        "name": sequence.name,
        "title": sequence.title,
        "revision": sequence.revision,
        "digest": sequence.digest,
        "text": sequence.text,
    }


def _bench(facts: RunFacts) -> dict[str, Any]:
    bench = facts.bench_file
    return {
        "name": bench.name,
        "station": bench.station,
        "place": bench.place,
        "simulated": bench.simulated,
        "digest": bench.digest,
        "text": bench.text,
        "mains_hz": bench.mains,
        "probe": bench.probe.model_dump(mode="json"),
    }


def _instrument(identity: InstrumentIdentity) -> dict[str, Any]:
    due = identity.calibration_due
    return {
        "role": identity.role,
        "kind": identity.kind,
        "maker": identity.maker,
        "model": identity.model,
        "serial": identity.serial,
        "firmware": identity.firmware,
        "calibration_due": None if due is None else due.isoformat(),
        "certificate": identity.certificate,
    }


def _hand_instruments(gathered: Gathered) -> list[dict[str, Any]]:
    names = dict.fromkeys(g.hand_instrument for g in gathered.answers if g.hand_instrument)
    return [{"name": name, "serial": None, "calibration_due": None} for name in names]


def _temperatures(gathered: Gathered) -> list[dict[str, Any]]:
    return [
        {
            "where": str(g.records).removesuffix("_temperature"),
            "value": g.value,
            "unit": "degC",
            "how": f"read with {g.hand_instrument}" if g.hand_instrument else "stated",
        }
        for g in gathered.answers
        if g.records and g.records.endswith("_temperature")
    ]


def captures_of(gathered: Gathered, digests: Sequence[str]) -> list[Mapping[str, Any]]:
    """Return every capture with its waveforms, which are named by digest."""
    rows: dict[int, dict[str, Any]] = {}
    for (taken, channel, waveform), digest in zip(waveforms_of(gathered), digests, strict=True):
        row = rows.setdefault(
            taken.index,
            {
                "index": taken.index,
                "step": taken.step,
                "group": taken.group,
                "winding_pair": taken.pair,
                "drive": taken.drive,
                "bench_pull_up": taken.pull_up,
                "wires_only": taken.wires_only,
                "direction": taken.direction,
                "speed_target_rpm": taken.speed_target_rpm,
                "speed_rpm": None if taken.speed_rpm is None else round(taken.speed_rpm, 6),
                "interval_s": taken.capture.interval_s,
                "samples": taken.capture.settings.samples,
                "waveforms": [],
            },
        )
        row["waveforms"].append(
            {
                "channel": channel,
                "signal": waveform.signal,
                "scale_v": waveform.scale_v,
                "offset_v": waveform.offset_v,
                "digest": digest,
            }
        )
    return list(rows.values())
