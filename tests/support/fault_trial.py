"""One run of the campaign: a fault strikes at its moment, and the checker judges what came of it."""

import contextlib
import os
import signal
import time
from dataclasses import dataclass, field

from fault_cases import HANDS, Case, Fault
from fault_checker import (
    OFF_WITHIN_S,
    SILENCE_WITHIN_S,
    Entry,
    Verdict,
    energised,
    entries,
    judge,
    left_on,
    records,
    reported,
    store_problems,
)
from fault_seat import MOTORS, Seat

from drivers.errors import BenchFault

TURNING_S = 8.0
"""Bench time from the first output to the end of the runs, about: the fault strikes within."""
EARLY_SHARE = 0.2
"""So many of the faults are timed from the first output on, the others from the first spin on."""
TRIES = 3
"""A busy machine may trip a run by itself, which is safe; a run is tried so often."""
HANG_BENCH_S = 1.0
RESET = "A. Name"
STOPPED, DEFECT_CODES = 3, (2, 4, 70)


@dataclass(slots=True)
class Result:
    """What one case gave: problems (none if safe), and the longest time with its deadline [s]."""

    name: str
    moment: str
    outcome: str = ""
    problems: list[str] = field(default_factory=list)
    worst_s: float | None = None
    deadline_s: float = OFF_WITHIN_S
    spurious: int = 0
    """Runs that tripped before or after the fault, without one."""

    @property
    def safe(self) -> bool:
        return not self.problems

    def take(self, verdict: Verdict, where: str) -> None:
        self.problems += [f"{where}: {problem}" for problem in verdict.problems]
        if verdict.worst_s is not None and (
            self.worst_s is None or verdict.worst_s / verdict.deadline_s > self.worst_s / self.deadline_s
        ):
            self.worst_s, self.deadline_s = verdict.worst_s, verdict.deadline_s


@dataclass(slots=True)
class Trial:
    """Carries out one case on a seat."""

    seat: Seat
    case: Case
    result: Result = field(init=False)
    _before: list[Entry] = field(default_factory=list)

    def __post_init__(self) -> None:
        moment = "from before" if self.case.before else f"at {self.case.share:.2f} of the run"
        self.result = Result(self.case.name, moment)

    @property
    def motor(self) -> tuple[str, str]:
        return MOTORS[self.case.motor]

    def carry_out(self) -> Result:
        """Run with the fault, run before the reset, take the fault off, reset and run again."""
        seat, case = self.seat, self.case
        seat.simulation.mount(self.motor[0])
        code, start = self._with_fault()
        seat.await_stillness()
        log_lost = case.has("bench: killed")
        if not log_lost:
            self._judge_log(start)
        tripped = self._judge_run(code)
        if log_lost:
            seat.renew_bench()
            seat.simulation.mount(self.motor[0])
        elif tripped:
            self._before_reset()
        self._take_off()
        if code not in (0, 1):
            self._after_reset()
        return self.result

    # -- the run with the fault ------------------------------------------------------------------------------------------

    def _with_fault(self) -> tuple[int | None, int]:
        """Return the exit code, and where in the bench's log the run begins."""
        seat, case = self.seat, self.case
        self._before = entries(seat.database)
        for _ in range(TRIES):
            start = len(seat.log())
            if case.before:
                self._put_on(None)
            sequence = "by-hand" if case.by_hand else "guarded"
            pid = seat.begin(sequence, self.motor, reset_by=RESET)
            if case.before or self._await_moment(pid, start):
                if not case.before:
                    self._put_on(pid)
                return seat.wait(pid), start
            # It ended before the fault could strike: by itself, on a machine too busy for its deadlines.
            self.result.spurious += 1
            self._before = entries(seat.database)
        self.result.problems.append(f"{TRIES} runs ended before the fault: {seat.said()[-300:]}")
        return 0, len(seat.log())

    def _await_moment(self, pid: int, start: int) -> bool:
        """Wait for the case's moment in a run, most often after the first spin began; False if the run ended before."""
        seat = self.seat

        share = self.case.share
        first = "sensor supply output" if share < EARLY_SHARE else "spin supply output"

        def begun_or_over() -> bool:
            return not seat.running(pid) or first in energised(seat.log(start))

        seat.until(begun_or_over, 60.0 * seat.factor)
        until = time.monotonic() + share * TURNING_S / seat.factor
        while seat.running(pid) and time.monotonic() < until:
            time.sleep(0.005)
        return seat.running(pid)

    def _put_on(self, pid: int | None) -> None:
        for fault in self.case.faults:
            with contextlib.suppress(BenchFault, ProcessLookupError):
                self._strike(fault, pid)

    def _strike(self, fault: Fault, pid: int | None) -> None:
        seat = self.seat
        match fault.kind:
            case "bench" | "motor":
                seat.simulation.fault(fault.name, on=True)
            case "hands":
                seat.simulation.hands(fault.name.removeprefix("hands: "))
            case "link":
                seat.proxy.put(fault.role.replace(" ", "_"), fault.what)
            case "process":
                self._signal(seat.bench_pid, fault.what)
            case "station":
                assert pid is not None
                seat.simulation.note(fault.name)
                self._signal(pid, fault.what)

    def _signal(self, pid: int, what: str) -> None:
        match what:
            case "killed" | "SIGKILL":
                os.kill(pid, signal.SIGKILL)
            case "SIGTERM":
                os.kill(pid, signal.SIGTERM)
            case "Ctrl-C":
                os.kill(pid, signal.SIGINT)
            case _:
                os.kill(pid, signal.SIGSTOP)
                self.seat.sleep(HANG_BENCH_S)
                os.kill(pid, signal.SIGCONT)

    # -- what came of it -----------------------------------------------------------------------------------------------

    def _judge_log(self, start: int) -> None:
        case, events = self.case, self.seat.log(start)
        silent = case.station_silent
        self.result.take(judge(events, station_dead=silent, both_ways_off_lost=case.both_ways_off_lost), "fault")
        if silent or case.both_ways_off_lost:
            self.result.deadline_s = SILENCE_WITHIN_S
        new = records(entries(self.seat.database)[len(self._before) :])
        out = case.beyond_reach() | (reported(new[-1]) if new else set())
        # A killed station can switch nothing off, nor can one whose bench did not hear it; the drive alone must be off.
        on = [what for what in left_on(events, out) if not silent or what == "spin motor fed" or "turns" in what]
        self.result.problems += [f"after the run {what} is on" for what in on]

    def _judge_run(self, code: int | None) -> bool:
        """Judge exit code, words and record; return whether the run ended with a trip that now is latched."""
        case, seat, problems = self.case, self.seat, self.result.problems
        after = entries(seat.database)
        problems += store_problems(self._before, after)
        said = seat.said()
        if code is None or code in DEFECT_CODES or "Traceback" in said:
            problems.append(f"the station ended with {code}: {said[-400:]}")
        new = records(after[len(self._before) :])
        self.result.outcome = str(new[-1]["outcome"]) if new else f"exit {code}"
        if code in (0, 1) and [r["outcome"] for r in new] != ["complete"]:
            problems.append(f"exit {code}, and the records are {[r['outcome'] for r in new]}")
        if code != STOPPED:
            return False
        reason = str(new[-1]["stop_reason"]) if new else said
        words = [word for fault in case.faults for word in fault.words]
        if (
            words
            and all(fault.words for fault in case.faults)
            and not any(w in reason.lower() for w in map(str.lower, words))
        ):
            problems.append(f"the cause is not named: {reason}")
        return any(
            str(event["reaction"]).startswith("stop category") for record in new for event in record["interlock_events"]
        )

    def _before_reset(self) -> None:
        """Nothing may come on as long as the trip is not reset by a person."""
        seat = self.seat
        start = len(seat.log())
        code = seat.wait(seat.begin("short", self.motor))
        on = energised(seat.log(start))
        if code != STOPPED or on:
            self.result.problems.append(f"before the reset a run ended with {code}, having switched on: {on}")

    def _take_off(self) -> None:
        seat = self.seat
        seat.proxy.clear()
        for fault in self.case.faults:
            match fault.kind:
                case "bench" | "motor":
                    seat.simulation.fault(fault.name, on=False)
                case "hands":
                    seat.simulation.hands(HANDS[fault.name.removeprefix("hands: ")])
                case _:
                    pass

    def _after_reset(self) -> None:
        """With the fault gone and the trip reset the next run is whole, and leaves everything off."""
        seat, before = self.seat, entries(self.seat.database)
        for _ in range(TRIES):
            start = len(seat.log())
            code = seat.wait(seat.begin("short", self.motor, reset_by=RESET))
            seat.await_stillness()
            if code in (0, 1):
                break
            self.result.spurious += 1
        else:
            self.result.problems.append(f"after the reset {TRIES} runs did not complete: {seat.said()[-400:]}")
        events = seat.log(start)
        self.result.take(judge(events), "after the reset")
        self.result.problems += [f"after the reset and a run {what} is on" for what in left_on(events)]
        after = entries(seat.database)
        self.result.problems += store_problems(before, after)
        open_runs = {e.document["number"] for e in after if e.kind == "started"} - {r["number"] for r in records(after)}
        if open_runs:
            self.result.problems.append(f"runs left without a record: {sorted(open_runs)}")
