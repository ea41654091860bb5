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

_LOW_CORNER_HZ, _NO_LOWS_HZ, _ALL_HZ = 60.0, 120.0, 20.0
"""Roles that are high-passed over the first play nothing under the second (design choice)."""
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
    """Microphones in front of people and of drums are cleaned unless the recipe says otherwise.

    For people every input that plays is a reference; for the kit every one that is not of the kit and not full of it.
    """
    people = {input_.index: input_.wish.bleed for input_ in playing if input_.preset.cleaned}
    targets = tuple((index, method == "full") for index, method in people.items() if method in ("full", "mask"))
    kit = tuple(input_ for input_ in playing if input_.preset.family == "drums" and input_.wish.bleed == "full")
    explain_kit = [
        input_
        for input_ in playing
        if input_.preset.family != "drums" and input_.index not in people.keys() - dict(targets)
    ]
    if not explain_kit:
        kit = ()
    if len(playing) < 2 or not (targets or kit):
        return None
    cleaned = {*dict(targets), *(input_.index for input_ in kit)}
    clipped = [(input_.index, decide_repair(input_)[0]) for input_ in playing if input_.index in cleaned]
    cleaning = Cleaning(
        targets=targets,
        repaired=tuple((index, longest_s) for index, longest_s in clipped if longest_s),
        references=tuple(input_.index for input_ in playing),
        gain_steps=tuple((index, step.at_s, step.step_db) for index, step in gain_steps.items()),
        kit=tuple(input_.index for input_ in kit),
        kit_references=tuple((input_.index, _counts_from_hz(input_)) for input_ in explain_kit) if kit else (),
    )
    return on_grid(cleaning)


def _counts_from_hz(input_: Input) -> float:
    """Where an input counts as a source of bleed in the kit.

    A guitar amplifier's microphone holds nothing but the kick under its own lowest note, and would cancel it.
    """
    corner = input_.preset.high_pass_hz
    return _NO_LOWS_HZ if corner is not None and corner.value > _LOW_CORNER_HZ else _ALL_HZ
