"""Taking captures: which winding pair and signals are connected, how long, at what range, and how fast the shaft was."""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.speed import electrical_frequency
from drivers.bench_parts import KnownSource
from drivers.scope import Capture, CaptureSettings, Progress
from station.exit_codes import RunStopped
from station.motor_type import MotorType
from station.supervisor import Supervisor

KNOWN_SOURCE = "known-source"
"""The group that stands for the bench's known source on all channels."""
SIGNALS: dict[str, tuple[str, ...]] = {
    "none": (),
    "sensors": ("H1", "H2", "H3"),
    "encoder": ("A", "B", "Z"),
    "encoder-sensor": ("A", "Z", "H1"),
    "complements-sensors": ("H1-", "H2-", "H3-"),
    "complements-encoder": ("A-", "B-", "Z-"),
    KNOWN_SOURCE: ("source-2", "source-3", "source-4"),
}
EMF_HEADROOM = 1.25
"""Full scale over the expected peak-to-peak EMF, so that harmonics and a strong magnet do not clip."""
SMALLEST_EMF_RANGE_V = 2.0
LOGIC_HEADROOM = 1.6
ARM_MARGIN_S = 2.0
RELAY_SETTLE_S = 0.05


@dataclass(frozen=True, slots=True)
class Taken:
    """One capture with what was known when it was taken.

    `direction` is "CW", "CCW" or "" at standstill; `speed_rpm` is what the EMF's frequency says, None where there was
    no EMF to say it. `pull_up` says whether the bench pulled the sensors' wires up; `wires_only` that levels and rise
    times alone are to be taken from it.
    """

    index: int
    step: str
    capture: Capture
    group: str
    pair: str | None
    direction: str
    drive: str
    speed_target_rpm: float | None
    speed_rpm: float | None
    pull_up: bool = False
    wires_only: bool = False

    def volts(self) -> dict[str, NDArray[np.float64]]:
        """All channels in volts by signal name; the EMF is `emf`."""
        return {w.signal: w.volts() for w in self.capture.waveforms}

    @property
    def sign(self) -> int:
        """+1 clockwise, -1 counter-clockwise, 0 at standstill."""
        return {"CW": 1, "CCW": -1}.get(self.direction, 0)


def expected_emf_peak_v(motor_type: MotorType, speed_rpm: float) -> float:
    """Line-to-line EMF peak from the nameplate [V]."""
    return motor_type.emf.line_peak_v_per_krpm * abs(speed_rpm) / 1000


def settings_for(
    motor_type: MotorType, group: str, pair: str | None, speed_rpm: float, duration_s: float, interval_s: float
) -> CaptureSettings:
    """Choose ranges from what the type says the signals should be."""
    emf_range_v = max(SMALLEST_EMF_RANGE_V, 2 * expected_emf_peak_v(motor_type, speed_rpm) * EMF_HEADROOM)
    high_v = motor_type.logic_high_v(group)
    logic_range_v = high_v * LOGIC_HEADROOM
    logic = len(SIGNALS[group])
    return CaptureSettings(
        group=group,
        signals=("emf", *SIGNALS[group]),
        winding_pair=pair,
        interval_s=interval_s,
        samples=round(duration_s / interval_s),
        ranges_v=(emf_range_v, *[logic_range_v] * logic),
        offsets_v=(0.0, *[high_v / 2] * logic),
    )


def source_settings(source: KnownSource, pair: str | None, duration_s: float, interval_s: float) -> CaptureSettings:
    """Choose ranges for the known source, so that a path that is turned over shows it too."""
    signals = ("emf", *SIGNALS[KNOWN_SOURCE])
    return CaptureSettings(
        group=KNOWN_SOURCE,
        signals=signals,
        winding_pair=pair,
        interval_s=interval_s,
        samples=round(duration_s / interval_s),
        ranges_v=(2 * source.voltage * EMF_HEADROOM,) * len(signals),
        offsets_v=(0.0,) * len(signals),
    )


def connect(supervisor: Supervisor, group: str, pair: str | None) -> None:
    """Connect one winding pair (break before make, mirrors read in between) and one signal group."""
    switch = supervisor.bench.switch
    if supervisor.commanded.pair != pair:
        supervisor.commanded.pair = None
        supervisor.bench.connect_pair(pair, lambda: supervisor.permit("switch"))
        supervisor.commanded.pair = pair
    wanted = _relay_of(group)
    for relay in map(_relay_of, SIGNALS):
        if relay != wanted and relay in supervisor.bench.file.switch.relays and switch.state(relay):
            switch.open(relay)
    if group != "none" and not switch.state(wanted):
        switch.close(wanted, supervisor.permit("switch"))
        supervisor.wait(RELAY_SETTLE_S)


def _relay_of(group: str) -> str:
    return "known_source" if group == KNOWN_SOURCE else f"group_{group}"


def pull_up(supervisor: Supervisor, *, closed: bool) -> None:
    """Connect the bench's own pull-ups to the sensors' wires, or take them off."""
    switch = supervisor.bench.switch
    moving = [relay for relay in _pull_up_relays(supervisor) if switch.state(relay) is not closed]
    for relay in moving:
        if closed:
            switch.close(relay, supervisor.permit("switch"))
        else:
            switch.open(relay)
    if moving:
        supervisor.wait(RELAY_SETTLE_S)


def pulled_up(supervisor: Supervisor) -> bool:
    """Say whether the bench pulls the sensors' wires up now."""
    return any(supervisor.bench.switch.state(relay) for relay in _pull_up_relays(supervisor))


def _pull_up_relays(supervisor: Supervisor) -> list[str]:
    wired = supervisor.bench.file.switch.relays
    return [relay for sensor in SIGNALS["sensors"] if (relay := f"pull_up_{sensor}") in wired]


def acquire(
    supervisor: Supervisor, settings: CaptureSettings, while_sweeping: Callable[[], None] | None = None
) -> Capture:
    """Take one capture, watching the bench while the scope sweeps.

    Raises
    ------
    RunStopped
        The scope did not finish in the record's length plus two seconds of bench time.
    """
    scope = supervisor.bench.scope
    scope.prepare(settings)
    scope.arm()
    if while_sweeping is not None:
        while_sweeping()
    length_s = settings.samples * settings.interval_s
    supervisor.wait(length_s)
    if not supervisor.wait_until(lambda: scope.progress() is Progress.DONE, ARM_MARGIN_S):
        state = scope.progress()
        scope.abort()
        raise RunStopped(f"the scope is still {state.value} after {length_s + ARM_MARGIN_S:.1f} s; allowed: done")
    return scope.fetch()


def verified_speed_rpm(capture: Capture, pole_pairs: int) -> float | None:
    """Shaft speed from the EMF's frequency [rpm], or None where the trace carries no EMF."""
    emf = next(w for w in capture.waveforms if w.signal == "emf").volts()
    f_e_hz = electrical_frequency(emf, capture.interval_s)
    return None if f_e_hz is None else 60 * f_e_hz / pole_pairs
