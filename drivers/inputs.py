"""The contacts that a bench reads: guards, stop circuit, mirrors, relays that watch, and the adapter's code."""

from collections.abc import Mapping

from drivers import replies
from drivers.instrument_port import InstrumentPort

CODE = "adapter_code"


class Inputs:
    """Named contacts; True is closed."""

    def __init__(self, port: InstrumentPort, contacts: Mapping[str, int]) -> None:
        self._port = port
        self._contacts = {name: channel for name, channel in contacts.items() if name != CODE}
        self._code_channel = contacts[CODE]
        self._channels = ",".join(str(c) for c in self._contacts.values())

    def read(self) -> dict[str, bool | int]:
        """Read every contact, and the adapter's code (0 is an empty socket)."""
        contacts, code = self._port.texts_of(
            [("read_contacts", {"channels": self._channels}), ("read_code", {"channel": self._code_channel})]
        )
        values = self._port.booleans(*contacts, len(self._contacts))
        seen: dict[str, bool | int] = dict(zip(self._contacts, values, strict=True))
        seen[CODE] = self._port.read(replies.as_integer, *code)
        return seen

    def mirrors(self) -> dict[str, bool]:
        """Mirror contacts by winding pair; True while that pair's relay is open."""
        seen = self.read()
        return {name.removeprefix("mirror_"): bool(v) for name, v in seen.items() if name.startswith("mirror_")}
