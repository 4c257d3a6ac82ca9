"""Rules that one step must keep whatever stands around it: signals, contacts, findings, speeds, sampling."""

from dataclasses import dataclass

from drivers.bench_file import BenchFile
from safety.strict_yaml import Document, Problem
from station.finding_names import FINDINGS, LIMITED, SENSORS
from station.motor_type import MotorType
from station.planned_steps import Place, PlannedCapture
from station.sequence_model import CaptureStep, Compare, Measure, Step
from station.wording import listed, meant

WINDINGS_ONLY_QUANTITIES = ("windings", "mechanics", "standstill")
PULL_UPS = tuple(f"pull_up_{sensor}" for sensor in SENSORS)
FEWEST_SAMPLES = 16
LEAST_SAMPLES_PER_COUNT = 2.4
"""Encoder counts were exact down to this many samples a count, in simulation; 5 or more is advisable."""


@dataclass(frozen=True, slots=True)
class StepRules:
    """The rules of single steps for one motor type and bench; every method returns the problems it finds."""

    document: Document
    motor_type: MotorType
    bench: BenchFile
    serves: str

    def alone(self, step: Step, place: Place) -> list[Problem]:
        """Check what can be known of a step without its neighbours."""
        problems: list[Problem] = []
        if step.spin is not None and step.spin.speed is not None:
            problems += self.speed(step.spin.speed, (*place, "spin", "speed"))
        if step.over is not None:
            for index, speed in enumerate(step.over.speed or ()):
                problems += self.speed(speed, (*place, "over", "speed", index))
        if step.capture is not None:
            problems += self._signals(step.capture, (*place, "capture", "signals"))
            problems += self._pull_up(step.capture, (*place, "capture", "pull_up"))
        if step.measure is not None:
            problems += self._quantities(step.measure, (*place, "measure", "quantities"))
        if step.compare is not None:
            problems += self._quantities(step.compare, (*place, "compare", "quantities"))
        return problems + self._by_name(step, place)

    def _by_name(self, step: Step, place: Place) -> list[Problem]:
        """Check outputs, contacts and findings that a step names."""
        problems: list[Problem] = []
        if step.energise is not None and self.serves == "windings-only" and step.energise.output == "sensor supply":
            where = (*place, "energise", "output")
            problems.append(self._problem(where, "sensor supply in a windings-only sequence", "brake"))
        if step.wait is not None:
            problems += self._contact(step.wait.input, (*place, "wait", "input"))
            problems += self._finding(step.wait.finding, (*place, "wait", "finding"))
        if step.repeat is not None:
            problems += self._window(step.repeat.until, (*place, "repeat", "until"))
        return problems

    def speed(self, speed_rpm: float, place: Place) -> list[Problem]:
        """Hold a target speed against the bench's speed limit and the EMF that it would give."""
        limits = self.bench.limits
        allowed_v = min(limits.emf, self.bench.probe.rating)
        per_krpm_v = self.motor_type.emf.line_peak_v_per_krpm
        most_rpm = min(limits.speed, 1000 * allowed_v / per_krpm_v)
        if speed_rpm <= most_rpm:
            return []
        peak_v = per_krpm_v * speed_rpm / 1000
        why = f"{peak_v:.0f} V peak of EMF" if peak_v > allowed_v else "more than the spin motor may turn"
        what = (
            f"{speed_rpm:g} rpm gives {self.motor_type.title} {why}"
            if peak_v > allowed_v
            else f"{speed_rpm:g} rpm is {why}"
        )
        return [
            self._problem(
                place, what, f"up to {most_rpm:.0f} rpm ({allowed_v:g} V, {limits.speed:g} rpm on this bench)"
            )
        ]

    def sampling(self, capture: PlannedCapture, place: Place) -> list[Problem]:
        """Hold a capture's interval against its length, and an encoder's against its count rate."""
        if capture.samples < FEWEST_SAMPLES:
            what = f"{capture.samples} samples in {capture.duration_s:g} s"
            return [self._problem((*place, "capture"), what, f"{FEWEST_SAMPLES} samples or more")]
        if capture.group != "encoder" or capture.target_rpm is None or not self.motor_type.is_covered:
            return []
        counts_per_s = 4 * self.motor_type.encoder.lines * capture.target_rpm / 60
        most_s = 1 / (LEAST_SAMPLES_PER_COUNT * counts_per_s)
        if capture.interval_s <= most_s:
            return []
        what = f"{capture.interval_s * 1e6:g} us is too slow for {counts_per_s:.0f} counts a second"
        return [self._problem((*place, "capture", "interval"), what, f"up to {most_s * 1e6:.2g} us, or a lower speed")]

    def _signals(self, capture: CaptureStep, place: Place) -> list[Problem]:
        group = capture.signals
        if self.serves == "windings-only" and group != "none":
            return [self._problem(place, f"signals '{group}' in a windings-only sequence", "none")]
        if group == "known-source":
            return self._known_source(place)
        known = self.motor_type.signal_groups()
        if group not in known and capture.where_fitted and group.startswith("complements"):
            return []
        if group not in known:
            return [self._problem(place, f"{self.motor_type.title} has no signals '{group}'", listed(known))]
        relays = self.bench.switch.relays
        if group != "none" and f"group_{group}" not in relays:
            wired = [name.removeprefix("group_") for name in relays if name.startswith("group_")]
            return [self._problem(place, f"this bench has no relay for signals '{group}'", listed(["none", *wired]))]
        return []

    def _known_source(self, place: Place) -> list[Problem]:
        if self.bench.known_source is not None:
            return []
        return [self._problem(place, "this bench has no known source", "a bench file that states known_source")]

    def _pull_up(self, capture: CaptureStep, place: Place) -> list[Problem]:
        missing = [name for name in PULL_UPS if name not in self.bench.switch.relays]
        if capture.pull_up is None or not missing:
            return []
        return [self._problem(place, f"this bench has no relay {listed(missing)}", f"a bench with {listed(PULL_UPS)}")]

    def _quantities(self, step: Measure | Compare, place: Place) -> list[Problem]:
        if self.serves != "windings-only":
            return []
        return [
            self._problem((*place, i), f"{quantity} in a windings-only sequence", listed(WINDINGS_ONLY_QUANTITIES))
            for i, quantity in enumerate(step.quantities)
            if quantity not in WINDINGS_ONLY_QUANTITIES
        ]

    def _contact(self, name: str | None, place: Place) -> list[Problem]:
        contacts = self.bench.inputs.contacts
        if name is None or name in contacts:
            return []
        return [self._problem(place, f"this bench has no contact '{name}'", meant(name, contacts))]

    def _finding(self, name: str | None, place: Place) -> list[Problem]:
        if name is None:
            return []
        if name not in FINDINGS:
            return [self._problem(place, f"unknown finding '{name}'", meant(name, LIMITED))]
        if name not in self.motor_type.limits():
            return [
                self._problem(
                    place, f"{self.motor_type.title} has no limits for {name}", meant(name, self.motor_type.limits())
                )
            ]
        return []

    def _window(self, name: str, place: Place) -> list[Problem]:
        if name not in FINDINGS:
            return [self._problem(place, f"unknown finding '{name}'", meant(name, LIMITED))]
        if self.motor_type.setting_window(name) is None:
            what = f"{self.motor_type.title} gives no setting window for {name}"
            return [self._problem(place, what, "a finding with lower and upper limits in the motor type")]
        return []

    def _problem(self, place: Place, what: str, allowed: str) -> Problem:
        return self.document.problem(place, what, allowed)
