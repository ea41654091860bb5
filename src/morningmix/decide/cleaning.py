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
    methods = {one.index: one.wish.bleed for one in playing if one.preset.cleaned}
    targets = tuple((index, method == "full") for index, method in methods.items() if method in ("full", "mask"))
    if not targets or len(playing) < 2:
        return None
    clipped = [(one.index, decide_repair(one)[0]) for one in playing if one.index in dict(targets)]
    cleaning = Cleaning(
        targets=targets,
        repaired=tuple((index, longest_s) for index, longest_s in clipped if longest_s),
        references=tuple(one.index for one in playing),
        gain_steps=tuple((index, one.at_s, one.step_db) for index, one in gain_steps.items()),
    )
    return on_grid(cleaning)
