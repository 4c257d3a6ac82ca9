import re
import xml.etree.ElementTree as ET

import pytest
import sample_record
from hypothesis import given, settings
from hypothesis import strategies as st

from station.sheet_pictures import dial_picture, high_arcs, nice_step, ticks, trace_picture

SVG = "{http://www.w3.org/2000/svg}"
TRACE = sample_record.trace("CW", 600.0, sample_record.AS_LEFT_OFFSETS)
EDGES = sample_record.dial(sample_record.AS_LEFT_OFFSETS)["edges"]


def drawn(markup: str) -> ET.Element:
    return ET.fromstring(str(markup).replace("<svg ", '<svg xmlns="http://www.w3.org/2000/svg" ', 1))  # noqa: S314 our own


def of_class(picture: ET.Element, name: str) -> list[ET.Element]:
    return [e for e in picture.iter() if name in (e.get("class") or "").split()]


def texts(picture: ET.Element) -> list[str]:
    return [e.text or "" for e in picture.iter(f"{SVG}text")]


def test_a_trace_names_its_axes_and_their_units() -> None:
    written = texts(drawn(trace_picture(TRACE, "t")))
    assert {"EMF in V", "time in ms", "H1", "H2", "H3"} <= set(written)


def test_a_picture_has_a_title_and_a_description_for_those_who_cannot_see_it() -> None:
    picture = drawn(trace_picture(TRACE, "t"))
    assert picture.get("role") == "img"
    assert picture.find(f"{SVG}title").text == "U-V, CW, 600 rpm"
    assert "volts over time in milliseconds" in picture.find(f"{SVG}desc").text


def test_the_curve_keeps_every_sample_of_a_short_record_and_its_peak_in_place() -> None:
    points = of_class(drawn(trace_picture(TRACE, "t")), "curve")[0].get("points").split()
    assert len(points) == len(TRACE["t_ms"])
    heights = [float(p.split(",")[1]) for p in points]
    assert heights.index(min(heights)) == pytest.approx(TRACE["emf_v"].index(max(TRACE["emf_v"])), abs=2)


def test_a_long_record_is_thinned_without_losing_its_peak() -> None:
    n = 100_000
    emf = [0.0] * n
    emf[54_321] = 40.0
    trace = TRACE | {"t_ms": [i / 1000.0 for i in range(n)], "emf_v": emf, "sensors": {"H1": [0] * n}}
    markup = trace_picture(trace, "t")
    points = [p.split(",") for p in of_class(drawn(markup), "curve")[0].get("points").split()]
    highest = min(points, key=lambda p: float(p[1]))
    assert float(highest[0]) == pytest.approx(46 + 0.54321 * 306, abs=0.2)
    assert len(markup) < 30_000


def test_a_sensor_turns_where_its_states_do() -> None:
    trace = TRACE | {"t_ms": [0.0, 1.0, 2.0, 3.0, 4.0], "emf_v": [0.0] * 5, "sensors": {"H1": [0, 0, 1, 1, 0]}}
    picture = drawn(trace_picture(trace, "t"))
    turns = [float(x) for x in re.findall(r"H([\d.]+)V", of_class(picture, "state")[0].get("d"))]
    left, right = 46.0, 352.0
    assert turns == pytest.approx([left + (right - left) * 1.5 / 4, left + (right - left) * 3.5 / 4], abs=0.051)
    assert texts(picture).count("not recorded") == 2


def test_an_empty_trace_is_drawn_as_empty_axes() -> None:
    empty = TRACE | {"t_ms": [], "emf_v": [], "sensors": {}}
    assert texts(drawn(trace_picture(empty, "t"))).count("not recorded") == 3


def test_a_title_cannot_break_out_of_its_picture() -> None:
    picture = drawn(trace_picture(TRACE | {"title": "</title><script>alert(1)</script>\u202e"}, "t"))
    assert not list(picture.iter(f"{SVG}script"))
    assert picture.find(f"{SVG}title").text == "</title><script>alert(1)</script>⟨U+202E⟩"


def test_an_edge_stands_on_the_dial_clockwise_from_the_top() -> None:
    edges = [
        {"sensor": "H1", "edge": "rising", "angle_deg_el": 0.0, "nominal_deg_el": None, "pair": "U-V"},
        {"sensor": "H1", "edge": "falling", "angle_deg_el": 90.0, "nominal_deg_el": None, "pair": "U-V"},
    ]
    path = of_class(drawn(dial_picture(edges, [], "d")), "high")[0].get("d")
    assert path == "M150 46A104 104 0 0 1 254 150"


def test_nominal_edges_and_edges_as_found_are_marked() -> None:
    before = sample_record.dial(sample_record.AS_FOUND_OFFSETS)["edges"]
    picture = drawn(dial_picture(EDGES, before, "d"))
    assert (len(of_class(picture, "nominal")), len(of_class(picture, "before"))) == (6, 6)
    assert len(of_class(drawn(dial_picture(EDGES, [], "d")), "before")) == 0


def test_a_sensor_without_edges_is_named_as_such() -> None:
    alive = [e for e in EDGES if e["sensor"] != "H2"]
    assert "H2: no edges" in texts(drawn(dial_picture(alive, [], "d")))


def test_a_sensor_is_high_from_each_rise_to_the_next_fall_past_the_top_too() -> None:
    edges = [
        {"edge": "rising", "angle_deg_el": 330.0},
        {"edge": "falling", "angle_deg_el": 150.0},
        {"edge": "rising", "angle_deg_el": 200.0},
        {"edge": "falling", "angle_deg_el": 210.0},
    ]
    assert high_arcs(edges) == [(330.0, 510.0), (200.0, 210.0)]
    assert high_arcs(edges[:1]) == []


@settings(deadline=None, max_examples=100)
@given(span=st.floats(min_value=1e-6, max_value=1e9), parts=st.integers(min_value=1, max_value=12))
def test_ticks_are_few_and_cover_the_axis(span: float, parts: int) -> None:
    step = nice_step(span, parts)
    assert f"{step:e}"[0] in "125"
    assert 1 <= len(ticks(0.0, span, step)) <= parts + 1
    assert nice_step(0.0, parts) == 1.0
