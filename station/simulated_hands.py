"""Simulated hands: on a simulated bench they do what a question says the technician does."""

from drivers.simulation import Simulation
from station.asking import Question

HAND_TURN_DEG_MECH = 450.0
"""A turn and a quarter, so that a whole turn certainly lies within a capture."""
VALUED = ("turn body", "turn shaft")


class SimulatedHands:
    """Does the actions of a question, in their order."""

    def __init__(self, simulation: Simulation) -> None:
        self._simulation = simulation

    def __call__(self, question: Question) -> None:
        """Do everything that the question names."""
        for action in question.ask.hands:
            value = (
                question.turn_deg_mech
                if action == "turn body"
                else HAND_TURN_DEG_MECH
                if action == "turn shaft"
                else None
            )
            if action == "turn body" and value is None:
                continue
            self._simulation.hands(action, value)
