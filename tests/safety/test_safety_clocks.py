"""The two clocks that need no bench."""

import math
import time

import pytest

from safety.clock import LARGEST_FACTOR, Clock, MonotonicClock, ScaledClock


@pytest.mark.parametrize(
    ("clock", "factor"), [(MonotonicClock(), 1.0), (ScaledClock(1.0), 1.0), (ScaledClock(5.0), 5.0)]
)
def test_bench_time_runs_by_its_factor(clock: Clock, factor: float) -> None:
    real_s = [time.monotonic()]
    before_s = clock.now_s()
    real_s.append(time.monotonic())
    clock.wait(0.02 * factor)
    real_s.append(time.monotonic())
    passed_s = clock.now_s() - before_s
    real_s.append(time.monotonic())
    # Bracketed by real readings on both sides, so a busy machine changes nothing.
    assert (real_s[2] - real_s[1]) * factor - 1e-6 <= passed_s <= (real_s[3] - real_s[0]) * factor + 1e-6
    assert real_s[2] - real_s[1] >= 0.02 - 1e-3


@pytest.mark.parametrize("seconds", [0.0, -3.0])
def test_waiting_for_nothing_returns(seconds: float) -> None:
    real_s = time.monotonic()
    ScaledClock(2.0).wait(seconds)
    MonotonicClock().wait(seconds)
    assert time.monotonic() - real_s < 1.0


@pytest.mark.parametrize("factor", [0.0, 0.999, -1.0, math.nextafter(LARGEST_FACTOR, 9.0), 100.0, math.inf, math.nan])
def test_no_clock_runs_slower_than_real_time_or_faster_than_five_times(factor: float) -> None:
    with pytest.raises(ValueError, match="clock factor must be within 1 to 5"):
        ScaledClock(factor)
