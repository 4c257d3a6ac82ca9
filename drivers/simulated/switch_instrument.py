"""The simulated relay switch and the simulated inputs as SCPI instruments."""

from drivers.simulated.contacts import adapter_code, contact_states
from drivers.simulated.instrument import Instrument
from drivers.simulated.scpi_grammar import Call, Command, ScpiError, channel_list
from drivers.simulated.wiring import ADAPTER_CODE, RELAY_NAMES
from drivers.simulated.world import World


def _relays(call: Call) -> list[int]:
    numbers = channel_list(call.parameters[0])
    for relay in numbers:
        if relay not in RELAY_NAMES:
            raise ScpiError(-222, f"no relay {relay}")
    return numbers


def switch_instrument(world: World, identity: str) -> Instrument:
    """Build the relay switch."""

    def command(call: Call, *, closed: bool) -> None:
        for relay in _relays(call):
            world.command_relay(relay, closed=closed)

    def open_all() -> None:
        for relay in RELAY_NAMES:
            world.command_relay(relay, closed=False)

    def states(call: Call, *, closed: bool) -> str:
        return ",".join(str(int(world.electrics.relays.commanded(relay) is closed)) for relay in _relays(call))

    return Instrument(
        identity,
        [
            Command("[ROUTe:]CLOSe", lambda call: command(call, closed=True), 1, 1),
            Command("[ROUTe:]CLOSe?", lambda call: states(call, closed=True), 1, 1),
            Command("[ROUTe:]OPEN", lambda call: command(call, closed=False), 1, 1),
            Command("[ROUTe:]OPEN?", lambda call: states(call, closed=False), 1, 1),
            Command("[ROUTe:]OPEN:ALL", lambda _: open_all()),
        ],
        reset=open_all,
    )


def inputs_instrument(world: World, identity: str) -> Instrument:
    """Build the inputs."""

    def read(call: Call) -> str:
        states = contact_states(world)
        values = []
        for channel in channel_list(call.parameters[0]):
            if channel == ADAPTER_CODE:
                values.append(str(adapter_code(world)))
            elif 1 <= channel < ADAPTER_CODE:
                # A channel without a contact reads open.
                values.append(str(int(states.get(channel, False))))
            else:
                raise ScpiError(-222, f"no channel {channel}")
        return ",".join(values)

    return Instrument(identity, [Command("[SENSe:]DATA?", read, 1, 1)], reset=lambda: None)
