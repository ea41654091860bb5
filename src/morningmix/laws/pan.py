"""Pan laws of constant power. Positions run from -1 (left) over 0 (centre) to +1 (right)."""

from __future__ import annotations

import math


def constant_power(pan: float) -> tuple[float, float]:
    """Left and right gain of a mono source: squares add to 1, -3.01 dB each at the centre.

    gL = cos(pi (p + 1) / 4), gR = sin(pi (p + 1) / 4), the sine-cosine law of textbooks.
    Raises ValueError outside -1..1.
    """
    if not -1.0 <= pan <= 1.0:
        raise ValueError(f"a pan position must be within -1..1, not {pan:g}")
    # The far side is exactly silent, which cos(pi / 2) is not.
    angle = math.pi * (pan + 1.0) / 4.0
    return (0.0 if pan == 1.0 else math.cos(angle)), math.sin(angle)


def balance(pan: float) -> tuple[float, float]:
    """Left and right gain of a stereo source: squares add to 2, unity at the centre.

    Raises ValueError outside -1..1.
    """
    if pan == 0.0:
        return 1.0, 1.0
    left, right = constant_power(pan)
    return math.sqrt(2.0) * left, math.sqrt(2.0) * right
