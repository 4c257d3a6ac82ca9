"""A four-channel scope: settings read back, samples as exact blocks, volts only from what the instrument says."""

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from drivers import replies
from drivers.errors import BenchFault, Refused, ShortBlock
from drivers.instrument_port import InstrumentPort
from safety.clock import Clock

ROUNDING = 1e-6
WIDEST_STEP = 2.5
"""A scope may take the next wider of its ranges; in steps of 1, 2, 5 that is up to so much (common practice, no source)."""
OFFSET_PART = 0.01
"""Part of the range by which an offset may be rounded; samples are scaled by the offset read back."""

Counts = NDArray[np.int8] | NDArray[np.int16]


class Progress(Enum):
    """What the scope is doing: a time-out alone would not tell these apart."""

    NOT_ARMED = "not armed"
    WAITING = "waiting for its trigger"
    SWEEPING = "sweeping"
    DONE = "done"


@dataclass(frozen=True, slots=True)
class CaptureSettings:
    """What a capture is to be.

    Parameters
    ----------
    group
        The signal group connected to channels 2 to 4.
    signals
        Names of the signals on channels 1 to 4; the first is `emf`.
    winding_pair
        The pair connected to channel 1.
    interval_s
        Time from sample to sample [s].
    samples
        Samples per channel.
    ranges_v
        Full scale of each channel, peak to peak [V].
    offsets_v
        Middle of each channel's range [V].
    """

    group: str
    signals: tuple[str, ...]
    winding_pair: str | None
    interval_s: float
    samples: int
    ranges_v: tuple[float, ...]
    offsets_v: tuple[float, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Waveform:
    """One channel: counts of shape (samples,), volts = counts x scale_v + offset_v."""

    signal: str
    counts: Counts
    scale_v: float
    offset_v: float

    def volts(self) -> NDArray[np.float64]:
        """Return samples in volts, shape (samples,)."""
        return self.counts.astype(np.float64) * self.scale_v + self.offset_v


@dataclass(frozen=True, slots=True, eq=False)
class Capture:
    """Waveforms taken together."""

    settings: CaptureSettings
    interval_s: float
    waveforms: tuple[Waveform, ...]
    started_s: float


class Scope:
    """One scope."""

    def __init__(self, port: InstrumentPort, clock: Clock) -> None:
        if port.map.samples is None:
            raise BenchFault(port.link.resource, "command map", "says nothing of samples")
        self._port, self._clock, self._samples = port, clock, port.map.samples
        self._settings: CaptureSettings | None = None
        self._started_s: float | None = None
        self._done = False
        self._interval_s = 0.0
        self.meanwhile: Callable[[], None] = lambda: None
        """Called between two messages of a long dialogue, so that whoever watches the bench need not wait for its end."""

    def prepare(self, settings: CaptureSettings) -> None:
        """Set everything and read it back.

        Raises
        ------
        Refused
            Length, interval, format or byte order reads back differently, or range or offset further off than an
            instrument's own steps explain.
        """
        self._settings, self._started_s = None, None
        messages: list[tuple[str, dict[str, object]]] = [
            ("set_format", {}),
            ("set_byte_order", {}),
            ("set_trigger", {}),
        ]
        for channel, (range_v, offset_v) in enumerate(zip(settings.ranges_v, settings.offsets_v, strict=True), start=1):
            messages.append(("set_range", {"channel": channel, "value": range_v}))
            messages.append(("set_offset", {"channel": channel, "value": offset_v}))
        messages.append(("set_points", {"value": settings.samples}))
        messages.append(("set_interval", {"value": settings.interval_s}))
        self._port.send_all(messages)
        self.meanwhile()
        self._expect_text("read_format", self._samples.format_name)
        self._expect_text("read_byte_order", self._samples.order_name)
        self._expect("samples", self._port.integer("read_points"), settings.samples)
        self._interval_s = self._port.number("read_interval")
        self._expect("interval", self._interval_s, settings.interval_s)
        self.meanwhile()
        self._settings = self._as_set(settings)

    def arm(self) -> None:
        """Start a capture."""
        if self._settings is None:
            raise Refused(self._port.link.resource, "start", "nothing was prepared")
        self._done = False
        self._port.link.query("*ESR?")
        self._port.send("start")
        self._port.link.write("*OPC")
        self._started_s = self._clock.now_s()

    def progress(self) -> Progress:
        """Ask what the scope is doing."""
        if self._started_s is None:
            return Progress.NOT_ARMED
        if self._completed():
            return Progress.DONE
        condition = self._port.integer("read_condition")
        if condition >> self._samples.waiting_bit & 1:
            return Progress.WAITING
        if condition >> self._samples.sweeping_bit & 1:
            return Progress.SWEEPING
        # It ended between the two questions.
        return Progress.DONE if self._completed() else Progress.NOT_ARMED

    def fetch(self) -> Capture:
        """Read the samples of all channels.

        Raises
        ------
        ShortBlock
            A block's length is not samples x width.
        """
        if self._settings is None or self._started_s is None:
            raise Refused(self._port.link.resource, "read samples", "nothing was captured")
        settings = self._settings
        waveforms = tuple(
            self._waveform(settings, channel, name) for channel, name in enumerate(settings.signals, start=1)
        )
        return Capture(settings, self._interval_s, waveforms, self._started_s)

    def abort(self) -> None:
        """Stop a capture."""
        self._port.send("abort")
        self._started_s = None

    def _completed(self) -> bool:
        """Bit 0 of the event status register, which reading clears, says that the operation begun is complete."""
        if not self._done:
            self._done = bool(self._port.read(replies.as_integer, "*ESR?", self._port.link.query("*ESR?")) & 1)
        return self._done

    def _waveform(self, settings: CaptureSettings, channel: int, signal: str) -> Waveform:
        self.meanwhile()
        message = self._port.map["read_samples"].text(channel=channel)
        raw = self._port.link.query_block(message, terminator=self._samples.terminator)
        wanted = settings.samples * self._samples.width // 8
        if len(raw) != wanted:
            fault = ShortBlock(self._port.link.resource, message, f"{len(raw)} bytes; allowed: {wanted}")
            raise self._port.link.give_up(fault)
        place: dict[str, object] = {"channel": channel}
        asked = [name for name in ("read_scale", "read_offset", "read_reference") if name in self._port.map.messages]
        scale_v, offset_v, *reference = self._port.numbers_of([(name, place) for name in asked])
        # Unsigned counts are shifted by half their range, so that all are kept signed; the count that stands for the
        # offset shifts with them.
        shift = 0 if self._samples.signed else 1 << (self._samples.width - 1)
        reference_count = sum(reference) - shift
        return Waveform(signal, self._counts(raw), scale_v, offset_v - reference_count * scale_v)

    def _counts(self, raw: bytes) -> Counts:
        if self._samples.width == 8:
            return np.frombuffer(raw, np.int8) if self._samples.signed else _signed8(np.frombuffer(raw, np.uint8))
        end = ">" if self._samples.order == "big-endian" else "<"
        if self._samples.signed:
            return np.frombuffer(raw, f"{end}i2").astype(np.int16)
        return (np.frombuffer(raw, f"{end}u2").astype(np.int32) - (1 << 15)).astype(np.int16)

    def _as_set(self, settings: CaptureSettings) -> CaptureSettings:
        """Read ranges and offsets back and return the settings with what the instrument made of them."""
        channels = range(1, len(settings.ranges_v) + 1)
        ranges_v = self._port.numbers_of([("read_range", {"channel": channel}) for channel in channels])
        offsets_v = self._port.numbers_of([("read_offset", {"channel": channel}) for channel in channels])
        for channel, got_v, range_v in zip(channels, ranges_v, settings.ranges_v, strict=True):
            if not range_v * (1 - ROUNDING) <= got_v <= range_v * WIDEST_STEP:
                said = f"reads back {got_v:g}; allowed: {range_v:g} to {range_v * WIDEST_STEP:g}"
                raise Refused(self._port.link.resource, f"range of channel {channel}", said)
        for channel, got_v, offset_v, range_v in zip(channels, offsets_v, settings.offsets_v, ranges_v, strict=True):
            if abs(got_v - offset_v) > range_v * OFFSET_PART:
                said = f"reads back {got_v:g}; allowed: {offset_v:g}"
                raise Refused(self._port.link.resource, f"offset of channel {channel}", said)
        return replace(settings, ranges_v=tuple(ranges_v), offsets_v=tuple(offsets_v))

    def _expect(self, what: str, got: float, wanted: float) -> None:
        if not math.isclose(got, wanted, rel_tol=ROUNDING):
            raise Refused(self._port.link.resource, what, f"reads back {got:g}; allowed: {wanted:g}")

    def _expect_text(self, name: str, wanted: str) -> None:
        got = self._port.text(name).replace(" ", "").upper()
        if got != wanted.upper():
            raise Refused(self._port.link.resource, self._port.map[name].header, f"answers '{got}'; allowed: {wanted}")


def _signed8(counts: NDArray[np.uint8]) -> NDArray[np.int8]:
    return (counts.astype(np.int16) - (1 << 7)).astype(np.int8)
