"""Panning keeps the power."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.laws import pan


@given(position=st.floats(-1.0, 1.0))
@settings(max_examples=50, deadline=None)
def test_pan_keeps_the_power(position: float) -> None:
    left, right = pan.constant_power(position)
    assert left**2 + right**2 == pytest.approx(1.0, abs=1e-12)
    left, right = pan.balance(position)
    assert left**2 + right**2 == pytest.approx(2.0, abs=1e-12)


def test_pan_positions() -> None:
    """Sine-cosine law: -3.010 dB at the centre; -8.343 and -0.688 dB half way to the right. Computed."""
    assert [20.0 * math.log10(gain) for gain in pan.constant_power(0.0)] == pytest.approx([-3.010] * 2, abs=0.001)
    assert [20.0 * math.log10(gain) for gain in pan.constant_power(0.5)] == pytest.approx([-8.343, -0.688], abs=0.001)
    assert pan.constant_power(1.0) == (0.0, 1.0)
    assert pan.constant_power(-1.0) == (1.0, 0.0)
    assert pan.balance(0.0) == (1.0, 1.0)
    with pytest.raises(ValueError, match=r"within -1\.\.1"):
        pan.constant_power(1.1)
