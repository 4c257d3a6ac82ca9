"""Motor type files: conventions, limits with their sources, and bad input with exact places."""

import json
import math

import pytest
from sequence_samples import RESOLVER_TYPE, TYPES, adapter, marked, motor_type

from safety.strict_yaml import YamlError
from station.adapter_file import Adapter, needed_wires
from station.motor_type import Convention, MotorType

INCREMENTAL = """\
motor_type: sample-m1
maker: Sample
type: M1
revision: "1"
pole_pairs: 4
emf: {constant: 50 V/krpm, value: rms, across: line-to-line}
rated: {speed: 3000 rpm, current: 6 A}
winding: {resistance: 1.9 ohm, at: 20 degC, coefficient: 0.00393 1/K}
feedback: incremental with commutation sensors
sensors:
  supply: 5 V
  current_min: 30 mA
  current_max: 200 mA
  output: open collector
  low_max: 0.8 V
  high_min: 4 V
  table:
    H1: {maker_name: S1, pair: U-V, with_emf: high, target: 0 deg_el}
    H2: {maker_name: S2, pair: V-W, with_emf: low, target: 0 deg_el}
    H3: {maker_name: S3, pair: W-U, with_emf: high, target: 3 deg_el}
encoder: {lines: 2048, output: single-ended, leads_going_cw: A}
brake: none
thermal_sensor: none
adapter: ostrel-mt4
sources:
  sheet: {document: Sheet 1, revision: A}
  shop: {customer: Sample works}
  good: {known_good_motors: 7}
limits:
"""


def read(text: str) -> MotorType:
    return MotorType.read_string(text.removesuffix("limits:\n"), "m1.yaml")


@pytest.mark.parametrize("name", TYPES)
def test_a_shipped_type_has_its_adapter_and_every_limit_its_source(name: str) -> None:
    shipped = motor_type(name)
    assert shipped.name == name
    assert adapter(name).missing_wires(shipped) == []
    assert len(shipped.limits()) > 40
    assert all(limit.source for limit in shipped.limits().values())
    assert shipped.limits()["counts_per_rev_x4"].lower == 4 * shipped.encoder.lines


def test_the_shipped_types_state_what_their_plates_say() -> None:
    found = {
        n: (m.pole_pairs, m.sensors.supply, m.sensors.output, m.encoder.lines, m.brake is not None, m.rated.speed)
        for n, m in ((n, motor_type(n)) for n in TYPES)
    }
    assert found == {
        "ostrel-mt41": (4, 5.0, "open collector", 2048, False, 3000.0),
        "quillmere-q3": (3, 5.0, "differential", 2500, True, 4000.0),
        "brackwater-b5": (5, 12.0, "internal pull-up", 1024, True, 2500.0),
    }
    assert motor_type("quillmere-q3").sensors.pairs == {"H1": "V-W", "H2": "W-U", "H3": "U-V"}
    assert set(motor_type("quillmere-q3").sensors.polarity.values()) == {-1}


# The same machine in every form; six digits from SI: 50 V rms line-line per 1000 rpm is 0.477465 V s/rad line rms,
# 0.675237 line peak, 0.275664 phase rms, 0.389848 phase peak (sinusoidal star machine).
@pytest.mark.parametrize(
    ("constant", "value", "across"),
    [
        ("50 V/krpm", "rms", "line-to-line"),
        ("0.477465 V*s/rad", "rms", "line-to-line"),
        ("0.675237 V*s/rad", "peak", "line-to-line"),
        ("0.275664 V*s/rad", "rms", "phase"),
        ("0.389848 V*s/rad", "peak", "phase"),
    ],
)
def test_an_emf_constant_means_the_same_in_every_form(constant: str, value: str, across: str) -> None:
    old = "{constant: 50 V/krpm, value: rms, across: line-to-line}"
    emf = read(INCREMENTAL.replace(old, f"{{constant: {constant}, value: {value}, across: {across}}}")).emf
    assert emf.line_peak_v_per_krpm == pytest.approx(50 * math.sqrt(2), rel=3e-6)
    assert emf.in_stated_form(emf.line_peak_v_per_krpm) == pytest.approx(emf.constant)
    assert emf.unit in constant
    assert value in emf.form
    assert across in emf.form


# A sensor that switches 2 deg_el further clockwise (seen from the drive end) than the zero of its pair's EMF. The EMF of
# the pair's first lead has its zero 30 deg_el later (star winding, sequence U, V, W), so against it the sensor is 28 early.
@pytest.mark.parametrize(
    ("viewing_end", "reference", "positive", "says"),
    [
        ("drive end", "line-to-line", "clockwise", 2),
        ("rear", "line-to-line", "clockwise", -2),
        ("drive end", "line-to-line", "counter-clockwise", -2),
        ("rear", "line-to-line", "counter-clockwise", 2),
        ("drive end", "phase", "clockwise", -28),
        ("rear", "phase", "clockwise", 28),
    ],
)
def test_the_makers_figure_follows_his_convention(viewing_end: str, reference: str, positive: str, says: float) -> None:
    convention = Convention.model_validate({"viewing_end": viewing_end, "reference": reference, "positive": positive})
    assert convention.maker_offset_deg_el(2.0) == pytest.approx(says)


@pytest.mark.parametrize("text", [INCREMENTAL, RESOLVER_TYPE], ids=["incremental", "resolver"])
def test_the_facts_for_a_record_are_plain_and_finite(text: str) -> None:
    facts = read(text).facts()
    assert facts["zero"] == "waveform"
    assert facts["encoder_lines"] == (2048 if text is INCREMENTAL else None)
    assert json.loads(json.dumps(facts, allow_nan=False)) == facts


def test_limits_come_in_the_findings_unit_with_their_source() -> None:
    text = INCREMENTAL + (
        "  sensor_current: {lower: 30 mA, upper: 0.2 A, source: sheet}\n"
        "  emf_constant: {lower: 0.46 V*s/rad, source: shop}\n"
        "  glitches_H1: {upper: 2, source: good}\n"
        "  spread: {upper: 4 deg_el}\n"
    )
    limits = read(text).limits()
    assert (limits["sensor_current"].lower, limits["sensor_current"].upper) == pytest.approx((0.03, 0.2))
    assert limits["sensor_current"].unit == "A"
    assert limits["sensor_current"].source == "Sheet 1, revision A"
    # 1000 rpm are 2000 pi / 60 rad/s.
    assert limits["emf_constant"].lower == pytest.approx(0.46 * 2000 * math.pi / 60)
    assert (limits["emf_constant"].upper, limits["emf_constant"].source) == (None, "customer Sample works")
    assert (limits["glitches_H1"].upper, limits["glitches_H1"].source) == (2, "7 known-good motors")
    assert limits["spread"].source == "", "a limit without a source is legal; what it judges stays undecided"


def test_the_setting_window_is_a_third_of_the_release_limits_unless_stated() -> None:
    limits = "  offset_mean: {lower: -2 deg_el, upper: 4 deg_el, source: sheet}\n  spread: {upper: 4 deg_el, source: sheet}\n"
    assert read(INCREMENTAL + limits).setting_window("offset_mean") == pytest.approx((0.0, 2.0))
    assert read(INCREMENTAL + limits).setting_window("spread") is None
    stated = INCREMENTAL.replace("sources:", "setting: {window: 0.5 deg_el}\nsources:") + limits
    # About the mean target of the sensors, (0 + 0 + 3) / 3.
    assert read(stated).setting_window("offset_mean") == pytest.approx((0.5, 1.5))


BAD = {
    "unknown key": (INCREMENTAL.replace("brake: none", "<<>>brakes: none\nbrake: none"), "unknown key 'brakes'", "brake"),
    "limits the wrong way round": (
        INCREMENTAL + "  spread: {lower: <<>>9 deg_el, upper: 4 deg_el}\n", "lower 9 deg_el is above upper 4 deg_el", "at or below",
    ),
    "limit in another unit": (INCREMENTAL + "  spread: {upper: <<>>4 V}\n", "4 V", "deg_el"),
    "limit without unit": (INCREMENTAL + "  spread: {upper: <<>>4}\n", "4 has no unit", "deg_el"),
    "count with a unit": (INCREMENTAL + "  glitches_H1: {upper: <<>>4 V}\n", "'4 V' is no count", "whole number"),
    "limit of no side": (INCREMENTAL + "  spread: <<>>{source: sheet}\n", "neither lower nor upper", "lower, upper"),
    "limit of no value": (INCREMENTAL + "  spread: {upper: <<>>[4]}\n", "a list or mapping is no limit", "quantity"),
    "unknown finding": (INCREMENTAL + "  <<>>spred: {upper: 4 deg_el}\n", "unknown finding 'spred'", "did you mean 'spread'?"),
    "unknown source": (INCREMENTAL + "  spread: {upper: 4 deg_el, source: <<>>shet}\n", "unknown source 'shet'", "sheet"),
    "source of two kinds": (
        INCREMENTAL.replace("{customer: Sample works}", "<<>>{customer: C, known_good_motors: 3}"), "customer, known_good", "exactly one",
    ),
    "document without revision": (
        INCREMENTAL.replace("{document: Sheet 1, revision: A}", "<<>>{document: Sheet 1}"), "without its revision", "together",
    ),
    "pair taken twice": (INCREMENTAL.replace("S2, pair: V-W", "S2, pair: <<>>U-V"), "H1 and H2 both belong to U-V", "one sensor"),
    "levels over the supply": (INCREMENTAL.replace("low_max: 0.8 V", "low_max: <<>>4.5 V"), "do not fit", "low_max below high_min"),
    "window the wrong way round": (INCREMENTAL.replace("current_min: 30", "current_min: <<>>300"), "above current_max", "below"),
    "pole pairs of none": (INCREMENTAL.replace("pole_pairs: 4", "pole_pairs: <<>>0"), "pole_pairs", "1"),
    "brake left open": (INCREMENTAL.replace("brake: none", "brake:<<>>"), "empty", "none"),
    "brake in a word": (INCREMENTAL.replace("brake: none", "brake: <<>>yes"), "'yes' is not understood", "none"),
    "encoder missing": ("<<>>" + INCREMENTAL.replace("encoder: {", "about: '{").replace("cw: A}", "cw: A}'"), "encoder is missing", "encoder"),
    "unknown feedback": (INCREMENTAL.replace("feedback: incremental", "feedback: <<>>synchro"), "synchro", "resolver"),
    "bare degrees": (INCREMENTAL.replace("target: 3 deg_el", "target: <<>>3 deg"), "deg", "deg_el"),
    "duplicate key": (INCREMENTAL.replace("maker: Sample\n", "maker: Sample\n<<>>maker: Other\n"), "maker", "once"),
}  # fmt: skip


@pytest.mark.parametrize(("sample", "says", "allows"), BAD.values(), ids=list(BAD))
def test_bad_input_is_told_with_its_exact_place(sample: str, says: str, allows: str) -> None:
    text, line, column = marked(sample)
    with pytest.raises(YamlError) as caught:
        read(text)
    at_place = [p for p in caught.value.problems if (p.line, p.column) == (line, column)]
    assert any(says in p.what and allows in p.allowed for p in at_place), str(caught.value)


def test_all_problems_come_in_one_go() -> None:
    text = (
        INCREMENTAL.replace("pole_pairs: 4", "pole_pairs: four").replace("6 A}", "6}")
        + "  spread: {upper: 4 V}\n  x: {}\n"
    )
    with pytest.raises(YamlError) as caught:
        read(text)
    assert [p.line for p in caught.value.problems] == [5, 7, 30, 31], str(caught.value)


@pytest.mark.parametrize("kind", ["resolver", "sine-cosine", "absolute"])
def test_a_kind_of_feedback_that_is_not_covered_is_named(kind: str) -> None:
    uncovered = read(RESOLVER_TYPE.replace("resolver", kind))
    assert not uncovered.is_covered
    assert uncovered.signal_groups() == ("none",)
    with pytest.raises(ValueError, match=f"Sample R1 has {kind} feedback, which this station does not cover"):
        _ = uncovered.sensors
    with pytest.raises(ValueError, match="an incremental encoder cannot be measured"):
        _ = uncovered.encoder


def test_an_adapter_must_bring_every_wire_of_the_type() -> None:
    differential = motor_type("quillmere-q3")
    assert {"H1-", "A-", "brake+"} <= set(needed_wires(differential))
    assert adapter("ostrel-mt41").missing_wires(differential) == [
        "brake+",
        "brake-",
        "H1-",
        "H2-",
        "H3-",
        "A-",
        "B-",
        "Z-",
    ]


@pytest.mark.parametrize("code", ["0", "256", "'18'"])
def test_an_adapter_code_is_one_that_the_bench_can_read(code: str) -> None:
    text = adapter().text.replace("code: 18", f"code: <<>>{code}")
    plain, line, column = marked(text)
    with pytest.raises(YamlError) as caught:
        Adapter.read_string(plain, "a.yaml")
    assert [(p.line, p.column) for p in caught.value.problems] == [(line, column)]


def test_the_adapters_of_the_shipped_types_tell_themselves_apart() -> None:
    codes = {adapter(name).code for name in TYPES}
    assert len(codes) == len(TYPES)
