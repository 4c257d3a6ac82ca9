"""The pictures of a sheet as SVG: EMF against the three sensors, and the dial of sensor edges.

They only draw what the record holds. Lengths are SVG user units; every coordinate is rounded to a tenth, so the same
record gives the same bytes.
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from markupsafe import Markup

from station.formatting import number, visible

SENSORS = ("H1", "H2", "H3")

TRACE_WIDTH, TRACE_HEIGHT = 360, 212
_LEFT, _RIGHT, _TOP, _EMF_HEIGHT = 46, 352, 10, 92
_LANE_TOP, _LANE_HEIGHT, _LANE_STEP = 112, 14, 21
_COLUMNS = 400
"""More samples than this are drawn as the least and greatest of each column, so that no peak is lost."""

DIAL_SIZE = 300
_CENTRE = DIAL_SIZE / 2
_SCALE_RADIUS = 122
_RINGS = {"H1": 104, "H2": 82, "H3": 60}


def nice_step(span: float, parts: int) -> float:
    """Return the step of 1, 2 or 5 times a power of ten that cuts `span` into at most `parts` parts."""
    if span <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(span / parts))
    return next((f * power for f in (1.0, 2.0, 5.0) if f * power * parts >= span * (1.0 - 1e-9)), 10.0 * power)


def ticks(first: float, last: float, step: float) -> list[float]:
    """Return the multiples of `step` from `first` to `last`."""
    slack = 1e-9
    return [i * step for i in range(math.ceil(first / step - slack), math.floor(last / step + slack) + 1)]


def _at(coordinate: float) -> str:
    text = f"{coordinate:.1f}".removesuffix(".0")
    return "0" if text == "-0" else text


def _line(kind: str, x1: float, y1: float, x2: float, y2: float) -> Markup:
    return Markup('<line class="{}" x1="{}" y1="{}" x2="{}" y2="{}"/>').format(kind, _at(x1), _at(y1), _at(x2), _at(y2))


def _text(kind: str, x: float, y: float, text: str) -> Markup:
    return Markup('<text class="{}" x="{}" y="{}">{}</text>').format(kind, _at(x), _at(y), visible(text))


def _picture(width: float, height: float, name: str, title: str, about: str, parts: Iterable[Markup]) -> Markup:
    return Markup(
        '<svg class="picture" viewBox="0 0 {w} {h}" role="img" aria-labelledby="{n}-title {n}-about">'
        '<title id="{n}-title">{t}</title><desc id="{n}-about">{a}</desc>{parts}</svg>'
    ).format(w=_at(width), h=_at(height), n=name, t=visible(title), a=visible(about), parts=Markup("").join(parts))


def _thinned(xs: Sequence[float], ys: Sequence[float]) -> list[tuple[float, float]]:
    """At most two points per column of the drawing: the least and the greatest, in the order they came."""
    size = max(1, math.ceil(len(xs) / _COLUMNS))
    if size == 1:
        return list(zip(xs, ys, strict=True))
    kept: list[tuple[float, float]] = []
    for start in range(0, len(xs), size):
        column = range(start, min(start + size, len(xs)))
        low, high = min(column, key=ys.__getitem__), max(column, key=ys.__getitem__)
        kept += [(xs[i], ys[i]) for i in sorted({low, high})]
    return kept


def _edges(t_ms: Sequence[float], states: Sequence[int]) -> list[float]:
    """Return the middle of each pair of samples between which the state changes."""
    pairs = zip(t_ms, t_ms[1:], states, states[1:], strict=False)
    return [(t0 + t1) / 2.0 for t0, t1, before, after in pairs if bool(before) != bool(after)]


def trace_picture(trace: Mapping[str, Any], name: str) -> Markup:
    """Draw the EMF of one capture above its three sensors, on one time axis.

    Parameters
    ----------
    trace : mapping
        `title`, `t_ms` (n,) [ms], `emf_v` (n,) [V] and `sensors`, a mapping of sensor to states (n,) of 0 and 1.
    name : str
        Identifier of the picture, unique on its page.
    """
    t_ms, emf_v, sensors = trace["t_ms"], trace["emf_v"], trace["sensors"]
    first, last = (t_ms[0], t_ms[-1]) if t_ms else (0.0, 0.0)
    span = (last - first) or 1.0
    peak = max((abs(v) for v in emf_v), default=0.0) or 1.0
    step_v = nice_step(peak, 2)
    top_v = math.ceil(peak / step_v - 1e-9) * step_v
    middle = _TOP + _EMF_HEIGHT / 2

    def x(t: float) -> float:
        return _LEFT + (t - first) / span * (_RIGHT - _LEFT)

    def y(v: float) -> float:
        return middle - v / top_v * _EMF_HEIGHT / 2

    bottom = _LANE_TOP + _LANE_STEP * len(SENSORS)
    parts = [_line("grid", _LEFT, y(v), _RIGHT, y(v)) for v in ticks(-top_v, top_v, step_v)]
    parts += [_text("tick end", _LEFT - 4, y(v) + 3, number(v)) for v in ticks(-top_v, top_v, step_v)]
    for t in ticks(first, last, nice_step(span, 6)):
        parts += [_line("grid", x(t), _TOP, x(t), bottom), _text("tick mid", x(t), bottom + 11, number(t))]
    for sensor in sorted(sensors):
        parts += [_line("edge", x(t), _TOP, x(t), bottom) for t in _edges(t_ms, sensors[sensor])]
    points = " ".join(f"{_at(x(t))},{_at(y(v))}" for t, v in _thinned(t_ms, emf_v))
    parts += [Markup('<polyline class="curve" points="{}"/>').format(points)]
    parts += [_line("axis", _LEFT, middle, _RIGHT, middle)]
    for lane, sensor in enumerate(SENSORS):
        parts += _lane(sensor, sensors.get(sensor), t_ms, x, _LANE_TOP + lane * _LANE_STEP)
    parts += [
        Markup('<text class="name mid" transform="translate(9 {}) rotate(-90)">EMF in V</text>').format(_at(middle)),
        _text("name mid", (_LEFT + _RIGHT) / 2, bottom + 24, "time in ms"),
    ]
    about = f"{trace['title']}: EMF in volts over time in milliseconds, with the sensors {', '.join(SENSORS)} below it."
    return _picture(TRACE_WIDTH, TRACE_HEIGHT, name, str(trace["title"]), about, parts)


def _lane(sensor: str, states: Sequence[int] | None, t_ms: Sequence[float], x: Any, top: float) -> list[Markup]:
    """One sensor's states as a stepped line, high above low."""
    low = top + _LANE_HEIGHT
    label = _text("name end", _LEFT - 4, low - 3, sensor)
    if not states:
        return [label, _text("tick", _LEFT + 4, low - 3, "not recorded")]
    level = top if states[0] else low
    path = [f"M{_at(_LEFT)} {_at(level)}"]
    for t in _edges(t_ms, states):
        level = low if level == top else top
        path.append(f"H{_at(x(t))}V{_at(level)}")
    path.append(f"H{_at(_RIGHT)}")
    return [label, Markup('<path class="state" d="{}"/>').format("".join(path))]


def _on_dial(angle_deg: float, radius: float) -> tuple[float, float]:
    """Return a place on the dial: zero at the top, angles rising clockwise."""
    a = math.radians(angle_deg)
    return _CENTRE + radius * math.sin(a), _CENTRE - radius * math.cos(a)


def _spoke(kind: str, angle_deg: float, inner: float, outer: float) -> Markup:
    return _line(kind, *_on_dial(angle_deg, inner), *_on_dial(angle_deg, outer))


def _circle(kind: str, x: float, y: float, radius: float) -> Markup:
    return Markup('<circle class="{}" cx="{}" cy="{}" r="{}"/>').format(kind, _at(x), _at(y), _at(radius))


def _arc(from_deg: float, to_deg: float, radius: float) -> Markup:
    (x1, y1), (x2, y2) = _on_dial(from_deg, radius), _on_dial(to_deg, radius)
    large = 1 if (to_deg - from_deg) % 360.0 > 180.0 else 0
    path = f"M{_at(x1)} {_at(y1)}A{_at(radius)} {_at(radius)} 0 {large} 1 {_at(x2)} {_at(y2)}"
    return Markup('<path class="high" d="{}"/>').format(path)


def high_arcs(edges: Iterable[Mapping[str, Any]]) -> list[tuple[float, float]]:
    """Return the angles over which a sensor is high: from each rising edge to the next falling one, clockwise [deg]."""
    falls = [e["angle_deg_el"] for e in edges if e["edge"] == "falling"]
    rises = [e["angle_deg_el"] for e in edges if e["edge"] == "rising"]
    return [(rise, rise + min((fall - rise) % 360.0 for fall in falls)) for rise in rises] if falls else []


def dial_picture(edges: Sequence[Mapping[str, Any]], as_found: Sequence[Mapping[str, Any]], name: str) -> Markup:
    """Draw the sensor edges in electrical degrees, clockwise as the shaft turns seen from the drive end.

    Each sensor has a ring, thick where its output is high; short strokes across the ring are the nominal edges, open
    dots the edges as found.
    """
    parts = [_circle("axis", _CENTRE, _CENTRE, _SCALE_RADIUS)]
    for angle in range(0, 360, 10):
        length = 6 if angle % 30 == 0 else 3
        parts.append(_spoke("axis", angle, _SCALE_RADIUS, _SCALE_RADIUS + length))
        if angle % 30 == 0:
            x, y = _on_dial(angle, _SCALE_RADIUS + 15)
            parts.append(_text("tick mid", x, y + 3, f"{angle}°"))
    for sensor, radius in _RINGS.items():
        own = [e for e in edges if e["sensor"] == sensor]
        parts.append(_circle("ring", _CENTRE, _CENTRE, radius))
        arcs = high_arcs(own)
        parts += [_arc(rise, fall, radius) for rise, fall in arcs]
        nominal = sorted({e["nominal_deg_el"] for e in own if e["nominal_deg_el"] is not None})
        parts += [_spoke("nominal", angle, radius - 9, radius + 9) for angle in nominal]
        before = [e["angle_deg_el"] for e in as_found if e["sensor"] == sensor]
        parts += [_circle("before", *_on_dial(angle, radius), 3) for angle in sorted(before)]
        parts.append(_ring_label(sensor, arcs, radius))
    parts += [
        _text("name mid", _CENTRE, _CENTRE - 4, "electrical"),
        _text("name mid", _CENTRE, _CENTRE + 6, "degrees,"),
        _text("name mid", _CENTRE, _CENTRE + 16, "CW positive"),
    ]
    about = "One ring per sensor, thick where its output is high, with the nominal edges as strokes across the ring."
    return _picture(DIAL_SIZE, DIAL_SIZE, name, "Dial of the sensor edges against the EMF", about, parts)


def _ring_label(sensor: str, arcs: Sequence[tuple[float, float]], radius: float) -> Markup:
    """Write the sensor's name on its thick arc, or above an empty ring that says so."""
    if not arcs:
        return _text("name mid", _CENTRE, _CENTRE - radius + 3, f"{sensor}: no edges")
    rise, fall = arcs[0]
    x, y = _on_dial((rise + fall) / 2.0, radius)
    return _text("on-arc mid", x, y + 3, sensor)
