"""Where a microphone is gated, and by how much."""

from __future__ import annotations

from morningmix.decide.asked import asked
from morningmix.laws.track_power import (
    spans_within,
)
from morningmix.model.input import Input
from morningmix.model.measured import Singing
from morningmix.model.plan import Gate, Reason

RAMP_S = 0.06
"""How long the gate takes to open or close (design choice)."""


def gated(input_: Input) -> bool:
    """Whether the recipe turns its gate off."""
    return input_.wish.bleed != "off"


def decide_gate(input_: Input, singing: Singing | None, start_s: float, end_s: float) -> tuple[Gate | None, Reason]:
    """The gate of one input in one song, or None, and why."""
    if not gated(input_):
        return None, asked(input_.wish, "bleed", "turned off").reason("gate")
    floor = input_.preset.gate_floor_db
    if floor is None:
        return None, Reason(what="gate", because="only vocals and brass are gated", source="design choice")
    if singing is None:
        return None, Reason(what="gate", because="its own sound cannot be told from the bleed", source="design choice")
    gate = Gate(open_s=spans_within(singing.open_s, start_s, end_s), floor_db=floor.value, ramp_s=RAMP_S)
    return gate, Reason(what="gate", because=singing.because, source=floor.source)
