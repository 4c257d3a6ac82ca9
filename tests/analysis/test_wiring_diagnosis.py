"""Which wiring fault is named for what the nine pairings show; the truth comes from phasors, not from the code's table."""

import cmath
import itertools
import math

import pytest
from emf_signals import RISE_OF, near
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.pairings import PAIRS, SENSORS, nominal_deg_el
from analysis.wiring import (
    AS_STATED,
    DIFFERS,
    DIRECTION_DOUBTFUL,
    DIRECTION_QUESTION,
    NOT_EXPLAINED,
    NOT_MEASURED,
    SAME_WAY_QUESTION,
    SIXTY_DEGREE_QUESTION,
    TURNED,
    Diagnosis,
    diagnose,
    hypotheses,
    mirrored_table,
    predictions,
)

IN_PLACE = (0, 1, 2)
NONE = (False, False, False)
PERMUTATIONS = tuple(itertools.permutations(range(3)))
SWAPS = {(1, 0, 2): "U and V", (0, 2, 1): "V and W", (2, 1, 0): "U and W"}
SENSOR_SWAPS = {(1, 0, 2): "H1 and H2", (0, 2, 1): "H2 and H3", (2, 1, 0): "H1 and H3"}
NOMINAL = nominal_deg_el(dict(zip(SENSORS, PAIRS, strict=True)), dict.fromkeys(SENSORS, 1), dict.fromkeys(SENSORS, 0.0))
Y = dict[tuple[str, str], float]


def shown(
    sensors: tuple[int, ...] = IN_PLACE,
    leads: tuple[int, ...] = IN_PLACE,
    inverted: tuple[bool, ...] = NONE,
    offset: float = 0.0,
    scatter: tuple[float, ...] = (0.0, 0.0, 0.0),
) -> Y:
    """What a motor so wired shows, from the phasors of e_u, e_v, e_w (sequence U, V, W going clockwise)."""
    phase = [cmath.exp(-2j * math.pi * k / 3) for k in range(3)]
    at_terminal = [phase[lead] for lead in leads]
    rises = [list(RISE_OF.values())[s] + scatter[s] for s in sensors]
    table = {}
    for (name, rise), over in zip(zip(SENSORS, rises, strict=True), inverted, strict=True):
        for i, pair in enumerate(PAIRS):
            line = at_terminal[i] - at_terminal[(i + 1) % 3]
            # Im(line exp(j theta)) rises through nothing at theta = -angle(line).
            table[name, pair] = near(rise + offset + 180 * over + math.degrees(cmath.phase(line)))
    return table


def diagnosed(table: Y) -> Diagnosis:
    return diagnose({"CW": table, "CCW": table}, NOMINAL)


def test_a_right_motor_is_as_stated_and_asks_nothing() -> None:
    found = diagnosed(shown(offset=4.0, scatter=(1.0, -2.0, 0.5)))
    assert (found.verdict, found.question, found.unseen) == (AS_STATED, "", ())
    assert found.explanations[0].offset_deg_el == pytest.approx(4.5)
    assert found.explanations[0].residual_deg_el == pytest.approx({"H1": 0.5, "H2": -2.5, "H3": 0.0})


@pytest.mark.parametrize("offset", [-20.0, 0.0, 20.0])
@pytest.mark.parametrize(("leads", "named"), SWAPS.items())
def test_two_leads_swapped(leads: tuple[int, ...], named: str, offset: float) -> None:
    found = diagnosed(shown(leads=leads, offset=offset))
    assert (found.verdict, found.question) == (DIFFERS, DIRECTION_QUESTION)
    assert found.explanations[0].text == f"motor leads {named} swapped"
    assert found.explanations[0].mend == f"swap the motor leads {named}"
    assert found.explanations[0].offset_deg_el == pytest.approx(offset)


@pytest.mark.parametrize("offset", [-20.0, 20.0])
@pytest.mark.parametrize(("sensors", "named"), SENSOR_SWAPS.items())
def test_two_sensors_swapped(sensors: tuple[int, ...], named: str, offset: float) -> None:
    found = diagnosed(shown(sensors=sensors, offset=offset))
    assert found.verdict == DIFFERS
    assert found.explanations[0].text == f"sensor wires {named} swapped"
    assert found.explanations[0].offset_deg_el == pytest.approx(offset)


@pytest.mark.parametrize("offset", [-20.0, 0.0, 20.0])
@pytest.mark.parametrize("which", range(3))
def test_one_sensor_inverted_asks_for_a_60_degree_unit(which: int, offset: float) -> None:
    inverted = tuple(i == which for i in range(3))
    found = diagnosed(shown(inverted=inverted, offset=offset))
    assert (found.verdict, found.question) == (DIFFERS, SIXTY_DEGREE_QUESTION)
    assert found.explanations[0].text == f"{SENSORS[which]} inverted"
    assert found.explanations[0].offset_deg_el == pytest.approx(offset)


@pytest.mark.parametrize(("step", "turned"), [((1, 2, 0), 120.0), ((2, 0, 1), -120.0)])
def test_sensor_wires_moved_round_look_like_a_turned_body_and_both_are_offered(
    step: tuple[int, ...], turned: float
) -> None:
    found = diagnosed(shown(sensors=step))
    assert found.verdict == TURNED
    assert found.explanations[0].turned_deg_el == turned
    way = "counter-clockwise" if turned > 0 else "clockwise"
    assert f"body {way} seen from the drive end by 120.0" in found.explanations[0].mend
    offered = [text for e in found.explanations if e.turned_deg_el == 0 for text in (e.text, *e.equivalents)]
    assert any(text.startswith("sensor wires moved round") and "leads" not in text for text in offered)


@pytest.mark.parametrize("step", [(1, 2, 0), (2, 0, 1)])
def test_the_same_step_of_leads_and_sensors_is_harmless(step: tuple[int, ...]) -> None:
    assert diagnosed(shown(sensors=step, leads=step)).verdict == AS_STATED


@pytest.mark.parametrize("offset", [-20.0, 0.0, 20.0])
@pytest.mark.parametrize("leads", PERMUTATIONS)
def test_every_order_of_leads_is_among_the_explanations(leads: tuple[int, ...], offset: float) -> None:
    found = diagnosed(shown(leads=leads, offset=offset))
    wanted = next(
        h for h in hypotheses() if (h.sensors, h.leads, h.inverted, h.readings) == (IN_PLACE, leads, NONE, NONE)
    )
    at = next(e for e in found.explanations if e.turned_deg_el == 0 and e.fault.readings == NONE)
    assert "; ".join(wanted.parts) in (e.replace("wired as the type states", "") for e in (at.text, *at.equivalents))
    assert at.offset_deg_el == pytest.approx(offset)


@pytest.mark.parametrize("leads", list(SWAPS))
@pytest.mark.parametrize("sensors", list(SENSOR_SWAPS))
def test_a_sensor_pair_with_a_lead_pair_may_be_a_wrong_direction(
    sensors: tuple[int, ...], leads: tuple[int, ...]
) -> None:
    found = diagnosed(shown(sensors=sensors, leads=leads))
    assert (found.verdict, found.question) == (DIRECTION_DOUBTFUL, DIRECTION_QUESTION)


def test_a_right_motor_with_a_wrong_label_asks_to_look_at_the_shaft() -> None:
    assert diagnosed(mirrored_table(shown(offset=3.0))).verdict == DIRECTION_DOUBTFUL


def test_both_directions_showing_one_rotation_is_said() -> None:
    right = shown(offset=3.0)
    found = diagnose({"CW": right, "CCW": mirrored_table(right)}, NOMINAL)
    assert (found.verdict, found.question) == (DIRECTION_DOUBTFUL, SAME_WAY_QUESTION)


def test_between_two_classes_both_are_named() -> None:
    found = diagnosed(shown(offset=28.0))
    assert found.ambiguous
    assert [e.offset_deg_el for e in found.explanations if e.cost == 0] == pytest.approx([28.0])
    assert any(e.turned_deg_el == 60.0 and not e.fault.parts for e in found.explanations)
    assert not diagnosed(shown(offset=20.0)).ambiguous


def test_sensors_in_no_sixty_degree_place_are_not_explained() -> None:
    assert diagnosed(shown(scatter=(0.0, 45.0, -45.0))).verdict == NOT_EXPLAINED


def test_one_missing_sensor_is_named_and_two_make_no_diagnosis() -> None:
    whole = shown()
    one = {cell: y for cell, y in whole.items() if cell[0] != "H3"}
    assert (diagnosed(one).verdict, diagnosed(one).unseen) == (AS_STATED, ("H3",))
    two = {cell: y for cell, y in whole.items() if cell[0] == "H1"}
    assert diagnosed(two).verdict == NOT_MEASURED
    assert diagnose({}, NOMINAL).verdict == NOT_MEASURED


def test_hypotheses_and_the_number_of_distinct_captures() -> None:
    # 6 sensor orders x 6 lead orders x 8 inversions x 8 readings; a shared cyclic step (3) and a shared reversal (2)
    # never show, so 2304 / 6 = 384 distinct tables (counted by hand).
    assert len(hypotheses()) == 6 * 6 * 8 * 8
    distinct = {tuple(round(v) % 360 for v in row) for row in predictions(NOMINAL)}
    assert len(distinct) == 384


@given(
    sensors=st.sampled_from(PERMUTATIONS),
    leads=st.sampled_from(PERMUTATIONS),
    inverted=st.tuples(st.booleans(), st.booleans(), st.booleans()),
)
@settings(max_examples=50, deadline=None)
def test_the_table_of_predictions_agrees_with_phasors(
    sensors: tuple[int, ...], leads: tuple[int, ...], inverted: tuple[bool, ...]
) -> None:
    row = next(
        i
        for i, h in enumerate(hypotheses())
        if (h.sensors, h.leads, h.inverted, h.readings) == (sensors, leads, inverted, NONE)
    )
    for predicted, true in zip(predictions(NOMINAL)[row], shown(sensors, leads, inverted).values(), strict=True):
        assert near(predicted - true) == pytest.approx(0.0, abs=1e-9)


@given(
    sensors=st.sampled_from(PERMUTATIONS),
    leads=st.sampled_from(PERMUTATIONS),
    inverted=st.tuples(st.booleans(), st.booleans(), st.booleans()),
    offset=st.floats(-20.0, 20.0),
    scatter=st.tuples(*[st.floats(-2.0, 2.0)] * 3),
)
@settings(max_examples=50, deadline=None)
def test_the_cheapest_explanation_always_predicts_what_was_seen(
    sensors: tuple[int, ...],
    leads: tuple[int, ...],
    inverted: tuple[bool, ...],
    offset: float,
    scatter: tuple[float, ...],
) -> None:
    seen = shown(sensors, leads, inverted, offset, scatter)
    found = diagnosed(seen)
    best = found.explanations[0]
    row = hypotheses().index(best.fault)
    for (cell, y), predicted in zip(seen.items(), predictions(NOMINAL)[row], strict=True):
        rest = best.offset_deg_el + best.residual_deg_el[cell[0]]
        assert near(y - predicted - rest) == pytest.approx(0.0, abs=1e-6)
