"""The wiring diagnosis over every state of sensors, leads and readings, against a model of its own made here."""

import itertools
from collections.abc import Iterator

import numpy as np
import pytest

from analysis.pairings import PAIRS, SENSORS, nominal_deg_el
from analysis.wiring import (
    AS_STATED,
    DIFFERS,
    DIRECTION_DOUBTFUL,
    DIRECTION_QUESTION,
    NOT_EXPLAINED,
    NOT_MEASURED,
    POLARITY_QUESTION,
    SAME_WAY_QUESTION,
    SIXTY_DEGREE_QUESTION,
    TURNED,
    diagnose,
    hypotheses,
    mirrored_table,
    predictions,
)
from analysis.wiring_faults import WiringFault

Table = dict[tuple[str, str], float]
OWN = dict(zip(SENSORS, PAIRS, strict=True))
NOMINAL = nominal_deg_el(OWN, dict.fromkeys(SENSORS, 1), dict.fromkeys(SENSORS, 0.0))
NONE = (False, False, False)
ALL = (True, True, True)
ORDERS = tuple(itertools.permutations(range(3)))
FLIPS = tuple(itertools.product((False, True), repeat=3))


def circle(angle: float) -> float:
    return (angle + 180.0) % 360.0 - 180.0


def seen(fault: WiringFault, offset: float = 0.0, scatter: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Table:
    """What captures of a so wired motor show, from phasors of the phases and levels of the sensors over an angle grid."""
    phase = [np.exp(-1j * np.radians(120 * k)) for k in range(3)]
    terminal = [phase[fault.leads[k]] for k in range(3)]
    table = {}
    for j, (first, second) in enumerate(((0, 1), (1, 2), (2, 0))):
        line = (terminal[first] - terminal[second]) * (-1 if fault.readings[j] else 1)
        zero = -np.degrees(np.angle(line))
        for i in range(3):
            true = fault.sensors[i]
            rise = 120.0 * true - 30.0 + offset + scatter[true] + (180.0 if fault.inverted[i] else 0.0)
            table[SENSORS[i], PAIRS[j]] = circle(rise - zero)
    return table


def states_576() -> Iterator[WiringFault]:
    yield from (WiringFault(s, w, i, r) for s, w, i, r in itertools.product(ORDERS, ORDERS, FLIPS, (NONE, ALL)))


def key(table: Table) -> bytes:
    return bytes(np.round(np.array([[table[s, p] for p in PAIRS] for s in SENSORS]) / 60).astype(np.int64) % 6)


@pytest.mark.parametrize(
    ("chosen", "number", "classes", "size"),
    [
        (lambda f: f.inverted == NONE and f.readings == NONE, 36, 12, 3),
        (lambda f: f.readings == NONE, 288, 96, 3),
        (lambda f: f.readings in (NONE, ALL), 576, 96, 6),
        (lambda _f: True, 2304, 384, 6),
    ],
)
def test_hypotheses_fall_into_the_known_classes(chosen: object, number: int, classes: int, size: int) -> None:
    # Enumeration of all sensor and lead permutations, inversions and reversed readings (counted twice, independently).
    assert callable(chosen)
    rows = predictions(NOMINAL)
    groups: dict[bytes, int] = {}
    for fault, row in zip(hypotheses(), rows, strict=True):
        if chosen(fault):
            group = bytes(np.round(row / 60).astype(np.int64) % 6)
            groups[group] = groups.get(group, 0) + 1
    assert sum(groups.values()) == number
    assert len(groups) == classes
    assert set(groups.values()) == {size}


def test_predictions_agree_with_phasors_for_every_hypothesis() -> None:
    for fault, row in zip(hypotheses(), predictions(NOMINAL), strict=True):
        expected = seen(fault)
        apart = [
            circle(float(y) - expected[s, p]) for y, (s, p) in zip(row, itertools.product(SENSORS, PAIRS), strict=True)
        ]
        assert max(map(abs, apart)) < 1e-9


def test_all_576_states_are_told_right_with_any_offset_up_to_25_degrees() -> None:
    rng = np.random.default_rng(5)
    for fault in states_576():
        offset = float(rng.uniform(-25, 25))
        scatter = rng.normal(0, 1.0, 3)
        table = seen(fault, offset, tuple(scatter - np.median(scatter)))
        found = diagnose({"CW": table, "CCW": table}, NOMINAL)
        fitting = [e for e in found.explanations if key(seen(e.fault)) == key(seen(fault)) and not e.turned_deg_el]
        assert fitting, fault
        assert fitting[0].offset_deg_el == pytest.approx(offset, abs=1.5)


@pytest.mark.parametrize("offset", [-25.0, -8.0, 0.0, 8.0, 25.0])
def test_a_sound_motor_is_wired_as_stated_and_its_offset_stands(offset: float) -> None:
    table = seen(WiringFault((0, 1, 2), (0, 1, 2), NONE, NONE), offset)
    found = diagnose({"CW": table, "CCW": table}, NOMINAL)
    assert found.verdict == AS_STATED
    assert found.question == ""
    assert found.explanations[0].offset_deg_el == pytest.approx(offset)
    assert found.explanations[0].mend == ""
    assert not found.ambiguous


@pytest.mark.parametrize(
    ("fault", "words"),
    [
        (WiringFault((1, 0, 2), (0, 1, 2), NONE, NONE), "sensor wires H1 and H2 swapped"),
        (WiringFault((0, 1, 2), (2, 1, 0), NONE, NONE), "motor leads U and W swapped"),
        (WiringFault((0, 1, 2), (0, 1, 2), (False, True, False), NONE), "H2 inverted"),
        (WiringFault((0, 1, 2), (0, 1, 2), NONE, (False, False, True)), "EMF reading of W-U reversed"),
        (WiringFault((0, 2, 1), (0, 1, 2), (True, False, False), NONE), "sensor wires H2 and H3 swapped; H1 inverted"),
    ],
)
@pytest.mark.parametrize("offset", [-20.0, 3.0])
def test_single_faults_are_named_with_what_mends_them(fault: WiringFault, words: str, offset: float) -> None:
    table = seen(fault, offset)
    found = diagnose({"CW": table, "CCW": table}, NOMINAL)
    assert found.verdict == DIFFERS
    cheapest = found.explanations[0]
    named = {cheapest.text, *cheapest.equivalents}
    assert words in named
    assert cheapest.mend
    assert cheapest.offset_deg_el == pytest.approx(offset, abs=1e-6)


def test_the_question_fits_the_fault() -> None:
    inverted = seen(WiringFault((0, 1, 2), (0, 1, 2), (False, True, False), NONE))
    assert diagnose({"CW": inverted}, NOMINAL).question == SIXTY_DEGREE_QUESTION
    reading = seen(WiringFault((0, 1, 2), (0, 1, 2), NONE, (True, False, False)))
    assert diagnose({"CW": reading}, NOMINAL).question == POLARITY_QUESTION
    swapped = seen(WiringFault((1, 0, 2), (0, 1, 2), NONE, NONE))
    assert diagnose({"CW": swapped}, NOMINAL).question == DIRECTION_QUESTION


def test_each_of_the_96_classes_is_mirrored_into_a_valid_class_when_the_label_is_wrong() -> None:
    classes = {key(seen(fault)): seen(fault) for fault in states_576()}
    assert len(classes) == 96
    mirrors = {key(mirrored_table(table)) for table in classes.values()}
    assert mirrors == set(classes)
    for table in classes.values():
        assert {c: circle(y) for c, y in mirrored_table(mirrored_table(table)).items()} == pytest.approx(
            {c: circle(y) for c, y in table.items()}
        )


def test_for_each_class_the_wrong_label_is_explained_by_the_right_one() -> None:
    for table in {key(seen(fault)): seen(fault, 9.0) for fault in states_576()}.values():
        wrong = diagnose({"CW": mirrored_table(table)}, NOMINAL).if_direction_wrong
        right = diagnose({"CW": table}, NOMINAL).explanations[0]
        assert wrong is not None
        assert (wrong.text, wrong.cost) == (right.text, right.cost)
        assert wrong.offset_deg_el == pytest.approx(right.offset_deg_el)


def test_the_mirror_of_a_sound_motor_asks_for_the_direction_before_any_swap() -> None:
    for offset in (-20.0, 0.0, 12.0):
        table = mirrored_table(seen(WiringFault((0, 1, 2), (0, 1, 2), NONE, NONE), offset))
        found = diagnose({"CW": table, "CCW": table}, NOMINAL)
        assert (found.verdict, found.question) == (DIRECTION_DOUBTFUL, DIRECTION_QUESTION)
        assert found.if_direction_wrong is not None
        assert found.if_direction_wrong.fault.parts == ()
        assert found.if_direction_wrong.offset_deg_el == pytest.approx(offset)
        # It looks exactly like one pair of sensors and one pair of leads swapped.
        assert "sensor wires" in found.explanations[0].text
        assert "motor leads" in found.explanations[0].text


def test_one_direction_mirrored_means_that_the_shaft_turned_the_same_way_twice() -> None:
    table = seen(WiringFault((0, 1, 2), (0, 1, 2), NONE, NONE), 4.0)
    found = diagnose({"CW": table, "CCW": mirrored_table(table)}, NOMINAL)
    assert (found.verdict, found.question) == (DIRECTION_DOUBTFUL, SAME_WAY_QUESTION)


def test_hysteresis_and_delay_do_not_disturb_the_half_sum() -> None:
    table = seen(WiringFault((0, 1, 2), (0, 1, 2), NONE, NONE), 22.0)
    parted = {d: {c: circle(y + shift) for c, y in table.items()} for d, shift in (("CW", 6.0), ("CCW", -6.0))}
    found = diagnose(parted, NOMINAL)
    assert found.verdict == AS_STATED
    assert found.explanations[0].offset_deg_el == pytest.approx(22.0)


@pytest.mark.parametrize("turned", [60.0, -60.0, 120.0, -120.0])
def test_a_turned_body_is_offered_with_rewiring_as_the_other_way(turned: float) -> None:
    table = seen(WiringFault((0, 1, 2), (0, 1, 2), NONE, NONE), turned + 7.0)
    found = diagnose({"CW": table, "CCW": table}, NOMINAL)
    assert found.verdict == TURNED
    assert found.explanations[0].offset_deg_el == pytest.approx(turned + 7.0)
    rewired = [e for e in found.explanations if not e.turned_deg_el]
    assert rewired
    assert rewired[0].offset_deg_el == pytest.approx(7.0)
    # A feedback that stands clockwise of its place is mended counter-clockwise seen from the drive end.
    assert ("counter-clockwise" if turned > 0 else " clockwise") in found.explanations[0].mend


def test_near_thirty_degrees_both_readings_are_printed() -> None:
    table = seen(WiringFault((0, 1, 2), (0, 1, 2), NONE, NONE), 28.0)
    found = diagnose({"CW": table, "CCW": table}, NOMINAL)
    assert found.ambiguous
    assert {0.0, 60.0} <= {e.turned_deg_el for e in found.explanations}


def test_a_type_with_its_own_table_and_polarity_is_as_stated() -> None:
    pairs, polarity = {"H1": "W-U", "H2": "V-W", "H3": "U-V"}, {"H1": -1, "H2": 1, "H3": -1}
    nominal = nominal_deg_el(pairs, polarity, {"H1": 10.0, "H2": 10.0, "H3": 10.0})
    found = diagnose({"CW": {c: circle(y + 5) for c, y in nominal.items()}}, nominal)
    assert found.verdict == AS_STATED
    assert found.explanations[0].offset_deg_el == pytest.approx(5.0)


def test_the_same_cyclic_shift_of_both_is_equivalent_to_as_stated() -> None:
    found = diagnose({"CW": NOMINAL}, NOMINAL)
    shifted = [e for e in found.explanations[0].equivalents if "sensor wires moved" in e and "motor leads moved" in e]
    assert len(shifted) >= 2
    assert any(
        "H1 inverted; H2 inverted; H3 inverted; EMF reading of all pairs reversed" in e
        for e in found.explanations[0].equivalents
    )


def test_residuals_tell_the_sensor_that_is_off() -> None:
    table = seen(WiringFault((0, 1, 2), (0, 1, 2), NONE, NONE), 10.0, (0.0, 8.0, 0.0))
    found = diagnose({"CW": table}, NOMINAL)
    assert found.explanations[0].offset_deg_el == pytest.approx(10.0)
    assert found.explanations[0].residual_deg_el == pytest.approx({"H1": 0.0, "H2": 8.0, "H3": 0.0})


def test_nothing_fits_figures_that_no_wiring_makes() -> None:
    table = dict(NOMINAL)
    table["H1", "U-V"] = circle(table["H1", "U-V"] + 90)
    found = diagnose({"CW": table}, NOMINAL)
    assert (found.verdict, found.explanations) == (NOT_EXPLAINED, ())


def test_a_dead_sensor_leaves_the_others_diagnosed() -> None:
    swapped = seen(WiringFault((1, 0, 2), (0, 1, 2), NONE, NONE), 5.0)
    table = {cell: y for cell, y in swapped.items() if cell[0] != "H3"}
    found = diagnose({"CW": table, "CCW": table}, NOMINAL)
    assert found.unseen == ("H3",)
    assert found.verdict == DIFFERS
    assert "sensor wires H1 and H2 swapped" in found.explanations[0].text


def test_two_dead_sensors_or_no_capture_say_nothing() -> None:
    table = {cell: y for cell, y in NOMINAL.items() if cell[0] == "H1"}
    assert diagnose({"CW": table}, NOMINAL).verdict == NOT_MEASURED
    assert diagnose({}, NOMINAL).verdict == NOT_MEASURED


def test_what_captures_cannot_tell_is_always_said() -> None:
    said = " ".join(diagnose({"CW": NOMINAL}, NOMINAL).cannot_tell)
    for word in ("direction label", "reversed EMF reading", "60-degree", "cyclic"):
        assert word in said


def test_diagnosis_is_the_same_each_time() -> None:
    table = seen(WiringFault((1, 0, 2), (0, 2, 1), (True, False, False), NONE), 3.0)
    assert diagnose({"CW": table}, NOMINAL) == diagnose({"CW": table}, NOMINAL)
