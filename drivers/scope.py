"""A four-channel scope: settings read back, samples as exact blocks, volts only from what the instrument says."""

import math
from dataclasses import dataclass
from enum import Enum

import numpy as np
from numpy.typing import NDArray

from drivers.errors import BenchFault, Refused, ShortBlock
from drivers.instrument_port import InstrumentPort
from safety.clock import Clock

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

    def prepare(self, settings: CaptureSettings) -> None:
        """Set everything and read it back.

        Raises
        ------
        Refused
            Range, offset, length, interval, format or byte order reads back differently.
        """
        self._settings, self._started_s = None, None
        messages: list[tuple[str, dict[str, object]]] = [
            ("set_format", {}),
            ("set_byte_order", {}),
            ("set_trigger", {}),
        ]
        for channel, (range_v, offset_v) in enumerate(zip(settings.ranges_v, settings.offsets_v, strict=True), start=1):
            messages.append(("set_range", {"channel": channel, "value": f"{range_v:.9g}"}))
            messages.append(("set_offset", {"channel": channel, "value": f"{offset_v:.9g}"}))
        messages.append(("set_points", {"value": settings.samples}))
        messages.append(("set_interval", {"value": f"{settings.interval_s:.9g}"}))
        self._port.send_all(messages)
        self._expect_text("read_format", self._samples.format_name)
        self._expect_text("read_byte_order", self._samples.order_name)
        self._expect("samples", self._port.number("read_points"), settings.samples)
        self._interval_s = self._port.number("read_interval")
        self._expect("interval", self._interval_s, settings.interval_s)
        self._expect_ranges(settings)
        self._settings = settings

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
        condition = int(self._port.number("read_condition"))
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
        waveforms = tuple(self._waveform(channel, name) for channel, name in enumerate(settings.signals, start=1))
        return Capture(settings, self._interval_s, waveforms, self._started_s)

    def abort(self) -> None:
        """Stop a capture."""
        self._port.send("abort")
        self._started_s = None

    def _completed(self) -> bool:
        """Bit 0 of the event status register, which reading clears, says that the operation begun is complete."""
        self._done = self._done or bool(int(self._port.as_number("*ESR?", self._port.link.query("*ESR?"))) & 1)
        return self._done

    def _waveform(self, channel: int, signal: str) -> Waveform:
        message = self._port.map["read_samples"].text(channel=channel)
        raw = self._port.link.query_block(message, terminator=self._samples.terminator)
        settings = self._settings
        wanted = 0 if settings is None else settings.samples * self._samples.width // 8
        if len(raw) != wanted:
            self._port.link.close()
            raise ShortBlock(self._port.link.resource, message, f"{len(raw)} bytes; allowed: {wanted}")
        scale, offset = self._port.replies(
            [("read_scale", {"channel": channel}), ("read_offset", {"channel": channel})]
        )
        scale_v, offset_v = self._port.as_number(*scale), self._port.as_number(*offset)
        return Waveform(signal, self._counts(raw), scale_v, offset_v)

    def _counts(self, raw: bytes) -> Counts:
        if self._samples.width == 8:
            return np.frombuffer(raw, np.int8)
        order = ">i2" if self._samples.order == "big-endian" else "<i2"
        return np.frombuffer(raw, order).astype(np.int16)

    def _expect_ranges(self, settings: CaptureSettings) -> None:
        channels = range(1, len(settings.ranges_v) + 1)
        for what, wanted in (("range", settings.ranges_v), ("offset", settings.offsets_v)):
            replies = self._port.replies([(f"read_{what}", {"channel": channel}) for channel in channels])
            for channel, (message, reply), value_v in zip(channels, replies, wanted, strict=True):
                self._expect(f"{what} of channel {channel}", self._port.as_number(message, reply), value_v)

    def _expect(self, what: str, got: float, wanted: float) -> None:
        if not math.isclose(got, wanted, rel_tol=1e-6, abs_tol=1e-12):
            raise Refused(self._port.link.resource, what, f"reads back {got:g}; allowed: {wanted:g}")

    def _expect_text(self, name: str, wanted: str) -> None:
        got = self._port.text(name).replace(" ", "").upper()
        if got != wanted.upper():
            raise Refused(self._port.link.resource, self._port.map[name].header, f"answers '{got}'; allowed: {wanted}")
