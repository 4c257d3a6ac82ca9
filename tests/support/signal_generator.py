"""Captures of a turning motor with exactly known timing: the draw that the accuracy figures stand on.

Nothing here comes from the estimators or from the simulated bench. The shaft obeys

    d theta_m / dt = s w0 (1 + drift(t)) (1 + sum eps_m cos(m theta_m + g_m)),

which separates, so that every position has an exact time. The EMF of a winding pair is speed times a shape that depends
on position alone; a sensor switches at stated positions of each pole. Angles are electrical degrees, clockwise positive.
Ripple is stated at 300 rpm and falls with the square of speed, as cogging of a free-running mass does.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEVELS = ("clean", "harm", "asym", "ripple", "sync", "dirty", "full", "slot")
PAIRS = ("U-V", "V-W", "W-U")
SENSORS = ("H1", "H2", "H3")
PAIR_ZERO = {"U-V": -30.0, "V-W": 90.0, "W-U": 210.0}
OWN_PAIR = dict(zip(SENSORS, PAIRS, strict=True))
RIPPLE_RPM = 300.0
GRID = 1 << 14
"""Points a turn of the tables of position and time; linear interpolation is then good to 1e-5 deg."""


def wrapped(angle: float) -> float:
    """Angle in [-180, 180) [deg]."""
    return (angle + 180.0) % 360.0 - 180.0


@dataclass(frozen=True)
class Shape:
    """EMF per speed over position: harmonics as {order: (share of the fundamental, psi [deg])}; `pole_share` modulates
    the amplitude once a turn; `shift_deg` and `gain` by pair stand for unbalanced windings."""

    harmonics: Mapping[int, tuple[float, float]] = field(default_factory=dict)
    pole_share: float = 0.0
    shift_deg: Mapping[str, float] = field(default_factory=dict)
    gain: Mapping[str, float] = field(default_factory=dict)

    def wave(self, pair: str, theta_deg: Floats) -> Floats:
        phi = np.radians(theta_deg - PAIR_ZERO[pair] - self.shift_deg.get(pair, 0.0))
        total = np.sin(phi)
        for order, (share, psi) in self.harmonics.items():
            total = total + share * np.sin(order * phi + np.radians(psi))
        return self.gain.get(pair, 1.0) * total

    def zero_waveform(self, pair: str) -> float:
        """Mean of the rising and the falling zero [deg]; the modulation by poles scales and moves neither."""
        start = PAIR_ZERO[pair] + self.shift_deg.get(pair, 0.0)
        roots = []
        for guess in (start, start + 180.0):
            grid = guess + np.linspace(-25, 25, 20001)
            wave = self.wave(pair, grid)
            at = np.flatnonzero((wave[1:] > 0) != (wave[:-1] > 0))
            nearest = at[np.argmin(np.abs(grid[at] - guess))]
            roots.append(grid[nearest] + (grid[1] - grid[0]) * wave[nearest] / (wave[nearest] - wave[nearest + 1]))
        return float((roots[0] + roots[1] - 180.0) / 2)

    def zero_fundamental(self, pair: str, pole_pairs: int) -> float:
        """Zero of the order-P Fourier component over one mechanical turn [deg]."""
        turn = np.arange(4096 * pole_pairs) * 360.0 / 4096
        modulated = self.wave(pair, turn) * (1 + self.pole_share * np.cos(np.radians(turn) / pole_pairs))
        component = np.sum(modulated * np.exp(-1j * np.radians(turn)))
        return float(-np.degrees(np.angle(1j * component)))


@dataclass(frozen=True)
class Sensor:
    """A sensor: nominal rise position, error of each pole's (rise, fall), shape (P, 2) [deg], hysteresis [deg], delay [s],
    time constants of rise and fall [s]."""

    rise_deg: float
    errors_deg: Floats
    hysteresis_deg: float = 0.0
    delay_s: float = 0.0
    rise_s: float = 0.0
    fall_s: float = 0.0

    @property
    def place_deg(self) -> float:
        """Mean of all edges, falling ones less 180 [deg]."""
        return self.rise_deg + float(self.errors_deg.mean())

    @property
    def delays_s(self) -> float:
        """Mean delay of both edges at half height [s]."""
        return self.delay_s + 0.5 * np.log(2) * (self.rise_s + self.fall_s)


@dataclass(frozen=True)
class FrontEnd:
    """What the scope and the wires add; amounts in steps of the converter unless named otherwise."""

    bits: int = 8
    fill: float = 0.75
    noise: float = 0.5
    offset: float = 0.0
    bend: float = 0.0
    mains: float = 0.0
    mains_hz: float = 50.0
    spikes: int = 0
    chatter: float = 0.0
    glitches: int = 0
    jitter_s: float = 0.0
    ringing: float = 0.0
    skew_s: float = 0.0
    logic_noise_v: float = 0.02


@dataclass(frozen=True)
class Motion:
    """Mean speed and how it varies: ripple as (mechanical order, share at 300 rpm, phase [rad]), drift as share."""

    direction: int
    rpm: float
    ripple: tuple[tuple[int, float, float], ...] = ()
    drift: float = 0.0
    start_rad: float = 0.0


@dataclass(frozen=True)
class Truth:
    """True y of one sensor against the captured pair by both definitions, and its duty [percent]."""

    waveform: float
    fundamental: float
    duty: float


@dataclass(frozen=True)
class Record:
    """One capture with its truth."""

    emf_v: Floats
    sensors_v: Mapping[str, Floats]
    interval_s: float
    direction: int
    pole_pairs: int
    pair: str
    full_scale_v: tuple[float, float]
    mains_hz: float
    truth: Mapping[str, Truth]
    offset_waveform: Mapping[str, float]
    offset_fundamental: Mapping[str, float]
    hysteresis: Mapping[str, float]
    delay_s: Mapping[str, float]
    f_e_hz: float
    true_chi: Callable[[Floats], Floats]
    amplitude_steps: float
    noise_steps: float
    encoder_v: Mapping[str, Floats] = field(default_factory=dict)
    encoder_lines: int = 0

    @property
    def own(self) -> str:
        """The sensor that belongs to the captured pair."""
        return next(s for s, p in OWN_PAIR.items() if p == self.pair)

    @property
    def emf_bound_deg(self) -> float:
        """Cramer-Rao bound of the EMF's phase at the record's centre: sqrt(2 / n) sigma / A (Handel 2000)."""
        sigma = np.hypot(self.noise_steps, 1 / np.sqrt(12))
        return float(np.degrees(np.sqrt(2 / self.emf_v.size) * sigma / self.amplitude_steps))

    @property
    def offset_bound_deg(self) -> float:
        """The same with the grid of fast edges: 2 edges a cycle, each interval / sqrt(12)."""
        edges = 2 * self.f_e_hz * self.emf_v.size * self.interval_s
        edge = 360 * self.f_e_hz * self.interval_s / np.sqrt(12) / np.sqrt(edges)
        return float(np.hypot(self.emf_bound_deg, edge))


class Turning:
    """Exact relation of time and position u = s theta_m [rad], which always grows."""

    def __init__(self, motion: Motion, duration_s: float) -> None:
        self._w = 2 * np.pi * motion.rpm / 60
        self._drift, self._duration = motion.drift, duration_s
        u = np.arange(GRID + 1) * 2 * np.pi / GRID
        speed = np.ones_like(u)
        for order, share, phase in motion.ripple:
            scale = (RIPPLE_RPM / motion.rpm) ** 2
            speed += share * scale * np.cos(order * motion.direction * u + phase)
        pace = 1 / speed
        # The integral of a periodic function over a uniform grid is exact by its Fourier series.
        series = np.fft.rfft(pace[:-1])
        orders = np.arange(series.size)
        series[1:] = series[1:] / (1j * orders[1:])
        mean, series[0] = series[0].real / GRID, 0.0
        periodic = np.fft.irfft(series, GRID)
        self._u, self._pace = u, mean
        self._table = mean * u + np.append(periodic, periodic[0]) - periodic[0]
        self._start = float(self._reading(np.array([motion.start_rad]))[0])

    def _reading(self, u: Floats) -> Floats:
        turns = np.floor(u / (2 * np.pi))
        return turns * self._table[-1] + np.interp(u - turns * 2 * np.pi, self._u, self._table)

    def _run(self, t: Floats) -> Floats:
        """Integral of 1 + drift: a slope and a bow over the record."""
        part = t / self._duration
        return t + self._drift * self._duration * (part**2 / 2 - part / 2 + (part**3 / 3 - part / 3) * 0.5)

    def position(self, t_s: Floats) -> Floats:
        reading = self._start + self._w * self._pace * self._run(t_s)
        turns = np.floor(reading / self._table[-1])
        return turns * 2 * np.pi + np.interp(reading - turns * self._table[-1], self._table, self._u)

    def time(self, u: Floats) -> Floats:
        run = (self._reading(u) - self._start) / (self._w * self._pace)
        t = run.copy()
        for _ in range(8):
            part = t / self._duration
            pace = 1 + self._drift * (part - 0.5 + (part**2 - 1 / 3) * 0.5)
            t = t - (self._run(t) - run) / pace
        return t

    def speed(self, t_s: Floats, u: Floats) -> Floats:
        """Speed over its mean, from the table's slope."""
        part = t_s / self._duration
        drift = 1 + self._drift * (part - 0.5 + (part**2 - 1 / 3) * 0.5)
        slope = np.gradient(self._table, self._u, edge_order=2)
        return drift * self._pace / np.interp(u % (2 * np.pi), self._u, slope)


def make_record(
    rng: np.random.Generator,
    *,
    pole_pairs: int,
    motion: Motion,
    shape: Shape,
    sensors: Mapping[str, Sensor],
    pair: str,
    front: FrontEnd,
    interval_s: float,
    samples: int,
    emf_delay_s: float = 0.0,
    encoder_lines: int = 0,
) -> Record:
    """Sample one capture."""
    duration = samples * interval_s
    turning = Turning(motion, duration)
    t = np.arange(samples) * interval_s
    s, p = motion.direction, pole_pairs

    u = turning.position(t - emf_delay_s)
    theta = s * p * np.degrees(u)
    wave = shape.wave(pair, theta) * (1 + shape.pole_share * np.cos(np.radians(theta) / p))
    emf = s * wave * turning.speed(t - emf_delay_s, u)
    emf_v, full_scale = _digitised(rng, emf, t, front)

    f_e = float(abs(u[-1] - u[0]) * p / (2 * np.pi * (t[-1] - t[0])))
    sensors_v = {}
    for name, sensor in sensors.items():
        times, high_first, levels = _edge_times(rng, turning, sensor, s, p, u[0], u[-1], front)
        sensors_v[name] = _logic(rng, times, levels, high_first, sensor, t, front)

    b_wave, b_fund = shape.zero_waveform(pair), shape.zero_fundamental(pair, p)
    truth, hysteresis, delays = {}, {}, {}
    for name, sensor in sensors.items():
        delay = sensor.delays_s - emf_delay_s
        moved = sensor.place_deg + s * (sensor.hysteresis_deg + 360 * f_e * delay)
        # Going clockwise high lasts from the rise to the fall position, the other way from the fall to the rise.
        rise, fall = sensor.errors_deg[:, 0].mean(), sensor.errors_deg[:, 1].mean()
        skewed = 360 * f_e * np.log(2) * (sensor.fall_s - sensor.rise_s)
        duty = 50 + (fall - rise + skewed) / 3.6
        truth[name] = Truth(wrapped(moved - b_wave), wrapped(moved - b_fund), float(duty))
        hysteresis[name], delays[name] = sensor.hysteresis_deg, delay

    def true_chi(times_s: Floats) -> Floats:
        """Phase of the EMF by its fundamental at times, growing [deg]."""
        return p * np.degrees(turning.position(times_s - emf_delay_s)) - s * b_fund

    encoder = _encoder(turning, t, s, encoder_lines, rng) if encoder_lines else {}
    return Record(
        emf_v,
        sensors_v,
        interval_s,
        s,
        p,
        pair,
        full_scale,
        front.mains_hz,
        truth,
        {n: wrapped(x.place_deg - shape.zero_waveform(OWN_PAIR[n])) for n, x in sensors.items()},
        {n: wrapped(x.place_deg - shape.zero_fundamental(OWN_PAIR[n], p)) for n, x in sensors.items()},
        hysteresis,
        delays,
        f_e,
        true_chi,
        2 ** (front.bits - 1) / -full_scale[0],
        front.noise,
        encoder,
        encoder_lines,
    )


def _digitised(rng: np.random.Generator, emf: Floats, t: Floats, front: FrontEnd) -> tuple[Floats, tuple[float, float]]:
    half = 2 ** (front.bits - 1)
    # Fill is that of the highest peak, which ripple, drift and harmonics raise over the fundamental's.
    step = max(1.0, float(np.abs(emf).max())) / (front.fill * half)
    steps = emf / step
    steps = steps + front.bend * np.sin(np.pi * steps / half) + front.offset
    steps = steps + front.mains * np.sin(2 * np.pi * front.mains_hz * t + rng.uniform(0, 2 * np.pi))
    steps = steps + front.noise * rng.standard_normal(t.size)
    for at in rng.integers(0, t.size - 4, front.spikes):
        steps[at : at + rng.integers(1, 3)] += rng.choice([-1, 1]) * rng.uniform(0.1, 0.6) * half
    counts = np.clip(np.rint(steps), -half, half - 1)
    return counts * step, (-half * step, (half - 1) * step)


def _edge_times(
    rng: np.random.Generator,
    turning: Turning,
    sensor: Sensor,
    s: int,
    p: int,
    first: float,
    last: float,
    front: FrontEnd,
) -> tuple[Floats, bool, NDArray[np.bool_]]:
    """Times of the logic changes, the level before the first, and the level after each."""
    edges: list[tuple[float, bool]] = []
    turns = range(int(first / (2 * np.pi)) - 2, int(last / (2 * np.pi)) + 3)
    for turn in turns:
        for pole in range(p):
            for kind in (0, 1):
                place = sensor.rise_deg + 180.0 * kind + sensor.errors_deg[pole, kind] + s * sensor.hysteresis_deg
                theta_m = np.radians(place / p) + 2 * np.pi * pole / p
                # Position runs backwards going counter-clockwise: the turn number too, or none would be met.
                u = s * theta_m + 2 * np.pi * turn
                edges.append((u, (kind == 0) == (s > 0)))
    edges.sort()
    times = turning.time(np.array([u for u, _ in edges])) + sensor.delay_s + front.skew_s
    times = times + front.jitter_s * rng.standard_normal(times.size)
    levels = np.array([high for _, high in edges])
    return times, not bool(levels[0]), levels


def _logic(
    rng: np.random.Generator,
    times: Floats,
    levels: NDArray[np.bool_],
    high_first: bool,
    sensor: Sensor,
    t: Floats,
    front: FrontEnd,
) -> Floats:
    low_v, high_v = 0.15, 4.85
    times, levels = _with_chatter(rng, times, levels, front)
    volts = np.empty(t.size)
    at = np.searchsorted(times, t, side="right") - 1
    level = np.where(at >= 0, levels[np.maximum(at, 0)], high_first)
    since = t - np.where(at >= 0, times[np.maximum(at, 0)], t[0] - 1.0)
    goal = np.where(level, high_v, low_v)
    tau = np.where(level, sensor.rise_s, sensor.fall_s)
    with np.errstate(divide="ignore", over="ignore", under="ignore"):
        away = np.where(tau > 0, np.exp(-since / np.maximum(tau, 1e-12)), 0.0)
        volts = goal + np.where(level, low_v - high_v, high_v - low_v) * away
        if front.ringing:
            volts += front.ringing * np.exp(-since / 8e-6) * np.sin(2 * np.pi * since / 9e-6) * np.where(level, 1, -1)
    for begin in rng.integers(0, t.size - 8, front.glitches):
        end = begin + rng.integers(1, 3)
        volts[begin:end] = np.where(level[begin:end], low_v, high_v)
    volts += front.logic_noise_v * rng.standard_normal(t.size)
    step = 8.0 / 256
    return np.clip(np.rint(volts / step), -32, 223) * step


def _with_chatter(
    rng: np.random.Generator, times: Floats, levels: NDArray[np.bool_], front: FrontEnd
) -> tuple[Floats, NDArray[np.bool_]]:
    """Bounce after some edges: back and forth once or twice within some tens of microseconds."""
    if not front.chatter:
        return times, levels
    events = list(zip(times.tolist(), levels.tolist(), strict=True))
    for at, high in list(events):
        if rng.random() < front.chatter:
            moments = at + np.cumsum(rng.uniform(10e-6, 40e-6, 2 * int(rng.integers(1, 3))))
            events += [(float(m), high if k % 2 else not high) for k, m in enumerate(moments)]
    events.sort()
    return np.array([e[0] for e in events]), np.array([e[1] for e in events])


def _encoder(turning: Turning, t: Floats, s: int, lines: int, rng: np.random.Generator) -> dict[str, Floats]:
    """A leading B going clockwise, and an index one count wide at position 1 rad."""
    lines_at = s * turning.position(t) / (2 * np.pi) * lines
    noise = 0.02
    a = (lines_at % 1.0) < 0.5
    b = ((lines_at - 0.25) % 1.0) < 0.5
    index = np.abs((lines_at / lines - 1 / (2 * np.pi) + 0.5) % 1.0 - 0.5) < 0.5 / lines
    return {
        name: np.where(level, 4.8, 0.2) + noise * rng.standard_normal(t.size)
        for name, level in (("A", a), ("B", b), ("Z", index))
    }


def ideal_sensors(pole_pairs: int, offset_deg: float = 0.0, **rest: float) -> dict[str, Sensor]:
    """Three perfect sensors, all of them `offset_deg` further clockwise than their pair's nominal zero."""
    return {name: Sensor(PAIR_ZERO[OWN_PAIR[name]] + offset_deg, np.zeros((pole_pairs, 2)), **rest) for name in SENSORS}


@dataclass(frozen=True)
class Setting:
    """How a record of a level is taken; None is drawn."""

    pole_pairs: int = 4
    rpm: float | None = None
    direction: int | None = None
    offset_deg: float = 10.0
    interval_s: float = 1e-5
    cycles: float = 20.0
    bits: int = 8
    fill: float = 0.75
    mains_hz: float | None = None
    encoder_lines: int = 0
    ripple_at_speed: bool = False
    """State the ripple at the record's own speed instead of 300 rpm."""
    steady: bool = False
    """No drift at all: a line of one frequency, as a bound or a sine fit supposes it."""


def draw(level: str, seed: int, setting: Setting | None = None) -> Record:
    """Draw one record of a level."""
    how = setting or Setting()
    rng = np.random.default_rng([LEVELS.index(level), seed])
    p = how.pole_pairs
    mains_hz = how.mains_hz or float(rng.choice([50.0, 60.0]))
    rpm = how.rpm or _quiet_speed(rng, p, how.cycles, (270.0, 330.0), mains_hz)
    motion = _motion(rng, level, p, rpm, how)
    samples = round(how.cycles / (rpm / 60 * p) / how.interval_s)
    front = _front(rng, level, mains_hz, how)
    return make_record(
        rng,
        pole_pairs=p,
        motion=motion,
        shape=_shape(rng, level),
        sensors=_sensors(rng, level, p, how.offset_deg),
        pair=str(rng.choice(PAIRS)),
        front=front,
        interval_s=how.interval_s,
        samples=samples,
        encoder_lines=how.encoder_lines,
    )


def draw_station(
    level: str, seed: int, setting: Setting | None = None, speeds: tuple[float, float] = (200.0, 600.0)
) -> list[Record]:
    """Draw the 12 captures of one motor: three pairs, two directions, two speeds; the motor stays, noise and phases change."""
    how = setting or Setting()
    rng = np.random.default_rng([1000 + LEVELS.index(level), seed])
    p = how.pole_pairs
    mains_hz = how.mains_hz or float(rng.choice([50.0, 60.0]))
    shape, sensors = _shape(rng, level), _sensors(rng, level, p, how.offset_deg)
    base = _motion(rng, level, p, RIPPLE_RPM, how)
    records = []
    for speed in speeds:
        rpm = _quiet_speed(rng, p, how.cycles, (0.98 * speed, 1.02 * speed), mains_hz)
        for direction in (1, -1):
            for pair in PAIRS:
                motion = replace(base, rpm=rpm, direction=direction, start_rad=float(rng.uniform(0, 2 * np.pi)))
                samples = round(how.cycles / (rpm / 60 * p) / how.interval_s)
                records.append(
                    make_record(
                        rng,
                        pole_pairs=p,
                        motion=motion,
                        shape=shape,
                        sensors=sensors,
                        pair=pair,
                        front=_front(rng, level, mains_hz, how),
                        interval_s=how.interval_s,
                        samples=samples,
                        encoder_lines=how.encoder_lines,
                    )
                )
    return records


def draw_anywhere(seed: int) -> tuple[str, Record]:
    """Draw a record from the whole stated domain: any level, 1 to 8 pole pairs, 100 to 900 rpm, 6 to 60 cycles and a turn
    at least, 20 to 100 kSa/s, 8 or 12 bits, 15 to 90 % fill by the highest peak, offsets to 30 deg."""
    rng = np.random.default_rng([77, seed])
    level = str(rng.choice(LEVELS))
    p = int(rng.integers(1, 9))
    cycles = float(rng.uniform(max(6.0, p + 1.5), 60.0))
    mains_hz = float(rng.choice([50.0, 60.0]))
    rpm = _quiet_speed(rng, p, cycles, (100.0, 900.0), mains_hz)
    f_e = rpm / 60 * p
    interval_s = 1 / float(rng.choice([20e3, 25e3, 40e3, 50e3, 100e3]))
    # A scope's memory ends at some hundred thousand samples; slow and long records then take a coarser interval.
    interval_s = max(interval_s, cycles / f_e / 250e3)
    setting = Setting(
        pole_pairs=p,
        rpm=rpm,
        offset_deg=float(rng.choice([1.0, 3.0, 10.0, 30.0])),
        interval_s=interval_s,
        cycles=cycles,
        bits=int(rng.choice([8, 8, 8, 12])),
        fill=float(rng.uniform(0.15, 0.9)),
        mains_hz=mains_hz,
        ripple_at_speed=True,
    )
    return level, draw(level, seed + 1_000_000, setting)


def _quiet_speed(rng: np.random.Generator, p: int, cycles: float, span: tuple[float, float], mains_hz: float) -> float:
    """Speed whose first seven harmonics keep away from the mains line, by 1.6 bins (drift takes some of the 1.5)."""
    for _ in range(1000):
        rpm = float(rng.uniform(*span))
        f_e = rpm / 60 * p
        bins = 1.6 + 0.02 * cycles
        if all(abs(mains_hz - k * f_e) >= bins * f_e / cycles for k in range(1, 8)):
            return rpm
    raise AssertionError("no speed in the span keeps the mains rule")


def _motion(rng: np.random.Generator, level: str, p: int, rpm: float, how: Setting) -> Motion:
    direction = how.direction or int(rng.choice([-1, 1]))
    ripple: list[tuple[int, float, float]] = []
    if level in ("ripple", "full", "slot"):
        orders = [m for m in range(1, 3 * p + 2) if m % p] or [1, 2, 3, 4, 5]
        # One pole pair has no order that is not locked to it: then they are as weak as the locked ones.
        strongest = 0.03 if p > 1 else 0.01
        ripple += [(int(m), float(rng.uniform(0.002, strongest)), _turn(rng)) for m in rng.choice(orders, 5)]
    if level in ("sync", "full", "slot"):
        part = 1.0 if level == "sync" else 0.5
        ripple += [(k * p, float(part * rng.uniform(0.01, 0.03)), _turn(rng)) for k in (3, 6)]
    if how.ripple_at_speed:
        ripple = [(m, share * (rpm / RIPPLE_RPM) ** 2, phase) for m, share, phase in ripple]
    # No shaft holds its speed to a part in 100 000; a little drift keeps edges from falling on the same part of a
    # sample interval throughout, which would hide half a sample whatever the estimator.
    widest = 0.05 if level in ("ripple", "full", "slot") else 0.001
    drift = 0.0 if how.steady else float(rng.uniform(-widest, widest))
    return Motion(direction, rpm, tuple(ripple), drift, float(rng.uniform(0, 2 * np.pi)))


def _turn(rng: np.random.Generator) -> float:
    return float(rng.uniform(0, 2 * np.pi))


def _shape(rng: np.random.Generator, level: str) -> Shape:
    if level not in ("harm", "asym", "full", "slot"):
        return Shape()

    def psi() -> float:
        near = float(rng.choice([0.0, 180.0]))
        if level == "harm":
            return near
        return float(rng.uniform(0, 360)) if level == "asym" else near + float(rng.uniform(-10, 10))

    spans = {2: (0.0, 0.01), 3: (0.0, 0.02), 5: (0.005, 0.04), 7: (0.002, 0.02)}
    if level == "slot":
        spans |= {11: (0.002, 0.022), 13: (0.001, 0.012), 23: (0.001, 0.009)}
    harmonics = {k: (float(rng.uniform(*span)), psi()) for k, span in spans.items()}
    if level in ("harm", "asym"):
        return Shape(harmonics)
    gain = {pair: float(1 + 0.005 * rng.standard_normal()) for pair in PAIRS}
    shift = {pair: float(0.2 * rng.standard_normal()) for pair in PAIRS}
    return Shape(harmonics, float(rng.uniform(0, 0.02)), shift, gain)


def _sensors(rng: np.random.Generator, level: str, p: int, offset_deg: float) -> dict[str, Sensor]:
    sensors = {}
    for name in SENSORS:
        place = PAIR_ZERO[OWN_PAIR[name]] + float(rng.uniform(-offset_deg, offset_deg))
        if level not in ("dirty", "full", "slot"):
            sensors[name] = Sensor(place, np.zeros((p, 2)))
            continue
        errors = rng.standard_normal((p, 2)) if level != "dirty" else np.zeros((p, 2))
        errors[:, 1] += rng.uniform(-2, 2)
        errors -= errors.mean()
        sensors[name] = Sensor(
            place,
            errors,
            float(rng.uniform(1, 4)),
            float(rng.uniform(1e-6, 20e-6)),
            float(rng.uniform(0.5e-6, 8e-6)),
            float(rng.uniform(0.05e-6, 0.3e-6)),
        )
    return sensors


def _front(rng: np.random.Generator, level: str, mains_hz: float, how: Setting) -> FrontEnd:
    # The same share of the range at any number of bits.
    more = 2.0 ** (how.bits - 8)
    noise = 0.5 if how.bits == 8 else 2.0
    if level not in ("dirty", "full", "slot"):
        return FrontEnd(bits=how.bits, fill=how.fill, noise=noise, mains_hz=mains_hz)
    return FrontEnd(
        bits=how.bits,
        fill=how.fill,
        noise=noise * float(rng.uniform(0.6, 2.0)),
        offset=float(rng.uniform(-4, 4)) * more,
        bend=float(rng.uniform(-0.5, 0.5)) * more,
        # 0.55 steps of an EMF of 96 move a zero by a third of a degree.
        mains=float(rng.uniform(0.1, 0.55)) * more,
        mains_hz=mains_hz,
        spikes=int(rng.integers(0, 40)),
        chatter=0.05,
        glitches=int(rng.integers(0, 6)),
        jitter_s=0.5e-6,
        ringing=float(rng.uniform(0, 0.8)),
        skew_s=float(rng.uniform(-2e-7, 2e-7)),
    )
