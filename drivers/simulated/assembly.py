"""Put the instruments of the simulated bench together."""

from drivers.simulated.instrument import Instrument
from drivers.simulated.scope_instrument import scope_instrument
from drivers.simulated.supply_instrument import supply_instrument
from drivers.simulated.switch_instrument import inputs_instrument, switch_instrument
from drivers.simulated.world import World

FIRMWARE = "1.0"


def identity(kind: str, serial: str) -> str:
    """Return the reply to `*IDN?` of one instrument."""
    return f"polemark,simulated {kind},{serial},{FIRMWARE}"


def build_instruments(world: World) -> dict[str, Instrument]:
    """Build all instruments but the control resource, by role."""
    return {
        "spin_supply": supply_instrument(world, "spin_supply", identity("supply", "SIM-SPIN")),
        "sensor_supply": supply_instrument(world, "sensor_supply", identity("supply", "SIM-SENSOR")),
        "brake_supply": supply_instrument(world, "brake_supply", identity("supply", "SIM-BRAKE")),
        "scope": scope_instrument(world, identity("scope", "SIM-SCOPE")),
        "switch": switch_instrument(world, identity("switch", "SIM-SWITCH")),
        "inputs": inputs_instrument(world, identity("inputs", "SIM-INPUTS")),
    }
