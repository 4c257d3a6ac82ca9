"""The control side of the simulated bench: time, motor, hands, faults, log and truth. A real bench has no such thing."""

import json
import math

from drivers.simulated.faults import FAULTS
from drivers.simulated.instrument import Instrument
from drivers.simulated.scpi_grammar import Call, Command, ScpiError, block, boolean, number, quoted
from drivers.simulated.technician import act
from drivers.simulated.world import World

LONGEST_ADVANCE_S = 3600.0


def truth(world: World) -> dict[str, object]:
    """Return the state that no instrument shows, for tests and demonstrations."""
    mounted = world.mounted
    return {
        "now_s": world.now_s,
        "serial": mounted.source.serial,
        "type": mounted.make.name,
        "speed_rpm": world.shaft.rpm,
        "theta_deg_mech": math.degrees(world.shaft.theta) % 360,
        "fitted": mounted.fitted,
        "locked": mounted.locked,
        "body_deg_mech": math.degrees(mounted.body),
        "offsets_deg_el": {
            sensor: math.degrees(mounted.body) * mounted.make.pole_pairs
            + mounted.parts.unit.placement_deg_el.get(sensor, 0.0)
            for sensor in ("H1", "H2", "H3")
        },
        "hysteresis_deg_el": mounted.parts.unit.hysteresis_deg_el,
        "leads": list(mounted.parts.motor.leads),
        "brake_released": mounted.brake_released,
        "unit_destroyed": mounted.damaged,
        "contactor": world.electrics.safety.contactor,
        "spin_current_a": world.shaft.current_a,
        "hands_busy": world.hand_on_shaft is not None or world.hand_on_body is not None,
        "sweeping": world.sweeping,
        "faults": sorted(world.faults),
        "line_resistance_ohm": mounted.make.line_resistance_ohm,
    }


class Control:
    """What the control resource does with the model.

    Parameters
    ----------
    world
        The model.
    mode
        `stepped` or `scaled`.
    """

    def __init__(self, world: World, mode: str) -> None:
        self.world, self.mode = world, mode

    def advance(self, call: Call) -> str:
        """Move a stepped clock and return the new bench time [s]."""
        if self.mode != "stepped":
            raise ScpiError(-221, "the clock is scaled and moves by itself")
        return repr(self.world.advance(number(call.parameters[0], "S", 0, LONGEST_ADVANCE_S)))

    def mount(self, call: Call) -> None:
        """Put a motor on the bench."""
        serial = quoted(call.parameters[0])
        if serial not in self.world.motors:
            raise ScpiError(-224, f"no motor {serial}")
        self.world.mount(serial)

    def hand(self, call: Call) -> None:
        """Let the hands do something."""
        value = call.parameters[1] if len(call.parameters) > 1 else ""
        if value[:1] in ("'", '"'):
            value = quoted(value)
        try:
            act(self.world, quoted(call.parameters[0]), value)
        except ValueError as error:
            raise ScpiError(-224, str(error)) from error

    def fault(self, call: Call) -> None:
        """Put a fault on or take it off."""
        name = quoted(call.parameters[0])
        if name not in FAULTS:
            raise ScpiError(-224, f"no fault {name}")
        self.world.set_fault(name, on=boolean(call.parameters[1]))

    def log(self, call: Call) -> bytes:
        """Return the event log from an index on as a block of JSON."""
        return block(json.dumps(self.world.log.since(int(number(call.parameters[0], "", 0)))).encode())


def control_instrument(world: World, identity: str, mode: str) -> Instrument:
    """Build the control resource; `mode` is stepped or scaled."""
    control = Control(world, mode)
    return Instrument(
        identity,
        [
            Command("SIMulation:CLOCk?", lambda _: repr(world.now_s)),
            Command("SIMulation:CLOCk:ADVance?", control.advance, 1, 1),
            Command("SIMulation:CLOCk:MODE?", lambda _: mode),
            Command("SIMulation:MOTor", control.mount, 1, 1),
            Command("SIMulation:MOTor?", lambda _: f'"{world.mounted.source.serial}"'),
            Command("SIMulation:MOTor:CATalog?", lambda _: ",".join(f'"{serial}"' for serial in world.motors)),
            Command("SIMulation:HAND", control.hand, 1, 2),
            Command("SIMulation:FAULt", control.fault, 2, 2),
            Command("SIMulation:FAULt?", lambda _: ",".join(f'"{name}"' for name in sorted(world.faults))),
            Command("SIMulation:FAULt:CATalog?", lambda _: ",".join(f'"{name}"' for name in FAULTS)),
            Command("SIMulation:NOTE", lambda call: world.note("note", quoted(call.parameters[0])), 1, 1),
            Command("SIMulation:LOG?", control.log, 1, 1),
            Command("SIMulation:STATe?", lambda _: block(json.dumps(truth(world)).encode())),
        ],
        reset=lambda: None,
    )
