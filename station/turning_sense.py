"""Which way the sensors say that the shaft turns."""

from collections.abc import Mapping

from analysis.edges import Edges, find_edges
from analysis.pairings import sensor_angles_deg_el
from analysis.states import codes_clockwise, states_of
from drivers.scope import Capture
from station.motor_type import MotorType


def edges_sense(edges: Mapping[str, Edges], kind: MotorType) -> int:
    """Return +1 where the states follow the type's clockwise order, -1 for the reverse, 0 for neither."""
    if any(e.times_s.size == 0 for e in edges.values()):
        return 0
    sensors = kind.sensors
    clockwise = codes_clockwise(sensor_angles_deg_el(sensors.pairs, sensors.polarity, sensors.targets_deg_el))
    return states_of(dict(edges), clockwise).sense


def sensors_sense(capture: Capture, kind: MotorType) -> int:
    """Return the sense of a capture of the three sensors: +1, -1, or 0 where it shows no steady one."""
    volts = {w.signal: w.volts() for w in capture.waveforms if w.signal != "emf"}
    return edges_sense({name: find_edges(v, capture.interval_s) for name, v in volts.items()}, kind)
