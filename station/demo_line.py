"""The invented rebuild line as the station sees it: which motors come, of which type, on which job."""

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from safety.strict_yaml import YamlError, read_file

KEYS = ("serial", "type", "job")
JOB_FACTS = ("work_order", "customer", "received_on", "complaint")


@dataclass(frozen=True, slots=True)
class DemoMotor:
    """One motor of the line."""

    serial: str
    type_name: str
    job: str
    job_facts: Mapping[str, Any]


def read_line(path: Path) -> list[DemoMotor]:
    """Read the motors of a line; what is simulated of them is the simulated bench's own business.

    Raises
    ------
    YamlError
        The file cannot be read, or a motor lacks its serial, type or job.
    """
    document = read_file(path)
    motors = document.data.get("motors") if isinstance(document.data, dict) else None
    if not isinstance(motors, list) or not motors:
        raise YamlError((document.problem((), "no motors", "a list under `motors`"),))
    problems = [
        document.problem(("motors", i), f"motor without {key}", ", ".join(KEYS))
        for i, motor in enumerate(motors)
        for key in KEYS
        if not isinstance(motor, dict) or not isinstance(motor.get(key), str)
    ]
    if problems:
        raise YamlError(problems)
    return [
        DemoMotor(
            m["serial"], m["type"], m["job"], {"number": m["job"], "condition": None} | {k: m.get(k) for k in JOB_FACTS}
        )
        for m in motors
    ]
