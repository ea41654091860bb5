"""Which microphones are cleaned of bleed, and by which inputs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from morningmix.decide.declip import decide_repair
from morningmix.laws.grid import on_grid
from morningmix.model.input import Input
from morningmix.model.measured import GainStep
from morningmix.model.plan import Cleaning


def decide_cleaning(playing: Sequence[Input], gain_steps: Mapping[int, GainStep]) -> Cleaning | None:
    """Microphones in front of people are cleaned unless the recipe says otherwise; every input that plays is a
    reference."""
    methods = {input_.index: input_.wish.bleed for input_ in playing if input_.preset.cleaned}
    targets = tuple((index, method == "full") for index, method in methods.items() if method in ("full", "mask"))
    if not targets or len(playing) < 2:
        return None
    clipped = [(input_.index, decide_repair(input_)[0]) for input_ in playing if input_.index in dict(targets)]
    cleaning = Cleaning(
        targets=targets,
        repaired=tuple((index, longest_s) for index, longest_s in clipped if longest_s),
        references=tuple(input_.index for input_ in playing),
        gain_steps=tuple((index, step.at_s, step.step_db) for index, step in gain_steps.items()),
    )
    return on_grid(cleaning)
