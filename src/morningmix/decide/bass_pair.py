"""Tell a bass's line input from the microphone on its amplifier."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from morningmix.model.input import Input
from morningmix.units import power_db

QUIETER_DB = 10.0
"""A line has no room in it: in rests it is this much further below its loud level than a microphone (design choice)."""


def line_and_microphone(inputs: Sequence[Input]) -> tuple[Input, Input] | None:
    """The line and the microphone among two bass inputs; None where they cannot be told apart."""
    basses = [input_ for input_ in inputs if input_.role == "bass" and not input_.facts.silent]
    if len(basses) != 2:
        return None
    line, microphone = sorted(basses, key=_rests_db)
    return (line, microphone) if _rests_db(line) <= _rests_db(microphone) - QUIETER_DB else None


def _rests_db(input_: Input) -> float:
    power = input_.facts.slots.powers
    return power_db(float(np.percentile(power, 2))) - power_db(float(np.percentile(power, 95)))
