"""Where a gate opens on a level over bleed, by hand-drawn curves."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.bleed.opening import (
    clear_reach_db,
    convincing_runs,
    opened,
    opens_at_db,
    where_clear,
    widen,
)


def mask_of(text: str) -> NDArray[np.bool_]:
    return np.array([sign == "#" for sign in text])


def text_of(mask: NDArray[np.bool_]) -> str:
    return "".join("#" if one else "." for one in mask)


def test_a_run_counts_from_where_it_rises_if_it_gets_high_enough() -> None:
    level_db = np.array([0, 2, 5, 2, 0, 2, 4, 2, 0, 1, 5, 1, 3], np.float32)
    # Over 1 dB all the time, and 5 dB at least once.
    assert text_of(convincing_runs(level_db, 5.0, 1.0)) == ".###......#.."
    assert text_of(convincing_runs(level_db, 4.0, 0.5)) == ".###.###.####"
    assert text_of(convincing_runs(np.zeros(4, np.float32), 5.0, 1.0)) == "...."


@pytest.mark.parametrize(
    ("mask", "before", "after", "wide"),
    [
        ("....#......", 1, 3, "...#####..."),
        ("....#......", 0, 0, "....#......"),
        ("#.........#", 2, 1, "##......###"),
        ("..#.....#..", 3, 2, "#########" + "##"),
        ("..........", 3, 2, ".........."),
    ],
)
def test_a_run_is_widened_on_its_two_sides(mask: str, before: int, after: int, wide: str) -> None:
    assert text_of(widen(mask_of(mask), before, after)) == wide


@pytest.mark.parametrize(("hop_s", "before", "after"), [(0.02, 5, 8), (0.01, 10, 16)])
def test_a_gate_opens_a_tenth_of_a_second_early_and_closes_160_ms_late(hop_s: float, before: int, after: int) -> None:
    sung = np.zeros(60, np.bool_)
    sung[20:30] = True
    assert np.flatnonzero(opened(sung, hop_s)).tolist() == list(range(20 - before, 30 + after))


def test_the_loudest_fiftieth_says_how_far_a_voice_reaches() -> None:
    level_db = np.zeros(1_000, np.float32)
    level_db[:100] = 10.0
    assert clear_reach_db(level_db) == pytest.approx(10.0, abs=0.01)
    # A single shout of 10 hops in 1000 is nobody.
    level_db[10:] = 0.0
    assert clear_reach_db(level_db) is None
    assert clear_reach_db(np.full(100, 0.19, np.float32)) is None
    assert clear_reach_db(np.full(100, 0.21, np.float32)) == pytest.approx(0.21, abs=0.01)
    assert clear_reach_db(np.zeros(0, np.float32)) is None


def test_a_cleaned_microphone_opens_at_a_sixth_of_its_reach_and_from_where_that_begins() -> None:
    assert opens_at_db(10.0) == pytest.approx(1.7)
    level_db = np.zeros(200, np.float32)
    # One line that swells from 0.5 dB, one that never passes 1.6 dB.
    level_db[50:60], level_db[60:70] = 0.5, 1.8
    level_db[120:140] = 1.6
    level_db[40:50] = 0.4
    found = np.flatnonzero(where_clear(level_db, 10.0))
    assert found.tolist() == list(range(50, 70))
    assert np.flatnonzero(opened(where_clear(level_db, 10.0), 0.02)).tolist() == list(range(45, 78))
