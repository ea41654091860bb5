"""Static curves and time constants of a compressor."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.laws import curves


@pytest.mark.parametrize(
    ("ratio", "knee_db", "points"),
    [
        (4.0, 12.0, {-26: -26.0, -23: -23.2812, -20: -21.125, -17: -19.5312, -14: -18.5, 0: -15.0}),
        (3.0, 6.0, {-20: -20.5, -17: -19.0, 0: -13.3333}),
        (4.0, 0.0, {-30: -30.0, -20: -20.0, -16: -19.0, 0: -15.0}),
    ],
)
def test_static_curve(ratio: float, knee_db: float, points: dict[int, float]) -> None:
    """Giannoulis, Massberg, Reiss, JAES 60(6), 2012, eq. 4, threshold -20 dB. Computed."""
    levels_db = np.array(list(points), dtype=float)
    levels_db.flags.writeable = False
    out_db = levels_db + curves.gain_db(levels_db, -20.0, ratio, knee_db)
    assert out_db == pytest.approx(list(points.values()), abs=1e-4)


@given(level_db=st.floats(-80.0, 20.0), ratio=st.floats(1.0, 20.0), knee_db=st.floats(0.0, 20.0))
@settings(max_examples=50, deadline=None)
def test_static_curve_never_raises_and_never_turns_back(level_db: float, ratio: float, knee_db: float) -> None:
    low, high = curves.gain_db([level_db, level_db + 0.5], -20.0, ratio, knee_db)
    assert high <= low <= 0.0
    assert high - low >= -0.5 - 1e-9


def test_static_curve_refuses_expansion() -> None:
    with pytest.raises(ValueError, match="ratio >= 1"):
        curves.gain_db(0.0, -20.0, 0.5, 0.0)


def test_one_pole_time_constant() -> None:
    """Textbook: 63.2 % of a step at tau, 10 to 90 % in 2.197 tau."""
    alpha = curves.one_pole(0.1, 1_000.0)
    step = 1.0 - alpha ** np.arange(1, 1_001)
    assert step[99] == pytest.approx(1.0 - math.exp(-1.0), abs=1e-9)
    assert np.searchsorted(step, 0.9) - np.searchsorted(step, 0.1) == pytest.approx(219.7, abs=1.0)
    assert curves.one_pole(0.0, 1_000.0) == 0.0


@pytest.mark.parametrize(
    ("wp", "wf", "rms_db", "ratio", "threshold_db", "knee_db"),
    [
        (0.36, 1.37, -15.0, 2.241, -19.42, 9.71),
        (0.67, 0.72, -19.8, 1.912, -23.08, 11.54),
        (0.86, 1.38, -17.5, 2.519, -23.02, 11.51),
    ],
    ids=["bass", "vocal", "drums"],
)
def test_compressor_from_features(
    wp: float, wf: float, rms_db: float, ratio: float, threshold_db: float, knee_db: float
) -> None:
    """Ma et al., JAES 63(6), 2015, eqs. 15 to 22; computed from their formulas."""
    threshold = curves.compressor_threshold_db(rms_db, wp)
    assert curves.compressor_ratio(wp, wf) == pytest.approx(ratio, abs=0.001)
    assert threshold == pytest.approx(threshold_db, abs=0.01)
    assert curves.compressor_knee_db(threshold) == pytest.approx(knee_db, abs=0.01)


def test_compressor_times_and_percussivity() -> None:
    """Ma et al. 2015: a sine (crest squared 2) gets 80 ms and 1 s; wp is 1 at the mean crest factor."""
    assert curves.compressor_attack_s(math.sqrt(2.0)) == pytest.approx(0.080)
    assert curves.compressor_release_s(math.sqrt(2.0)) == pytest.approx(1.0)
    assert curves.percussivity_weight(5.0, 5.0) == 1.0
    assert curves.percussivity_weight(3.0, 5.0) == pytest.approx(math.exp(-0.5))
    assert curves.percussivity_weight(7.0, 5.0) == pytest.approx(2.0 - math.exp(-0.5))


@pytest.mark.parametrize(("share", "rrl_lu"), [(0.25, -16.2), (0.5, -13.9), (0.75, -11.7)])
def test_too_wet(share: float, rrl_lu: float) -> None:
    """De Man, McNally, Reiss, JAES 65(1/2), 2017, at 1 s early decay time. Computed from their formula."""
    assert curves.reverb_loudness_lu(share, 1.0) == pytest.approx(rrl_lu, abs=0.05)
    assert curves.too_wet_probability(curves.reverb_loudness_lu(share, 0.6), 0.6) == pytest.approx(share, abs=1e-9)
    assert curves.too_wet_probability(rrl_lu, 2.0) > curves.too_wet_probability(rrl_lu, 1.0)
