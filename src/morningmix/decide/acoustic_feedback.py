"""Which of the tones that look like acoustic feedback are turned down, and how sure that is."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from morningmix.model.input import Input
from morningmix.model.measured import AcousticFeedback

SURE_RISE_DB = 40.0
"""A note hardly ever rises so far so evenly (design choice, from held notes and planted feedback)."""
_SAME_HZ = 2.0


def may_feed_back(input_: Input) -> bool:
    """Whether feedback in an input is turned down.

    In an instrument such a tone may be intended, so only vocal and brass microphones keep theirs, unless the recipe
    turns that off.
    """
    return input_.preset.cleaned and input_.wish.feedback != "off" and not input_.facts.silent


def with_feedback(inputs: Sequence[Input]) -> tuple[Input, ...]:
    """The inputs with the feedback that is turned down, each counted in the other inputs."""
    return tuple(
        replace(input_, facts=replace(input_.facts, feedback=_counted(input_, inputs)))
        if input_.facts.feedback
        else input_
        for input_ in inputs
    )


def is_sure(tone: AcousticFeedback) -> bool:
    """Whether a tone is feedback beyond reasonable doubt: in several inputs, or risen very far."""
    return tone.also_in > 0 or tone.rise_db >= SURE_RISE_DB


def _counted(input_: Input, inputs: Sequence[Input]) -> tuple[AcousticFeedback, ...]:
    if not may_feed_back(input_):
        return ()
    others = [each.facts.feedback for each in inputs if each.index != input_.index]
    return tuple(
        replace(tone, also_in=sum(any(_same(tone, other) for other in tones) for tones in others))
        for tone in input_.facts.feedback
    )


def _same(one: AcousticFeedback, other: AcousticFeedback) -> bool:
    overlap = one.start_s < other.end_s and other.start_s < one.end_s
    return overlap and abs(one.hz - other.hz) <= _SAME_HZ
