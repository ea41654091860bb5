"""Onsets of inputs, from band powers."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drummer import RATE_HZ, kit, stored
from morningmix.measure.onsets import measure_onsets


def hits_at(folder: Path, drum: str, at_s: np.ndarray) -> np.ndarray:
    """Onset strength of a drum's hits in an overhead microphone: ``(bands, hops)``."""
    sounds = kit(at_s, {drum: (0.0, 1.0, 2.0, 3.0)}, rng=np.random.default_rng(1), jitter_s=0.0)
    store = stored(folder, [sounds["overhead"]])
    return measure_onsets(store, [0], 0.0, len(sounds["overhead"]) / RATE_HZ).strength[0]


@pytest.mark.parametrize("drum", ["kick", "snare", "hat"])
def test_the_centroid_of_an_onset_is_where_the_drum_was_hit(drum: str, tmp_path: Path) -> None:
    at_s = 0.5 + np.cumsum(np.random.default_rng(2).uniform(0.4, 0.6, 24))
    strength = hits_at(tmp_path, drum, at_s).sum(axis=0)
    middle_s = (np.arange(len(strength)) + 0.5) * 0.02
    for hit_s in at_s:
        near = np.abs(middle_s - hit_s) < 0.07
        assert strength[near] @ middle_s[near] / strength[near].sum() == pytest.approx(hit_s, abs=0.01)


def test_a_bass_drum_is_low_and_a_hi_hat_is_high(tmp_path: Path) -> None:
    at_s = np.arange(0.5, 8.5, 0.5)
    rng = np.random.default_rng(1)
    sounds = kit(at_s, {"kick": (0.0, 2.0), "hat": (1.0, 3.0)}, rng=rng, jitter_s=0.0)
    strength = measure_onsets(stored(tmp_path, [sounds["overhead"]]), [0], 0.0, 9.0).strength[0]
    kick, hat = (
        np.mean([strength[:, int(hit_s / 0.02) - 1 : int(hit_s / 0.02) + 2].sum(axis=1) for hit_s in hits_s], axis=0)
        for hits_s in (at_s[::2], at_s[1::2])
    )
    assert kick[0] > 5.0 * hat[0]
    assert hat[3] > 2.0 * kick[3]


def test_a_stretch_of_a_take_holds_the_same_onsets_wherever_it_is_cut(tmp_path: Path) -> None:
    sounds = kit(np.arange(0.5, 70.0, 0.5), {"snare": (0.0, 1.0, 2.0, 3.0)}, rng=np.random.default_rng(3))
    store = stored(tmp_path, list(sounds.values()))
    whole, part = measure_onsets(store, [0, 2], 0.0, 71.0), measure_onsets(store, [0, 2], 10.013, 71.0)
    assert part.first_s == pytest.approx(0.007)
    assert part.strength.shape == (2, 4, whole.strength.shape[2] - 501)
    peaks = whole.strength.max(axis=2)
    np.testing.assert_allclose(part.strength[:, :, 1:], whole.strength[:, :, 502:], atol=0.1 * float(peaks.max()))
    # Chunks of a minute leave no seam.
    around = whole.strength[1, :, 2990:3010].sum(axis=0)
    assert around.max() < 1.2 * whole.strength[1].sum(axis=0).max()
    assert np.count_nonzero(around > 0.5 * around.max()) <= 2


def test_nothing_is_measured_without_inputs(tmp_path: Path) -> None:
    store = stored(tmp_path, [np.zeros(RATE_HZ)])
    assert measure_onsets(store, [], 0.0, 1.0).strength.shape == (0, 4, 50)
