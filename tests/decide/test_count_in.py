"""Clicks in even time before the band comes in."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from morningmix.decide.count_in import find_count_in
from morningmix.decide.playing import Band


def band(clicks_s: Sequence[float] = (), beats_s: Sequence[float] = (10.0,), ticks_s: Sequence[float] = ()) -> Band:
    nobody = np.zeros(100, np.bool_)
    silence = np.full(100, -120.0)
    return Band(
        frame_s=0.2,
        drums=nobody,
        players=np.zeros(100, np.intp),
        voices=nobody,
        rings_db=silence,
        levels_db=silence,
        plays_db=silence,
        hits_s=np.array(sorted((*clicks_s, *beats_s))),
        beats_s=np.array(beats_s),
        clicks_s=np.array(clicks_s),
        ticks_s=np.array(ticks_s),
        together=nobody,
    )


def found(band: Band, comes_in_s: float = 10.0, earliest_s: float = 0.0) -> tuple[float, int, float] | None:
    count_in = find_count_in(band, comes_in_s, earliest_s)
    return None if count_in is None else (count_in.first_s, count_in.clicks, round(count_in.period_s, 3))


@pytest.mark.parametrize("period_s", [0.25, 0.5, 1.0, 1.25])
def test_four_even_clicks_count_the_band_in(period_s: float) -> None:
    clicks_s = [10.0 - period_s * left for left in (4, 3, 2, 1)]
    assert found(band(clicks_s)) == (clicks_s[0], 4, period_s)
    assert found(band([3.0 - 2.9, *clicks_s])) == (clicks_s[0], 4, period_s)


@pytest.mark.parametrize(
    "clicks_s",
    [
        (9.0, 9.5),
        (9.7, 9.78, 9.86),
        (4.0, 5.5, 7.0, 8.5),
        (7.5, 8.0, 8.5),
        (8.0, 8.3, 9.5),
    ],
    ids=["two", "too fast", "too slow", "long before", "uneven"],
)
def test_other_clicks_count_nobody_in(clicks_s: tuple[float, ...]) -> None:
    assert found(band(clicks_s)) is None


def test_slightly_uneven_clicks_still_count() -> None:
    assert found(band((8.02, 8.5, 8.98, 9.5))) == (8.02, 4, 0.52)


def test_a_count_in_lies_after_the_last_song_and_near_the_band() -> None:
    assert found(band((8.0, 8.5, 9.0, 9.5)), earliest_s=8.2) == (8.5, 3, 0.5)
    assert found(band((8.0, 8.5, 9.0, 9.5)), earliest_s=8.7) is None
    slow_s = [10.0 - 1.25 * left for left in range(9, 0, -1)]
    assert found(band(slow_s)) == (slow_s[2], 7, 1.25)


@pytest.mark.parametrize(("last_s", "counts"), [(9.8, False), (9.75, True), (9.21, True), (9.19, False)])
def test_the_band_comes_in_from_half_a_beat_to_one_and_six_tenths_after_the_last_click(
    last_s: float, counts: bool
) -> None:
    assert (found(band((last_s - 1.0, last_s - 0.5, last_s))) is not None) is counts


@pytest.mark.parametrize(("period_s", "counts"), [(0.18, False), (0.22, True), (1.28, True), (1.35, False)])
def test_nobody_counts_faster_than_five_times_a_second_or_slower_than_every_1300_ms(
    period_s: float, counts: bool
) -> None:
    assert (found(band([10.0 - period_s * left for left in (4, 3, 2, 1)])) is not None) is counts


@pytest.mark.parametrize(("off_s", "counts"), [(0.06, True), (-0.06, True), (0.1, False), (-0.1, False)])
def test_a_click_may_be_off_by_a_twelfth_of_a_beat(off_s: float, counts: bool) -> None:
    assert (found(band((7.0 + off_s, 8.0, 9.0))) is not None) is counts


def test_the_longest_row_wins() -> None:
    assert found(band((6.5, 7.0, 7.5, 8.0, 8.5, 9.0, 9.5))) == (6.5, 7, 0.5)


def test_without_clicks_in_the_drums_four_anywhere_count() -> None:
    assert found(band(ticks_s=(8.0, 8.5, 9.0, 9.5))) == (8.0, 4, 0.5)
    assert found(band(ticks_s=(8.5, 9.0, 9.5))) is None


def test_beats_of_the_song_before_do_not_matter() -> None:
    assert found(band((8.0, 8.5, 9.0, 9.5), beats_s=(1.0, 2.0, 10.0, 11.0))) == (8.0, 4, 0.5)
