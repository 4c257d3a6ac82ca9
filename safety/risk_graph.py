"""The risk graph of ISO 13849-1: from severity, exposure and possibility of avoiding a harm to the level required.

Meaning of the parameters (ISO 13849-1, annex A, from memory): S1 slight, normally reversible injury, S2 serious,
normally irreversible injury or death; F1 seldom or short exposure, F2 frequent or long; P1 avoiding it is possible
under certain conditions, P2 scarcely possible.
"""

from collections.abc import Mapping
from types import MappingProxyType

LEVELS: Mapping[tuple[str, str, str], str] = MappingProxyType(
    {
        ("S1", "F1", "P1"): "a",
        ("S1", "F1", "P2"): "b",
        ("S1", "F2", "P1"): "b",
        ("S1", "F2", "P2"): "c",
        ("S2", "F1", "P1"): "c",
        ("S2", "F1", "P2"): "d",
        ("S2", "F2", "P1"): "d",
        ("S2", "F2", "P2"): "e",
    }
)
"""Required performance level by (S, F, P); the same table from memory."""


def required_level(severity: str, exposure: str, avoidance: str) -> str:
    """Return the required performance level, a to e.

    Raises
    ------
    ValueError
        A parameter is not one of S1, S2; F1, F2; P1, P2.
    """
    try:
        return LEVELS[severity, exposure, avoidance]
    except KeyError:
        raise ValueError(
            f"risk parameters must be S1 or S2, F1 or F2, P1 or P2, got {severity}, {exposure}, {avoidance}"
        ) from None
