"""A bass recorded twice: line and microphone."""

from __future__ import annotations

import numpy as np
import pytest

from decide.made import an_input, bump, facts_of, measurements
from morningmix.decide.bass_pair import line_and_microphone
from morningmix.decide.filters import decide_filters
from morningmix.model.input import Input


def test_a_line_is_distinguished_from_a_microphone_by_its_rests() -> None:
    rests = np.where(np.arange(100) % 10 < 7, 1e-2, 1e-9)
    line = an_input("bass", facts_of(bump(90.0, 1.0), rests), 0)
    amplifier = an_input("bass", facts_of(bump(90.0, 1.0), rests + 1e-6), 1)
    other = an_input("bass", facts_of(bump(90.0, 1.0), rests + 1e-9), 2)
    drum = an_input("kick", facts_of(bump(60.0, 1.0), rests), 3)
    assert line_and_microphone([amplifier, drum, line]) == (line, amplifier)
    assert line_and_microphone([line, other]) is None
    assert line_and_microphone([line, drum]) is None
    assert line_and_microphone([line, amplifier, other]) is None
    filters, (why,) = decide_filters(amplifier, measurements(line.facts), line_too=line.name)
    assert [(planned.kind, planned.corner_hz) for planned in filters] == [("high_pass", 120.0)]
    assert line.name in why.because


def test_a_moment_of_digital_silence_makes_no_line_of_a_microphone() -> None:
    level = np.where(np.arange(100) % 10 < 7, 1e-2, 1e-6)
    gap = np.where(np.arange(100) >= 98, 0.0, level)
    microphone, line = (an_input("bass", facts_of(bump(90.0, 1.0), each), index) for index, each in enumerate(
        (gap, np.where(level < 1e-3, 1e-8, level))
    ))  # fmt: skip
    assert line_and_microphone([microphone, line]) == (line, microphone)


@pytest.mark.parametrize(("quieter_db", "told"), [(9.0, False), (11.0, True)])
def test_a_line_rests_at_least_ten_decibels_deeper(quieter_db: float, told: bool) -> None:
    """However much louder one of the two was recorded."""

    def bass(rest_db: float, index: int, gain_db: float = 0.0) -> Input:
        level_db = np.where(np.arange(100) % 10 < 7, -20.0, rest_db) + gain_db
        return an_input("bass", facts_of(bump(90.0, 1.0), 10.0 ** (level_db / 10.0)), index)

    microphone = bass(-60.0, 0)
    for gain_db in (-20.0, 0.0, 15.0):
        line = bass(-60.0 - quieter_db, 1, gain_db)
        assert line_and_microphone([microphone, line]) == ((line, microphone) if told else None)
