"""The simulated four-channel scope: 8-bit converter with range, offset, clipping, gain error and noise."""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drivers.simulated.instrument import Instrument
from drivers.simulated.scpi_grammar import Call, Command, ScpiError, block, number
from drivers.simulated.sweep import Sweep
from drivers.simulated.world import World

CHANNELS = 4
STEPS = 256
MOST_POINTS = 4_000_000
SWEEPING, WAITING = 8, 32
NOISE_STEPS, NOISE_FLOOR_V = 0.4, 0.001
GAIN_ERROR, OFFSET_ERROR_STEPS = 0.002, 0.4
NOISE_POOL = 1 << 19


@dataclass(slots=True)
class _Channel:
    range_v: float = 10.0
    offset_v: float = 0.0
    gain: float = 1.0
    zero_steps: float = 0.0

    @property
    def step_v(self) -> float:
        """Volts per count of the converter."""
        return self.range_v / STEPS


@dataclass(frozen=True, slots=True)
class _Taken:
    """The settings of the channels when a sweep started."""

    sweep: Sweep
    channels: tuple[tuple[float, float], ...]


class Scope:
    """Settings and memory of the scope."""

    def __init__(self, world: World) -> None:
        self.world = world
        rng = np.random.default_rng(int(world.rng.integers(1 << 62)))
        self._noise: NDArray[np.float32] = rng.standard_normal(NOISE_POOL, dtype=np.float32)
        self.errors = [
            (1 + float(rng.normal(0, GAIN_ERROR)), float(rng.normal(0, OFFSET_ERROR_STEPS))) for _ in range(4)
        ]
        self._taken: _Taken | None = None
        self.reset()

    def reset(self) -> None:
        """Go to the state after power on."""
        self.channels = [_Channel(gain=gain, zero_steps=zero) for gain, zero in self.errors]
        self.points, self.interval_s = 1000, 1e-5
        self.wide = False
        self.swapped = False
        self.world.abort_sweep()

    def start(self, _: Call) -> None:
        """Start a sweep (INITiate)."""
        if self.world.sweeping:
            raise ScpiError(-211, "a sweep is running")
        self.world.start_sweep(self.points, self.interval_s)
        if self.world.sweep is not None:
            self._taken = _Taken(self.world.sweep, tuple((c.range_v, c.offset_v) for c in self.channels))

    def abort(self, _: Call) -> None:
        """Stop a sweep; its samples are lost."""
        if self.world.sweeping:
            self._taken = None
        self.world.abort_sweep()

    def condition(self) -> int:
        """Return the operation condition register."""
        return SWEEPING if self.world.sweeping else 0

    def settle(self) -> None:
        """Wait until no sweep is running."""
        self.world.lock.wait_for(lambda: not self.world.sweeping)

    def data(self, call: Call) -> bytes:
        """Return one channel of the last sweep as a block (TRACe:DATA?)."""
        name = call.parameters[0].upper()
        if name not in ("CH1", "CH2", "CH3", "CH4"):
            raise ScpiError(-224, call.parameters[0][:20])
        if self._taken is None or self.world.sweeping:
            raise ScpiError(-230, "no finished sweep")
        counts = self.counts(self._taken, int(name[2]))
        if not self.wide:
            return block(counts.astype(np.int8).tobytes())
        # Eight bits on the left of sixteen; the topmost code stands for everything above it.
        padded = np.where(counts >= STEPS // 2 - 1, 32767, counts * 256).astype("<i2" if self.swapped else ">i2")
        return block(padded.tobytes())

    def counts(self, taken: _Taken, channel: int) -> NDArray[np.int16]:
        """Convert one channel of a sweep, shape (samples,)."""
        range_v, offset_v = taken.channels[channel - 1]
        gain, zero_steps = self.errors[channel - 1]
        step_v = range_v / STEPS
        volts = taken.sweep.volts(channel)
        noise = self._noise_of(volts.size, taken.sweep.rng)
        steps = volts * np.float32(gain / step_v)
        steps += noise * np.float32(math.hypot(NOISE_STEPS, NOISE_FLOOR_V / step_v))
        steps += np.float32(zero_steps - offset_v / step_v)
        np.rint(steps, out=steps)
        np.clip(steps, -(STEPS // 2), STEPS // 2 - 1, out=steps)
        return steps.astype(np.int16)

    def _noise_of(self, size: int, rng: np.random.Generator) -> NDArray[np.float32]:
        start = int(rng.integers(NOISE_POOL))
        if start + size <= NOISE_POOL:
            return self._noise[start : start + size]
        return np.resize(np.roll(self._noise, -start), size)

    def scale(self, call: Call) -> str:
        """Return volts per count as sent (SENSe#:VOLTage:SCALe?)."""
        if "scope reads no number" in self.world.faults:
            self.world.note_spoiled("scope reads no number")
            return "9.91E37"
        step_v = self.channel(call).step_v
        return repr(step_v / 256 if self.wide else step_v)

    def channel(self, call: Call) -> _Channel:
        """Return the channel that a header's suffix names."""
        index = call.suffixes[0]
        if not 1 <= index <= CHANNELS:
            raise ScpiError(-113, f"channel {index}")
        return self.channels[index - 1]

    def idle(self) -> None:
        """Refuse a change of settings while a sweep is running."""
        if self.world.sweeping:
            raise ScpiError(-221, "a sweep is running")

    def set_range(self, call: Call) -> None:
        """Set the full scale of a channel, peak to peak [V]."""
        self.idle()
        self.channel(call).range_v = number(call.parameters[0], "V", 1e-3, 2000)

    def set_offset(self, call: Call) -> None:
        """Set the voltage in the middle of a channel's range [V]."""
        self.idle()
        self.channel(call).offset_v = number(call.parameters[0], "V", -2000, 2000)

    def set_points(self, call: Call) -> None:
        """Set the number of samples of a sweep."""
        self.idle()
        self.points = int(number(call.parameters[0], "", 2, MOST_POINTS))

    def set_interval(self, call: Call) -> None:
        """Set the time between samples [s]."""
        self.idle()
        self.interval_s = number(call.parameters[0], "S", 1e-8, 1.0)

    def set_source(self, call: Call) -> None:
        """Accept the only trigger source there is."""
        if call.parameters[0].upper() not in ("IMM", "IMMEDIATE"):
            raise ScpiError(-224, call.parameters[0][:20])

    def set_format(self, call: Call) -> None:
        """Choose 8 or 16 bits a sample."""
        kind = ",".join(call.parameters).upper().replace("INTEGER", "INT")
        if kind not in ("INT,8", "INT,16"):
            raise ScpiError(-224, kind[:20])
        self.wide = kind == "INT,16"

    def set_order(self, call: Call) -> None:
        """Choose the order of bytes in 16-bit samples."""
        orders = {"NORM": False, "NORMAL": False, "SWAP": True, "SWAPPED": True}
        if call.parameters[0].upper() not in orders:
            raise ScpiError(-224, call.parameters[0][:20])
        self.swapped = orders[call.parameters[0].upper()]


def scope_instrument(world: World, identity: str) -> Instrument:
    """Build the scope's instrument."""
    scope = Scope(world)
    return Instrument(
        identity,
        [
            Command("SENSe#:VOLTage[:DC]:RANGe[:UPPer]", scope.set_range, 1, 1),
            Command("SENSe#:VOLTage[:DC]:RANGe[:UPPer]?", lambda call: repr(scope.channel(call).range_v)),
            Command("SENSe#:VOLTage[:DC]:OFFSet", scope.set_offset, 1, 1),
            Command("SENSe#:VOLTage[:DC]:OFFSet?", lambda call: repr(scope.channel(call).offset_v)),
            Command("SENSe#:VOLTage[:DC]:SCALe?", scope.scale),
            Command("SENSe#:SWEep:POINts", scope.set_points, 1, 1),
            Command("SENSe#:SWEep:POINts?", lambda _: str(scope.points)),
            Command("SENSe#:SWEep:TINTerval", scope.set_interval, 1, 1),
            Command("SENSe#:SWEep:TINTerval?", lambda _: repr(scope.interval_s)),
            Command("TRIGger[:SEQuence]:SOURce", scope.set_source, 1, 1),
            Command("TRIGger[:SEQuence]:SOURce?", lambda _: "IMM"),
            Command("FORMat[:DATA]", scope.set_format, 1, 2),
            Command("FORMat[:DATA]?", lambda _: "INT,16" if scope.wide else "INT,8"),
            Command("FORMat:BORDer", scope.set_order, 1, 1),
            Command("FORMat:BORDer?", lambda _: "SWAP" if scope.swapped else "NORM"),
            Command("INITiate[:IMMediate]", scope.start),
            Command("ABORt", scope.abort),
            Command("TRACe[:DATA]?", scope.data, 1, 1),
        ],
        reset=scope.reset,
        settle=scope.settle,
        busy=lambda: world.sweeping,
        condition=scope.condition,
    )
