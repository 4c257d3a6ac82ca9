"""Command maps: what an instrument of some make wants to hear, as data.

A map names, for each thing that a driver of its kind does, the IEEE 488.2 message: its `header` and, where there is
one, its `parameter`; for a query what the `response` is (`number`, `boolean`, `integer`, `text`, `numbers`) or that it
is a `block` of samples. `{value}`, `{channel}`, `{channels}` stand for what the driver fills in.
"""

from pathlib import Path
from string import Formatter
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from safety.strict_yaml import YamlError, read_file

SHIPPED = Path(__file__).with_name("command_maps")
Kind = Literal["supply", "scope", "switch", "inputs"]

# What a driver of each kind asks for; a map must have all of it.
NEEDED: dict[str, tuple[str, ...]] = {
    "supply": (
        "set_voltage", "read_voltage", "set_current", "read_current", "set_protection", "read_protection",
        "switch_on", "switch_off", "read_output", "measure_voltage", "measure_current",
    ),
    "scope": (
        "set_range", "read_range", "set_offset", "read_offset", "read_scale", "set_points", "read_points",
        "set_interval", "read_interval", "set_trigger", "set_format", "read_format", "set_byte_order",
        "read_byte_order", "start", "abort", "read_condition", "read_samples",
    ),
    "switch": ("close", "open", "open_all", "read_closed"),
    "inputs": ("read_contacts", "read_code"),
}  # fmt: skip

# What a driver fills in, by message; nothing elsewhere.
FILLED: dict[str, tuple[str, ...]] = {
    "set_voltage": ("value",), "set_current": ("value",), "set_protection": ("value",), "set_points": ("value",),
    "set_interval": ("value",), "set_range": ("channel", "value"), "set_offset": ("channel", "value"),
    "read_range": ("channel",), "read_offset": ("channel",), "read_scale": ("channel",), "read_samples": ("channel",),
    "close": ("channels",), "open": ("channels",), "read_closed": ("channels",), "read_contacts": ("channels",),
    "read_code": ("channel",),
}  # fmt: skip


class Message(BaseModel):
    """One program message or query."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    header: Annotated[str, Field(min_length=1)]
    parameter: str | None = None
    response: Literal["number", "boolean", "integer", "text", "numbers"] | None = None
    block: Literal["definite"] | None = None

    def text(self, **fill: object) -> str:
        """Write the message with its placeholders filled."""
        words = self.header if self.parameter is None else f"{self.header} {self.parameter}"
        return words.format(**fill)

    def placeholders(self) -> set[str]:
        """Return the names that stand in braces; a brace without its partner counts as one."""
        try:
            return {name for _, name, _, _ in Formatter().parse(f"{self.header} {self.parameter}") if name is not None}
        except ValueError:
            return {"{"}


class SampleFormat(BaseModel):
    """How a scope sends its samples."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    width: Literal[8, 16]
    order: Literal["big-endian", "little-endian"]
    format_name: str
    """What `read_format` answers once the format is set."""
    order_name: str
    """What `read_byte_order` answers once the order is set."""
    terminator: bool = True
    """Whether a newline follows the block."""
    sweeping_bit: int
    waiting_bit: int


class CommandMap(BaseModel):
    """One instrument's map."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    command_map: str
    kind: Kind
    about: str = ""
    messages: dict[str, Message]
    samples: SampleFormat | None = None
    joined: bool = True
    """Whether several messages may go in one line, joined by `;:`, as IEEE 488.2 has it."""

    @model_validator(mode="after")
    def _complete(self) -> Self:
        missing = [name for name in NEEDED[self.kind] if name not in self.messages]
        if missing:
            raise ValueError(f"messages are missing: {', '.join(missing)}")
        for name, message in self.messages.items():
            filled = FILLED.get(name, ())
            unknown = message.placeholders() - set(filled)
            if unknown:
                allowed = ", ".join(f"{{{word}}}" for word in filled) or "none"
                raise ValueError(
                    f"{name} has a placeholder that no driver fills: '{min(unknown)}'; it may have {allowed}"
                )
        if (self.kind == "scope") != (self.samples is not None):
            raise ValueError("samples must be described for a scope, and for nothing else")
        return self

    def __getitem__(self, name: str) -> Message:
        """Return one message."""
        return self.messages[name]


def read_command_map(name_or_path: str, beside: Path) -> CommandMap:
    """Read a shipped map by name, or a file by its path, relative to the bench file.

    Raises
    ------
    YamlError
        There is no such map, or it breaks a rule.
    """
    shipped = SHIPPED / f"{name_or_path}.yaml"
    document = read_file(shipped if shipped.is_file() else beside / name_or_path)
    try:
        return CommandMap.model_validate(document.data)
    except ValidationError as error:
        raise YamlError(document.problems([dict(details) for details in error.errors()])) from None
