"""Command maps: what an instrument of some make wants to hear, as data.

A map names, for each thing that a driver of its kind does, the IEEE 488.2 message: its `header` and, where there is
one, its `parameter`; for a query what the `response` is (`number`, `integer`, `boolean`, `booleans`, `text`) or that it
is a `block` of samples. `{value}`, `{channel}`, `{channels}` stand for what the driver fills in. The common commands
that IEEE 488.2 mandates (`*IDN?`, `*CLS`, `*OPC`, `*ESR?`) are not in the map.
"""

from pathlib import Path
from string import Formatter
from typing import Annotated, Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from drivers.link import NEXT_ERROR
from safety.strict_yaml import Document, YamlError, read_file

SHIPPED = Path(__file__).with_name("command_maps")
Kind = Literal["supply", "scope", "switch", "inputs"]
Response = Literal["number", "integer", "boolean", "booleans", "text"]
COMMAND, BLOCK = "command", "block"

# What a driver of each kind asks for, and what comes back; a map must have all of it.
NEEDED: dict[str, dict[str, str]] = {
    "supply": {
        "set_voltage": COMMAND, "read_voltage": "number", "set_current": COMMAND, "read_current": "number",
        "set_protection": COMMAND, "read_protection": "number", "switch_on": COMMAND, "switch_off": COMMAND,
        "read_output": "boolean", "measure_voltage": "number", "measure_current": "number",
    },
    "scope": {
        "set_range": COMMAND, "read_range": "number", "set_offset": COMMAND, "read_offset": "number",
        "read_scale": "number", "set_points": COMMAND, "read_points": "integer", "set_interval": COMMAND,
        "read_interval": "number", "set_trigger": COMMAND, "set_format": COMMAND, "read_format": "text",
        "set_byte_order": COMMAND, "read_byte_order": "text", "start": COMMAND, "abort": COMMAND,
        "read_condition": "integer", "read_samples": BLOCK,
    },
    "switch": {"close": COMMAND, "open": COMMAND, "open_all": COMMAND, "read_closed": "booleans"},
    "inputs": {"read_contacts": "booleans", "read_code": "integer"},
}  # fmt: skip

# What a map may have besides.
OPTIONAL: dict[str, dict[str, str]] = {
    "supply": {"read_error": "text"},
    # The count that stands for the offset voltage, where that is not 0.
    "scope": {"read_error": "text", "read_reference": "number"},
    "switch": {"read_error": "text"},
    "inputs": {"read_error": "text"},
}

# What a driver fills in, by message; nothing elsewhere.
FILLED: dict[str, tuple[str, ...]] = {
    "set_voltage": ("value",), "set_current": ("value",), "set_protection": ("value",), "set_points": ("value",),
    "set_interval": ("value",), "set_range": ("channel", "value"), "set_offset": ("channel", "value"),
    "read_range": ("channel",), "read_offset": ("channel",), "read_scale": ("channel",),
    "read_reference": ("channel",), "read_samples": ("channel",),
    "close": ("channels",), "open": ("channels",), "read_closed": ("channels",), "read_contacts": ("channels",),
    "read_code": ("channel",),
}  # fmt: skip

WHOLE = ("read_code",)
"""Messages that may do without what a driver fills in: an instrument may have one place only to read it from."""


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, use_attribute_docstrings=True)


class Message(_Strict):
    """One program message or query."""

    header: Annotated[str, Field(min_length=1)]
    parameter: str | None = None
    response: Response | None = None
    block: Literal["definite"] | None = None
    factor: Annotated[float, Field(strict=False, allow_inf_nan=False)] = 1.0
    """What the instrument's number is for one of ours: 0.125 where it takes volts per division and has eight."""

    @property
    def kind(self) -> str:
        """What comes back: a response's kind, a block, or nothing."""
        return BLOCK if self.block is not None else self.response or COMMAND

    def text(self, **fill: object) -> str:
        """Write the message with its placeholders filled."""
        words = self.header if self.parameter is None else f"{self.header} {self.parameter}"
        value = fill.get("value")
        if isinstance(value, float | int):
            fill["value"] = f"{value * self.factor:.9g}"
        return words.format(**fill)

    def placeholders(self) -> set[str]:
        """Return the names that stand in braces; a brace without its partner counts as one."""
        try:
            return {name for _, name, _, _ in Formatter().parse(f"{self.header} {self.parameter}") if name is not None}
        except ValueError:
            return {"{"}


class SampleFormat(_Strict):
    """How a scope sends its samples."""

    width: Literal[8, 16]
    order: Literal["big-endian", "little-endian"]
    format_name: str
    """What `read_format` answers once the format is set."""
    order_name: str
    """What `read_byte_order` answers once the order is set."""
    signed: bool = True
    """Whether counts are two's complement; unsigned ones are shifted by half their range."""
    terminator: bool = True
    """Whether a newline follows the block."""
    sweeping_bit: Annotated[int, Field(ge=0, le=15)]
    waiting_bit: Annotated[int, Field(ge=0, le=15)]


class CommandMap(_Strict):
    """One instrument's map."""

    command_map: str
    kind: Kind
    about: str = ""
    messages: dict[str, Message]
    samples: SampleFormat | None = None
    joined: bool = True
    """Whether several messages may go in one line, joined by `;:`, as IEEE 488.2 has it."""

    @model_validator(mode="after")
    def _whole(self) -> Self:
        missing = [name for name in NEEDED[self.kind] if name not in self.messages]
        if missing:
            raise ValueError(f"messages are missing: {', '.join(missing)}; allowed: all that a {self.kind} needs")
        if (self.kind == "scope") != (self.samples is not None):
            raise ValueError("samples must be described for a scope; allowed: in a scope's map, and in no other")
        return self

    def __getitem__(self, name: str) -> Message:
        """Return one message."""
        return self.messages[name]

    @property
    def next_error(self) -> str:
        """The query for the next entry of the error queue."""
        message = self.messages.get("read_error")
        return NEXT_ERROR if message is None else message.text()

    def wrong_messages(self) -> list[tuple[str, str, str]]:
        """Return what is wrong with single messages: name, what, what is allowed."""
        known = NEEDED[self.kind] | OPTIONAL[self.kind]
        return [
            (name, *wrong)
            for name, message in self.messages.items()
            if (wrong := _wrong(name, message, known.get(name)))
        ]


def _wrong(name: str, message: Message, wanted: str | None) -> tuple[str, str] | None:
    if wanted is None:
        return f"no driver asks for '{name}'", "the messages that a map of this kind needs"
    if message.kind != wanted:
        return f"{name} answers with {message.kind}", "no response" if wanted == COMMAND else wanted
    filled = FILLED.get(name, ())
    unknown = message.placeholders() - set(filled)
    if unknown:
        allowed = ", ".join(f"{{{word}}}" for word in filled) or "none"
        return f"{name} has a placeholder that no driver fills: '{min(unknown)}'", allowed
    missing = set(filled) - message.placeholders()
    if missing and name not in WHOLE:
        return f"{name} has no place for what the driver fills in", f"a message with {{{min(missing)}}}"
    return None if message.factor != 0 else (f"{name} has factor 0", "any other number")


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
        made = CommandMap.model_validate(document.data)
    except ValidationError as error:
        raise YamlError(document.problems([dict(details) for details in error.errors()], _keys_at)) from None
    wrong = made.wrong_messages()
    if wrong:
        raise YamlError(_placed(document, wrong))
    return made


def _placed(document: Document, wrong: list[tuple[str, str, str]]) -> list[Any]:
    return [document.problem(("messages", name), what, allowed) for name, what, allowed in wrong]


def _keys_at(loc: tuple[str | int, ...]) -> list[str]:
    """Name the keys that a place of the file may have."""
    if not loc:
        return list(CommandMap.model_fields)
    return list(SampleFormat.model_fields if loc[0] == "samples" else Message.model_fields)
