"""Run the simulated bench: `python -m drivers.simulated`.

Prints one line of JSON with the ports when all instruments listen, and ends when its standard input ends or on SIGTERM.
"""

import argparse
import contextlib
import json
import os
import signal
import sys
import threading
from collections.abc import Sequence
from pathlib import Path

from drivers.simulated.assembly import build_instruments, identity
from drivers.simulated.bench_clock import ScaledTime, stand_still
from drivers.simulated.control_instrument import control_instrument
from drivers.simulated.faults import table_text
from drivers.simulated.motor_file import read_motors
from drivers.simulated.server import BenchServer
from drivers.simulated.world import World
from safety.strict_yaml import YamlError

DEFAULT_MOTORS = Path(__file__).parents[2] / "sequences" / "demo_line.yaml"
BAD_INPUT = 2
STANDARD_INPUT = 0


def parse_arguments(arguments: Sequence[str]) -> argparse.Namespace:
    """Read the command line."""
    parser = argparse.ArgumentParser(
        prog="python -m drivers.simulated",
        description="A simulated test bench: SCPI instruments on ports of 127.0.0.1, one physics model behind them.",
        formatter_class=argparse.RawDescriptionHelpFormatter,
        epilog=f"faults:\n{table_text()}",
    )
    parser.add_argument("--motors", type=Path, default=DEFAULT_MOTORS, metavar="FILE", help="file of simulated motors")
    parser.add_argument("--fault", action="append", default=[], metavar="NAME", help="fault that is on from the start")
    parser.add_argument("--clock", choices=("stepped", "scaled"), default="stepped", help="how bench time moves")
    parser.add_argument(
        "--factor", type=float, default=1.0, metavar="F", help="scaled clock: real time times F, at most 5"
    )
    parser.add_argument("--log", type=Path, metavar="FILE", help="file for the event log, one line of JSON an event")
    parser.add_argument("--seed", type=int, default=0, metavar="N", help="seed of all that is random")
    return parser.parse_args(arguments)


def watch_for_end() -> threading.Event:
    """Return the event that the end of standard input, SIGTERM or SIGINT will set."""
    end = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: end.set())

    def drain() -> None:
        with contextlib.suppress(OSError, ValueError):
            while os.read(STANDARD_INPUT, 4096):
                pass
        end.set()

    threading.Thread(target=drain, daemon=True).start()
    return end


def main(arguments: Sequence[str]) -> int:
    """Serve until told to end; return the exit code."""
    options = parse_arguments(arguments)
    try:
        world = World(read_motors(options.motors), seed=options.seed, faults=options.fault, log_path=options.log)
        scaled = ScaledTime(world, options.factor) if options.clock == "scaled" else None
    except (YamlError, ValueError, OSError) as error:
        sys.stderr.write(f"{error}\n")
        return BAD_INPUT
    end = watch_for_end()
    catch_up = scaled.catch_up if scaled else stand_still
    instruments = build_instruments(world)
    control = control_instrument(world, identity("control", "SIM-CONTROL"), options.clock)
    with (
        scaled or contextlib.nullcontext(),
        BenchServer(world, {**instruments, "simulation": control}, catch_up) as bench,
    ):
        sys.stdout.write(json.dumps({"ports": bench.ports, "pid": os.getpid()}) + "\n")
        sys.stdout.flush()
        # A signal handler runs between two waits only, so the wait must not be endless.
        while not end.wait(0.2):
            pass
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
