"""A simulated supply as an SCPI instrument."""

from drivers.simulated.instrument import Instrument
from drivers.simulated.scpi_grammar import Call, Command, boolean, number
from drivers.simulated.supply_model import SupplyModel
from drivers.simulated.world import World

NOT_A_NUMBER = "9.91E37"
"""How SCPI writes a reading that is no number."""


def supply_instrument(world: World, role: str, identity: str) -> Instrument:
    """Build the instrument of the supply with this role."""
    supply: SupplyModel = world.electrics.supplies[role]

    def voltage(call: Call) -> None:
        supply.set_v = number(call.parameters[0], "V", 0, supply.most_v)
        world.settings_changed(role)

    def current(call: Call) -> None:
        supply.limit_a = number(call.parameters[0], "A", 0, supply.most_a)
        world.settings_changed(role)

    def protection(call: Call) -> None:
        supply.protection_v = number(call.parameters[0], "V", 0, supply.most_v * 1.1)
        world.settings_changed(role)

    def clear(_: Call) -> None:
        supply.tripped = False

    def reset() -> None:
        world.switch_output(role, on=False)
        supply.reset()
        world.changed()

    def reading(index: int) -> str:
        broken = f"{supply.role} reads no number" in world.faults
        if broken:
            world.note_spoiled(f"{supply.role} reads no number")
        return NOT_A_NUMBER if broken else f"{world.measure(role)[index]:.6E}"

    return Instrument(
        identity,
        [
            Command("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]", voltage, 1, 1),
            Command("[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]?", lambda _: repr(supply.set_v)),
            Command("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]", current, 1, 1),
            Command("[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]?", lambda _: repr(supply.limit_a)),
            Command("[SOURce:]VOLTage:PROTection[:LEVel]", protection, 1, 1),
            Command("[SOURce:]VOLTage:PROTection[:LEVel]?", lambda _: repr(supply.protection_v)),
            Command("[SOURce:]VOLTage:PROTection:TRIPped?", lambda _: str(int(supply.tripped))),
            Command("[SOURce:]VOLTage:PROTection:CLEar", clear),
            Command("OUTPut[:STATe]", lambda call: world.switch_output(role, on=boolean(call.parameters[0])), 1, 1),
            Command("OUTPut[:STATe]?", lambda _: str(int(supply.commanded))),
            Command("MEASure[:SCALar]:VOLTage[:DC]?", lambda _: reading(0)),
            Command("MEASure[:SCALar]:CURRent[:DC]?", lambda _: reading(1)),
        ],
        reset=reset,
    )
