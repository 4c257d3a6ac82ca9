"""Captures from files: columns made into waveforms of whole numbers, as a scope would have given them."""

import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

import numpy as np
from numpy.typing import NDArray

from drivers.scope import Capture, CaptureSettings, Waveform
from station.basis import Basis
from station.captures_file import BareMachine, Captures, Channel, SavedFile
from station.capturing import Taken
from station.exit_codes import BadInput
from station.find_files import FileKind, find_file
from station.finding_names import SENSORS
from station.motor_type import MotorType
from station.numpy_files import read_numpy
from station.scope_text import Table, read_table
from station.timed_captures import BY_POSITION, Timed, time_capture
from station.wording import listed

Floats = NDArray[np.float64]

VOLTS = {"V": 1.0, "mV": 1e-3, "uV": 1e-6, "\N{MICRO SIGN}V": 1e-6, "kV": 1e3, "Volt": 1.0, "Volts": 1.0}
SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "\N{MICRO SIGN}s": 1e-6, "ns": 1e-9, "Second": 1.0, "Seconds": 1.0}
ENCODER = ("A", "B", "Z")
NUMPY = (".npy", ".npz")
MOST_CODES = 65000
ON_GRID = 0.05
"""Largest distance from a whole step, in steps, of samples that a converter made."""
SAME_SPEED = 1.15
LEAST_SAMPLES = 64
TIMES_OFF = 0.6
"""Rounded times may lie so much of an interval off; more is a gap."""


@dataclass(frozen=True, slots=True)
class SavedCaptures:
    """Captures of one motor, those with sensors timed, and what they are worked out with."""

    description: Captures
    basis: Basis
    motor_type: MotorType | None
    taken: tuple[Taken, ...]
    timed: tuple[Timed, ...]
    by_position: tuple[Timed, ...]
    digests: Mapping[str, str]
    """SHA-256 of each file's bytes, by its name in the description."""

    @classmethod
    def of(
        cls,
        description: Captures,
        basis: Basis,
        motor_type: MotorType | None,
        taken: Sequence[Taken],
        timed: Sequence[Timed],
        digests: Mapping[str, str],
    ) -> Self:
        """Put captures together, those timed by the encoder's position apart from the others."""
        plain = tuple(t for t in timed if t.taken.group != BY_POSITION)
        by_position = tuple(t for t in timed if t.taken.group == BY_POSITION)
        return cls(description, basis, motor_type, tuple(taken), plain, by_position, digests)


def load(description: Captures, folder: Path, only: Sequence[str] = ()) -> SavedCaptures:
    """Read the captures that a description names.

    Parameters
    ----------
    folder
        Where the description stands; its paths are relative to it.
    only
        Names of files to read, as the description has them; all without one.

    Raises
    ------
    BadInput, YamlError
        A file is not there or cannot be read as described.
    """
    motor_type = _motor_type(description, folder)
    machine = motor_type or BareMachine(description.pole_pairs or 1, description.encoder_lines)
    basis = Basis(machine, description.errors.errors(), description.mains)
    files = [f for f in description.files if not only or f.file in only]
    taken: list[Taken] = []
    digests: dict[str, str] = {}
    for of in files:
        waveforms, interval_s, digests[of.file] = _read(of, description, folder)
        for group, signals in _groups(of, [w.signal for w in waveforms], machine):
            made = _taken(len(taken) + 1, of, group, [w for w in waveforms if w.signal in signals], interval_s)
            taken.append(made)
    timed = [time_capture(t, basis, full_scale_of(description, t.step)) if in_groups(t) else None for t in taken]
    speeds = _speeds(taken, timed)
    taken = [replace(t, speed_target_rpm=speeds[t.index], speed_rpm=speeds[t.index]) for t in taken]
    known = [Timed(t, of.timing) for t, of in zip(taken, timed, strict=True) if of is not None]
    return SavedCaptures.of(description, basis, motor_type, taken, known, digests)


def _motor_type(description: Captures, folder: Path) -> MotorType | None:
    if description.motor_type is None:
        return None
    name = description.motor_type
    own = folder / name
    kind = MotorType.read(own if own.is_file() else find_file(FileKind.MOTOR_TYPE, name))
    if not kind.is_covered:
        raise BadInput(f"{description.document.name}: {kind.refusal('the timing of sensors')}")
    return kind


def _channels(of: SavedFile, description: Captures) -> Mapping[str, Channel]:
    return {str(name): channel for name, channel in (of.signals or description.signals).items()}


def _groups(of: SavedFile, signals: Sequence[str], machine: object) -> Iterator[tuple[str, tuple[str, ...]]]:
    """Tell the groups that one file holds: scopes of many channels capture all at once, those of two a sensor at a time."""
    sensors = tuple(s for s in SENSORS if s in signals)
    if all(s in signals for s in ENCODER):
        yield "encoder", ("emf", *ENCODER)
    if sensors:
        yield "sensors", ("emf", *sensors)
    has_lines = not isinstance(machine, BareMachine) or machine.lines is not None
    if sensors and "A" in signals and has_lines:
        yield BY_POSITION, ("emf", "A", *sensors)
    if not sensors and not all(s in signals for s in ENCODER):
        yield "none", ("emf",)


def _taken(index: int, of: SavedFile, group: str, waveforms: Sequence[Waveform], interval_s: float) -> Taken:
    ordered = tuple(sorted(waveforms, key=lambda w: w.signal != "emf"))
    spans = [float(np.ptp(w.counts.astype(np.int32))) * w.scale_v for w in ordered]
    settings = CaptureSettings(
        group=group,
        signals=tuple(w.signal for w in ordered),
        winding_pair=of.winding_pair,
        interval_s=interval_s,
        samples=ordered[0].counts.size,
        ranges_v=tuple(spans),
        offsets_v=tuple(w.offset_v for w in ordered),
    )
    capture = Capture(settings, interval_s, ordered, 0.0)
    return Taken(index, of.file, capture, group, of.winding_pair, of.direction, "spin", of.speed, None)


def _speeds(taken: Sequence[Taken], timed: Sequence[Timed | None]) -> dict[int, float]:
    """Give each capture the speed that it belongs to: as stated, else the mean of all measured ones near its own."""
    measured = {t.index: (of.timing.speed_rpm if of is not None else None) for t, of in zip(taken, timed, strict=True)}
    stated = {t.index: t.speed_target_rpm for t in taken if t.speed_target_rpm is not None}
    by_file = {t.step: measured[t.index] for t in taken if measured[t.index] is not None}
    own = {t.index: measured[t.index] or by_file.get(t.step) or 0.0 for t in taken}
    clusters: list[list[float]] = []
    for speed in sorted(v for i, v in own.items() if i not in stated):
        if clusters and speed <= SAME_SPEED * clusters[-1][0]:
            clusters[-1].append(speed)
        else:
            clusters.append([speed])
    means = {speed: float(round(sum(c) / len(c))) for c in clusters for speed in c}
    return {i: stated[i] if i in stated else means[speed] for i, speed in own.items()}


def _read(of: SavedFile, description: Captures, folder: Path) -> tuple[list[Waveform], float, str]:
    path = folder / of.file
    text = description.text_form
    table = read_numpy(path) if path.suffix in NUMPY else read_table(path, text.delimiter, text.decimal)
    digest = "sha256:" + hashlib.sha256(path.read_bytes()).hexdigest()
    if table.data.shape[0] < LEAST_SAMPLES:
        raise BadInput(f"{path} holds {table.data.shape[0]} samples; allowed: {LEAST_SAMPLES} at least")
    waveforms = [_waveform(name, channel, table, path) for name, channel in _channels(of, description).items()]
    interval_s = of.interval if of.interval or of.time else description.interval
    if interval_s is None:
        interval_s = _interval_s(table, of.time or description.time or 1, path)
    return waveforms, interval_s, digest


def _column(table: Table, wanted: int | str, what: str, path: Path) -> int:
    names = [h.casefold() for h in table.headings]
    if isinstance(wanted, int):
        if wanted <= table.data.shape[1]:
            return wanted - 1
    elif names.count(wanted.casefold()) == 1:
        return names.index(wanted.casefold())
    headings = [h for h in table.headings if h]
    allowed = f"1 to {table.data.shape[1]}" + (f", or {listed(headings)}" if headings else "")
    raise BadInput(f"{path} has no column {wanted} for {what}; allowed: {allowed}")


def _waveform(signal: str, channel: Channel, table: Table, path: Path) -> Waveform:
    at = _column(table, channel.column, signal, path)
    unit = channel.unit or table.units[at] or "V"
    if unit not in VOLTS:
        raise BadInput(
            f"{path}: the column for {signal} is in '{unit}'; allowed: V, mV, uV, kV, or `unit` in the description"
        )
    return as_waveform(signal, table.data[:, at] * (channel.factor * VOLTS[unit]))


def as_waveform(signal: str, volts: Floats) -> Waveform:
    """Find the converter's step that samples were made with, shape (n,) [V], and give them back as whole numbers.

    Where they lie on no grid of 65 000 steps at most (computed samples do), a step of that part of their span is taken.
    """
    low, high = float(volts.min()), float(volts.max())
    if high == low:
        return Waveform(signal, np.zeros(volts.size, dtype=np.int16), 1.0, low)
    step_v = _step_v(volts, low, high)
    middle = round((high - low) / step_v / 2)
    counts = np.rint((volts - low) / step_v).astype(np.int32) - middle
    return Waveform(signal, counts.astype(np.int16), step_v, low + middle * step_v)


def _step_v(volts: Floats, low: float, high: float) -> float:
    levels = np.unique(volts)
    steps = np.diff(levels)
    # Levels that rounding in the file has split lie far closer together than any step.
    apart = steps[steps > (high - low) / MOST_CODES / 2]
    coarse = (high - low) / MOST_CODES
    if apart.size == 0:
        return coarse
    # Neighbours are few steps apart, so their number is certain where that of the whole span is not yet.
    near = apart[apart < 4 * apart.min()]
    step_v = float(near.sum() / np.rint(near / apart.min()).sum())
    codes = round((high - low) / step_v)
    if codes > MOST_CODES or codes < 1:
        return coarse
    step_v = (high - low) / codes
    off = np.abs((levels - low) / step_v - np.rint((levels - low) / step_v))
    return step_v if float(off.max()) < ON_GRID else coarse


def full_scale_of(description: Captures, file: str) -> tuple[float, float] | None:
    """Return the lowest and the highest voltage that the EMF's channel of a file can show, where it is stated."""
    of = next(f for f in description.files if f.file == file)
    channel = _channels(of, description)["emf"]
    half = None if channel.full_scale is None else channel.full_scale / 2
    return None if half is None else (-half, half)


def in_groups(taken: Taken) -> bool:
    """Whether a capture shows sensors, or the EMF alone, to be timed."""
    return taken.group in ("sensors", "none", BY_POSITION)


def _interval_s(table: Table, column: int | str, path: Path) -> float:
    at = _column(table, column, "time", path)
    unit = table.units[at] or "s"
    if unit not in SECONDS:
        raise BadInput(f"{path}: the column of times is in '{unit}'; allowed: s, ms, us, ns")
    times_s = table.data[:, at] * SECONDS[unit]
    interval_s = float(times_s[-1] - times_s[0]) / (times_s.size - 1)
    if not (math.isfinite(interval_s) and interval_s > 0):
        raise BadInput(f"{path}: the column of times does not rise; allowed: even steps from first to last")
    off = np.abs(times_s - times_s[0] - interval_s * np.arange(times_s.size)) / interval_s
    if float(off.max()) > TIMES_OFF:
        row = int(np.argmax(off > TIMES_OFF)) + 1
        raise BadInput(f"{path}, sample {row}: times are not evenly spaced; allowed: one interval from first to last")
    return interval_s
