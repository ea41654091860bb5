"""One bass recorded twice, straight from the instrument and in front of its amplifier: which is which."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from morningmix.model.input import Input
from morningmix.units import power_db

QUIETER_DB = 10.0
"""A line has no room in it: in its rests it is so much further under its loud level than a microphone
(design choice)."""


def line_and_microphone(inputs: Sequence[Input]) -> tuple[Input, Input] | None:
    """Of two inputs of the role bass the line and the microphone; None where that cannot be told."""
    basses = [one for one in inputs if one.role == "bass" and not one.facts.silent]
    if len(basses) != 2:
        return None
    line, microphone = sorted(basses, key=_rests_db)
    return (line, microphone) if _rests_db(line) <= _rests_db(microphone) - QUIETER_DB else None


def _rests_db(one: Input) -> float:
    power = one.facts.slots.powers
    return power_db(float(np.percentile(power, 2))) - power_db(float(np.percentile(power, 95)))
