"""A de-esser takes away what it promises."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.dsp.dynamics import DeEsserStage
from morningmix.model.plan import Compressor, DeEsser


def softened_db(hz: float, rate_hz: int, most_db: float) -> float:
    """By how much a loud S at 6.5 kHz lowers a quiet tone at `hz` (or itself)."""
    curve = Compressor(
        threshold_db=-30.0, ratio=4.0, knee_db=0.0, attack_s=0.001, release_s=0.06, max_reduction_db=most_db
    )
    stage = DeEsserStage(DeEsser(corner_hz=5_000.0, compressor=curve), rate_hz, 1)
    t = np.arange(rate_hz) / rate_hz

    def level(sound: NDArray[np.float32]) -> float:
        later = slice(rate_hz // 2, None)
        return float(np.abs(sound[0, later].astype(np.float64) @ np.exp(-2j * np.pi * hz * t[later])))

    sound = 0.5 * np.sin(2.0 * np.pi * 6_500.0 * t)
    if hz != 6_500.0:
        sound += 0.001 * np.sin(2.0 * np.pi * hz * t)
    block = np.asarray(sound[None], np.float32)
    return 20.0 * np.log10(level(stage.process(block)) / level(block))


@pytest.mark.parametrize("rate_hz", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("most_db", [2.0, 4.0, 6.0])
def test_an_s_is_down_by_the_decibels_that_were_decided(rate_hz: int, most_db: float) -> None:
    assert softened_db(6_500.0, rate_hz, most_db) == pytest.approx(-most_db, abs=0.1)


@pytest.mark.parametrize(
    ("hz", "least_db", "most_db"),
    [(300.0, -0.1, 0.1), (1_000.0, -0.6, 0.0), (9_000.0, -5.0, -4.2), (16_000.0, -5.5, -4.5)],
)
def test_the_voice_below_stays_and_the_air_above_goes_little_further(
    hz: float, least_db: float, most_db: float
) -> None:
    assert least_db <= softened_db(hz, 48_000, 4.0) <= most_db
