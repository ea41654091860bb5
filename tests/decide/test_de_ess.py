"""Only a voice with a sharp S is de-essed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from decide.made import STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.de_ess import decide_de_esser
from synthetic import slots_of


@pytest.mark.parametrize(
    ("role", "sharp_db", "eq", "softened"),
    [
        ("lead vocal", -9.0, "auto", True),
        ("backing vocal", -9.0, "auto", True),
        ("lead vocal", -16.0, "auto", False),
        ("lead vocal", -9.0, "off", False),
        ("electric guitar", -9.0, "auto", False),
    ],
)
def test_only_a_voice_with_a_sharp_s_is_de_essed(role: str, sharp_db: float, eq: str, softened: bool) -> None:
    facts = facts_of(bump(400.0, 1.0), STEADY)
    sharp = bump(8_000.0, 0.4)
    bands = facts.slots.spectra.copy()
    bands[:, ::20] += np.outer(sharp / sharp.sum(), STEADY[::20] * 10.0 ** (sharp_db / 10.0)).astype(np.float32)
    facts = replace(facts, slots=slots_of(bands, facts.slots.peaks))
    one = an_input(role, facts, eq=eq)
    plays = np.ones(len(STEADY), np.bool_)
    found, reasons = decide_de_esser(one, 6.0, plays, (), measurements(facts))
    assert (found is not None) == bool(reasons) == softened
    if found is not None:
        # The mean level at the desk is -20 + 6 dB; an s is held from 13 dB under it, as peaks 8 dB higher.
        assert found.compressor.threshold_db == pytest.approx(-14.0 - 13.0 + 8.0, abs=0.3)
        assert found.compressor.max_reduction_db == 4.0
