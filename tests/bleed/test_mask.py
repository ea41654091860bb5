"""Masking of residual bleed."""

from __future__ import annotations

import numpy as np

from morningmix.bleed.mask import FLOOR_DB, mask, resting_fraction
from morningmix.bleed.opening import HOLD_S, LOOK_AHEAD_S


def test_the_mask_is_continuous() -> None:
    """Rounding differences of 1e-7 between processors must not be amplified a thousand times."""
    rng = np.random.default_rng(2)
    noise = (rng.standard_normal((257, 400)) + 1j * rng.standard_normal((257, 400))).astype(np.complex64)
    bleed = rng.exponential(1.0, (257, 400)).astype(np.float32)
    off = np.float32(1.0 + 1e-6)
    assert np.abs(mask(off * noise, bleed) - mask(noise, bleed)).max() < 2e-5


def test_the_mask_passes_clear_sound_and_turns_bleed_down() -> None:
    rng = np.random.default_rng(1)
    noise = (rng.standard_normal((64, 200)) + 1j * rng.standard_normal((64, 200))).astype(np.complex64)
    bleed = np.full((64, 200), 2.0, np.float32)
    floor = 10.0 ** (FLOOR_DB / 20.0)
    assert mask(noise, bleed).min() >= np.float32(floor)
    left = np.mean(np.abs(noise * mask(noise, bleed)) ** 2) / np.mean(np.abs(noise) ** 2)
    assert 10.0 * np.log10(left) < FLOOR_DB + 2.0
    assert mask(30.0 * noise, bleed).mean() > 0.97


def test_an_unused_microphone_is_always_at_rest() -> None:
    assert (resting_fraction(np.zeros(500, np.float32), 0.01) == 1.0).all()


def test_no_line_starts_or_ends_in_a_ramp() -> None:
    clear_db = np.zeros(1000, np.float32)
    clear_db[400:600] = 3.0
    resting = resting_fraction(clear_db, 0.01)
    line = slice(400 - round(LOOK_AHEAD_S / 0.01), 600 + round(HOLD_S / 0.01))
    assert (resting[line] == 0.0).all()
    assert (resting[:370] == 1.0).all()
    assert (resting[640:] == 1.0).all()
    assert np.abs(np.diff(resting)).max() <= 0.1
