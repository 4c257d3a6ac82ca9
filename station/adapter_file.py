"""An adapter: the harness that brings a motor type's connectors to the bench, with its pin-out and identity code."""

from typing import Annotated, Literal

from pydantic import Field

from station.file_model import FileModel, Name, StrictModel, Text
from station.motor_type import MotorType

WindingWire = Literal["U", "V", "W", "PE", "brake+", "brake-", "thermal+", "thermal-"]
FeedbackWire = Literal[
    "supply",
    "0 V",
    "shield",
    "H1",
    "H2",
    "H3",
    "A",
    "B",
    "Z",
    "H1-",
    "H2-",
    "H3-",
    "A-",
    "B-",
    "Z-",
    "thermal+",
    "thermal-",
]


class WindingPlug(StrictModel):
    """The connector that carries windings and brake."""

    connector: Text
    """What it looks like, so that the right one is taken."""
    pins: dict[WindingWire, Text]
    """Wire to the motor's pin."""


class FeedbackPlug(StrictModel):
    """The connector that carries sensors and encoder."""

    connector: Text
    """What it looks like, so that the right one is taken."""
    pins: dict[FeedbackWire, Text]
    """Wire to the motor's pin."""


class Adapter(FileModel):
    """One adapter."""

    name: Name = Field(alias="adapter")
    title: Text
    revision: Text
    """Revision of this file and of the harness."""
    code: Annotated[int, Field(ge=1, le=255)]
    """The identity code that the bench reads from the plugged harness; 0 is an empty socket."""
    about: str = ""
    winding_plug: WindingPlug
    feedback_plug: FeedbackPlug | None = None

    def missing_wires(self, motor_type: MotorType) -> list[str]:
        """List the wires that a motor type needs and this adapter does not bring."""
        wires: set[str] = {*self.winding_plug.pins, *(self.feedback_plug.pins if self.feedback_plug else ())}
        return [wire for wire in needed_wires(motor_type) if wire not in wires]


def needed_wires(motor_type: MotorType) -> list[str]:
    """List the wires that a motor type needs at the bench."""
    wires = ["U", "V", "W", "PE"]
    if motor_type.brake is not None:
        wires += ["brake+", "brake-"]
    if motor_type.is_covered:
        wires += ["supply", "0 V", "H1", "H2", "H3", "A", "B", "Z"]
        if motor_type.sensors.output == "differential":
            wires += ["H1-", "H2-", "H3-"]
        if motor_type.encoder.output == "differential":
            wires += ["A-", "B-", "Z-"]
    return wires
