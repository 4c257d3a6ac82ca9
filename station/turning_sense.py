"""Which way the sensors say that the shaft turns."""

from analysis.edges import find_edges
from analysis.pairings import sensor_angles_deg_el
from analysis.states import codes_clockwise, states_of
from drivers.scope import Capture
from station.motor_type import MotorType


def sensors_sense(capture: Capture, kind: MotorType) -> int:
    """Return +1 where the states follow the type's clockwise order, -1 for the reverse, 0 for neither."""
    volts = {w.signal: w.volts() for w in capture.waveforms if w.signal != "emf"}
    edges = {name: find_edges(v, capture.interval_s) for name, v in volts.items()}
    sensors = kind.sensors
    clockwise = codes_clockwise(sensor_angles_deg_el(sensors.pairs, sensors.polarity, sensors.targets_deg_el))
    return states_of(edges, clockwise).sense
