"""Turning captures and answers into findings: which captures count for which quantity."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from drivers.scope import Waveform
from station.as_target import target_finding
from station.capturing import Taken
from station.decision import Decision
from station.measure_checks import measure_hand_turn, measure_standstill
from station.measure_encoder import measure_encoder
from station.measure_mechanics import measure_mechanics
from station.measure_self_test import measure_self_test
from station.measure_sensors import measure_sensors
from station.measure_timing import correction_of, measure_by_position, measure_timing
from station.measure_windings import measure_windings
from station.measure_wires import measure_encoder_wires, measure_sensor_wires
from station.measure_wiring import measure_wiring
from station.run_facts import Gathered, RunFacts
from station.spinning import Spin
from station.timed_captures import BY_POSITION, Timed, time_capture


@dataclass(slots=True)
class Measuring:
    """Works on the captures taken since the measure step before, so that a round never sees the round before it."""

    facts: RunFacts
    gathered: Gathered
    decision: Decision
    spin: Spin | None
    """None where nothing turns: what was captured is worked out again."""
    _since: int = 0
    _timed: dict[int, Timed] = field(default_factory=dict)

    def measure(self, quantities: Sequence[str]) -> str:
        """Work out the quantities named, in the order written, and return a line for the step list."""
        pool = self.gathered.taken[self._since :]
        before = set(self.gathered.findings)
        for quantity in quantities:
            self._one(quantity, pool)
        self._since = len(self.gathered.taken)
        return f"{len(self.gathered.findings.keys() - before)} new findings from {len(pool)} captures"

    def _one(self, quantity: str, pool: list[Taken]) -> None:
        def timed() -> list[Timed]:
            return self._timings(pool)

        basis = self.facts.basis
        work: dict[str, Callable[[], None]] = {
            "timing": lambda: self._timing(pool, timed()),
            "wiring": lambda: measure_wiring(timed(), basis, self.gathered, self.decision),
            "windings": lambda: measure_windings(timed(), basis, self.gathered, self.decision),
            "sensors": lambda: self._sensors(pool, timed()),
            "encoder": lambda: self._encoder(pool),
            "mechanics": lambda: measure_mechanics(pool, self.spin, self.facts, self.gathered, self.decision),
            "hand_turn": lambda: measure_hand_turn(pool, self.facts, self.gathered),
            "standstill": lambda: measure_standstill(pool, self.facts, self.gathered, self.decision),
            "self_test": lambda: measure_self_test(pool, self.facts.bench_file, self.gathered, self.decision),
            "correction": self._correct,
        }
        work[quantity]()

    def _timing(self, pool: list[Taken], timed: list[Timed]) -> None:
        measure_timing(timed, self.facts.basis, self.gathered, self.decision)
        measure_by_position(self._timings(pool, (BY_POSITION,)), self.facts.basis, self.gathered, self.decision)

    def _sensors(self, pool: list[Taken], timed: list[Timed]) -> None:
        measure_sensor_wires(pool, self.facts.basis, self.gathered, self.decision)
        measure_sensors(timed, self.facts.basis, self.gathered, self.decision)

    def _encoder(self, pool: list[Taken]) -> None:
        measure_encoder([t for t in pool if not t.wires_only], self.facts.basis, self.gathered, self.decision)
        measure_encoder_wires(pool, self.facts.basis, self.gathered, self.decision)

    def _correct(self) -> None:
        self.gathered.correction = correction_of(self.facts.basis, self.gathered)
        mean = self.gathered.findings.get("offset_mean")
        if self.facts.sequence.stage == "as-found":
            self.gathered.add(target_finding(self.gathered.findings, self.decision))
        if self.facts.sequence.stage != "setting" or mean is None:
            return
        setting: dict[str, Any] = self.gathered.setting or {"rounds": [], "locked": False, "shift_deg_el": None}
        turn = self.gathered.correction["turn_deg_mech"] if self.gathered.correction else None
        if setting["locked"] and setting["rounds"] and mean.estimate.value is not None:
            last = setting["rounds"][-1]["offset_deg_el"]
            setting["shift_deg_el"] = None if last is None else mean.estimate.value - last
        else:
            setting["rounds"].append(
                {"round": len(setting["rounds"]) + 1, "offset_deg_el": mean.estimate.value, "turn_deg_mech": turn}
            )
        self.gathered.setting = setting

    def note_work(self, hands: Sequence[str]) -> None:
        """Keep what the hands did to the feedback unit."""
        if "lock" in hands:
            setting = self.gathered.setting or {"rounds": [], "locked": False, "shift_deg_el": None}
            self.gathered.setting = setting | {"locked": True}

    def _timings(self, pool: list[Taken], groups: tuple[str, ...] = ("sensors", "none")) -> list[Timed]:
        wanted = [t for t in pool if t.group in groups and t.drive == "spin" and not t.wires_only]
        for taken in wanted:
            if taken.index not in self._timed:
                full_scale_v = _full_scale_v(taken.capture.waveforms[0])
                self._timed[taken.index] = time_capture(taken, self.facts.basis, full_scale_v)
        return [self._timed[t.index] for t in wanted]


def _full_scale_v(waveform: Waveform) -> tuple[float, float]:
    """Voltages of the lowest and the highest code."""
    limits = np.iinfo(waveform.counts.dtype)
    return limits.min * waveform.scale_v + waveform.offset_v, limits.max * waveform.scale_v + waveform.offset_v
