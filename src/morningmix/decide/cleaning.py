"""Which microphones are cleaned of bleed, and by which inputs."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from morningmix.decide.declip import decide_repair
from morningmix.laws.grid import on_grid
from morningmix.model.input import Input
from morningmix.model.measured import GainStep
from morningmix.model.plan import Cleaning

_GRID_S, _MARGIN_S = 10.0, 1.0
"""Stretches lie on a coarse grid, so that a boundary that moves a little rarely moves them (design choice)."""


def stretch_around(start_s: float, end_s: float, take_s: float) -> tuple[float, float]:
    """Where bleed is learnt and removed for a song: the song, a margin, and what lies up to the next line of a grid."""
    first_s = math.floor((start_s - _MARGIN_S) / _GRID_S) * _GRID_S
    last_s = math.ceil((end_s + _MARGIN_S) / _GRID_S) * _GRID_S
    return max(0.0, first_s), min(last_s, math.ceil(take_s / _GRID_S) * _GRID_S)


def cleaning_of(cleaning: Cleaning | None, start_s: float, end_s: float, take_s: float) -> Cleaning | None:
    """What is cleaned for one song of a take."""
    return None if cleaning is None else replace(cleaning, stretch_s=stretch_around(start_s, end_s, take_s))


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
