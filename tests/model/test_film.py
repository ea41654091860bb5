from __future__ import annotations

import pytest

from morningmix.model.film import Lined


def test_a_fast_clock_counts_more_seconds_for_the_same_music() -> None:
    fast = Lined(file="a.mp4", offset_s=-10.0, drift_ppm=100.0, confidence=1.0, accepted=True)
    assert fast.clip_s(-10.0) == pytest.approx(0.0)
    assert fast.clip_s(3590.0) == pytest.approx(3600.36)
    assert fast.take_s(fast.clip_s(1234.5)) == pytest.approx(1234.5, abs=1e-9)
