"""A bench file is read whole or refused with every problem and its place."""

import datetime
import hashlib
from pathlib import Path

import pytest

from drivers.bench_file import BenchFile, parse_bench, read_bench
from safety.limits import TOUCH_DEFAULT
from safety.strict_yaml import YamlError, read_file, read_text

SHIPPED = Path(__file__).parents[2] / "sequences" / "benches" / "simulated.yaml"
REAL = (("simulated: true\n", ""), ("clock: stepped\n", ""))


def with_ports(*changes: tuple[str, str]) -> str:
    """Write the shipped file with port numbers put in, and with changes that each must find their place."""
    text = SHIPPED.read_text(encoding="utf-8")
    for number, role in enumerate(parse_bench(read_file(SHIPPED)).entries(), start=5001):
        text = text.replace("{" + role + "}", str(number))
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    return text


def without_control(text: str) -> str:
    start, end = text.index("simulation:\n"), text.index("# How the EMF")
    return text[:start] + text[end:]


def parsed(*changes: tuple[str, str]) -> BenchFile:
    return parse_bench(read_text(with_ports(*changes), "bench.yaml"))


def refused(text: str) -> list[str]:
    with pytest.raises(YamlError) as raised:
        parse_bench(read_text(text, "bench.yaml"))
    return str(raised.value).splitlines()


def place(text: str, words: str, *, column: int | None = None) -> str:
    """Return FILE:LINE:COL of the value that follows `words`, or of a column given."""
    at = text.index(words)
    line = text.count("\n", 0, at) + 1
    start = text.rfind("\n", 0, at) + 1
    return f"bench.yaml:{line}:{column or at - start + len(words) + 1}: "


def test_the_shipped_file_parses_and_keeps_its_text() -> None:
    bench = parse_bench(read_file(SHIPPED))
    assert bench.simulated
    assert bench.text == SHIPPED.read_text(encoding="utf-8")
    assert bench.digest == "sha256:" + hashlib.sha256(SHIPPED.read_bytes()).hexdigest()
    assert list(bench.entries()) == [
        "spin_supply", "sensor_supply", "brake_supply", "scope", "switch", "inputs", "simulation",
    ]  # fmt: skip
    assert bench.spin_supply.calibration_due == datetime.date(2027, 6, 30)
    assert (bench.mains, bench.probe.bandwidth, bench.errors.scope_skew) == (50.0, 1e6, 1e-7)
    assert (bench.deadman_period, bench.spin_motor.max_speed, bench.errors.scope_offset) == (0.5, 1200.0, 0.2)
    assert bench.command_map("scope").kind == "scope"
    assert bench.command_map("brake_supply").kind == "supply"


def test_the_shipped_file_is_no_running_bench() -> None:
    with pytest.raises(YamlError) as raised:
        read_bench(SHIPPED)
    message = str(raised.value)
    line = SHIPPED.read_text(encoding="utf-8").splitlines().index("spin_supply:") + 2
    assert message.startswith(f"{SHIPPED}:{line}:13: ")
    assert "has not been started; allowed: the file that `polemark bench simulate` writes" in message


def test_a_file_with_its_ports_is_read(tmp_path: Path) -> None:
    path = tmp_path / "bench.yaml"
    path.write_text(with_ports(), encoding="utf-8")
    assert read_bench(path).spin_supply.resource == "TCPIP0::127.0.0.1::5001::SOCKET"


def test_a_file_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(YamlError, match=r"none\.yaml:1:1: "):
        read_bench(tmp_path / "none.yaml")


def test_every_problem_is_told_at_once_with_its_place() -> None:
    text = with_ports(
        ("mains: 50 Hz", "mains: 50"),
        ("bandwidth: 1 MHz", "bandwdith: 1 MHz"),
        ("speed: 1000 rpm", "speed: 1000 V"),
        ("max_current: 6 A", "max_current: -6 A"),
        ("station: station-1\n", ""),
        ("map: scope-scpi-1999", "map: none-such"),
    )
    problems = refused(text)
    for beginning, words in (
        (place(text, "mains: "), "'50' has no unit; allowed: a number with a unit, such as '50 Hz'"),
        (place(text, "bandwdith", column=3), "unknown key 'bandwdith'; allowed: "),
        (place(text, "kind: isolated", column=3), "'bandwidth' is missing"),
        (place(text, "  speed: "), "'1000 V' is not in rpm"),
        (place(text, "max_current: "), "max_current"),
        ("bench.yaml:", "'station' is missing"),
        (place(text, "  map: none-such", column=8), "command map 'none-such' cannot be used; allowed: a usable map"),
        ("none-such:1:1: ", "cannot be read: No such file"),
    ):
        assert [p for p in problems if p.startswith(beginning) and words in p], (beginning, words, problems)
    assert len(problems) == 8


def test_an_unknown_key_is_told_with_the_keys_of_its_place() -> None:
    (problem,) = refused(with_ports(("  ratio: 100", "  ratio: 100\n  ration: 100")))
    for key in ("kind", "ratio", "rating", "bandwidth", "delay", "bleed"):
        assert key in problem.split("allowed:")[1]


# An earth-referenced probe on a floating winding would short it through the scope's earth (common practice, no source).
@pytest.mark.parametrize("kind", ["single-ended", "earth-referenced", "10x", ""])
def test_a_single_ended_probe_is_refused(kind: str) -> None:
    text = with_ports(("kind: isolated differential", f'kind: "{kind}"'))
    (problem,) = refused(text)
    assert problem.startswith(place(text, "  kind: "))
    assert "isolated differential" in problem.split("allowed:")[1]
    assert "two channels subtracted" in problem.split("allowed:")[1]


def test_two_channels_subtracted_are_a_probe() -> None:
    assert (
        parsed(("kind: isolated differential", "kind: two channels subtracted")).probe.kind == "two channels subtracted"
    )


@pytest.mark.parametrize("clock", ["stepped", "scaled"])
def test_a_real_bench_with_another_clock_is_refused(clock: str) -> None:
    text = without_control(with_ports(("simulated: true\n", ""), ("clock: stepped", f"clock: {clock}")))
    (problem,) = refused(text)
    assert problem.startswith(place(text, "clock: "))
    assert f"a real bench on a {clock} clock; allowed: monotonic; another clock only with `simulated: true`" in problem


def test_a_real_bench_with_a_control_side_is_refused() -> None:
    (problem,) = refused(with_ports(*REAL))
    assert "a real bench with a control side; allowed: `simulation` only with `simulated: true`" in problem


def test_a_simulated_bench_on_a_monotonic_clock_is_refused() -> None:
    (problem,) = refused(with_ports(("clock: stepped\n", "")))
    assert "a simulated bench on a monotonic clock; allowed: `clock: stepped` or `clock: scaled`" in problem


def test_a_real_bench_has_the_monotonic_clock() -> None:
    bench = parse_bench(read_text(without_control(with_ports(*REAL)), "bench.yaml"))
    assert not bench.simulated
    assert bench.clock == "monotonic"
    assert "simulation" not in bench.entries()


def test_a_simulated_bench_without_a_control_side_is_refused() -> None:
    (problem,) = refused(without_control(with_ports()))
    assert "a simulated bench without its control side; allowed: one with its control side under" in problem


def test_a_bench_without_a_brake_supply_is_a_bench() -> None:
    text = with_ports()
    start, end = text.index("brake_supply:"), text.index("scope:")
    assert "brake_supply" not in parse_bench(read_text(text[:start] + text[end:], "bench.yaml")).entries()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (("    brake: 151\n", ""), "relays are missing: brake"),
        (("    standstill: 7\n", ""), "contacts are missing: standstill"),
        (("spin_reverse: 102", "spin_reverse: 101"), "relays share channel 101"),
        (("motor_clamp: 4", "motor_clamp: 3"), "contacts share channel 3"),
        (
            ("  speed: 1000 rpm", "  speed: 1300 rpm"),
            "1300 rpm is more than the spin motor may turn; allowed: 1200 rpm",
        ),
        (("emf: 400 V", "emf: 601 V"), "601 V is more than the probe may see; allowed: 600 V or less"),
        (("deadman_period: 500 ms", "deadman_period: 501 ms"), "deadman_period"),
        (("deadman_period: 500 ms", "deadman_period: 150 ms"), "deadman_period"),
        (("2027-06-30", "2027-06-31"), "'2027-06-31' is no date"),
        (("clock: stepped", "clock: scaled\nclock_factor: 6"), "clock_factor"),
        (("simulated: true", 'simulated: "true"'), "simulated"),
        (("spin_on: 101", 'spin_on: "101"'), "spin_on"),
        (("rating: 600 V", "rating: 0 V"), "rating"),
    ],
)
def test_one_wrong_thing_is_one_problem(change: tuple[str, str], words: str) -> None:
    (problem,) = refused(with_ports(change))
    assert words in problem


def test_outputs_of_one_instrument_may_share_its_address_and_serial() -> None:
    bench = parsed(("::5002::", "::5001::"), ("serial: SIM-SENSOR", "serial: SIM-SPIN"))
    assert bench.spin_supply.resource == bench.sensor_supply.resource
    assert bench.spin_supply.identity == bench.sensor_supply.identity == ("polemark", "simulated supply", "SIM-SPIN")


def test_a_map_of_another_kind_is_refused() -> None:
    text = with_ports(("map: scope-scpi-1999", "map: supply-scpi-1999"))
    (problem,) = refused(text)
    assert problem.startswith(
        place(text, "  map: supply-scpi-1999\n  maker: polemark\n  model: simulated scope", column=8)
    )


def test_touch_voltage_defaults_to_the_safety_rooms_figure() -> None:
    assert parsed(("  touch: 42.4 V\n", "")).limits.touch == TOUCH_DEFAULT.ac_peak_v
    assert parsed(("touch: 42.4 V", "touch: 22.6 V")).limits.touch == 22.6


def test_an_own_map_is_found_beside_the_bench_file(tmp_path: Path) -> None:
    own = Path(__file__).parents[2] / "drivers" / "command_maps" / "supply-scpi-1999.yaml"
    (tmp_path / "own.yaml").write_text(own.read_text("utf-8").replace("OUTP?", "OUTP:STAT?"), encoding="utf-8")
    path = tmp_path / "bench.yaml"
    path.write_text(with_ports(("map: supply-scpi-1999", "map: own.yaml")), encoding="utf-8")
    bench = read_bench(path)
    assert bench.command_map("spin_supply")["read_output"].text() == "OUTP:STAT?"
    assert bench.command_map("sensor_supply")["read_output"].text() == "OUTP?"


def test_a_known_source_needs_its_relay() -> None:
    text = with_ports(("    known_source: 141\n", ""))
    where = place(text, "known_source: ").replace("bench.yaml:", "")
    assert any(
        "a known source without its relay; allowed: `known_source` among the relays of the switch" in line
        and line.startswith(f"bench.yaml:{where.split(':')[0]}:")
        for line in refused(text)
    )


def test_a_bench_may_have_no_known_source() -> None:
    assert parsed(("known_source: {voltage: 5 V, uncertainty: 5 mV}\n", "")).known_source is None


def test_what_the_station_draws_itself_comes_in_order_of_speed() -> None:
    text = with_ports(("{speed: 0 rpm, current", "{speed: 1300 rpm, current"))
    assert any("no_load is not in order of speed; allowed: each speed above the one before" in x for x in refused(text))
