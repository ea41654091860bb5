"""Masking of residual bleed."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from morningmix.audio.scratch import Scratch, ScratchWriter, recording_of
from morningmix.bleed.mask import FLOOR_DB, Residual, mask, resting_fraction
from morningmix.bleed.mask import masked as masked_blocks
from morningmix.bleed.opening import HOLD_S, LOOK_AHEAD_S
from morningmix.dsp.bands import BandMeter, band_edges_hz
from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.model.recording import Recording
from morningmix.units import Block


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


@pytest.mark.parametrize(("over", "gain"), [(1.8295, 0.3616), (2.3247, 0.4800), (3.2695, 0.6268), (11.0, 0.9009)])
def test_the_gain_is_that_of_ephraim_and_malah(over: float, gain: float) -> None:
    """IEEE TASSP 33(2) 1985: G = xi / (1 + xi) exp(E1(v) / 2) with v = gamma xi / (1 + xi).

    In steady sound gamma is its power over twice the bleed, and xi = (1 - 1 / gamma)^2 gamma. The first three are where
    v is 0.5, 1 and 2, and E1(v) in Abramowitz and Stegun, table 5.1, is 0.5598, 0.2194 and 0.0489.
    """
    bleed = np.full((9, 15), 0.5, np.float32)
    sound = np.full((9, 15), np.sqrt(over), np.complex64)
    np.testing.assert_allclose(mask(sound, bleed), gain, atol=1e-3)
    # Only the ratio counts.
    np.testing.assert_allclose(mask(1e-4 * sound, 1e-8 * bleed), gain, atol=1e-3)


def test_a_source_opens_the_mask_around_itself_and_not_beside() -> None:
    """Averaged over three bins and three frames, then over five frames."""
    bleed = np.full((40, 60), 0.5, np.float32)
    sound = np.full((40, 60), 0.3, np.complex64)
    sound[18:22, 25:35] = 10.0
    gain = mask(sound, bleed)
    floor = np.float32(10.0 ** (FLOOR_DB / 20.0))
    assert gain[18:22, 25:35].min() > 0.9
    assert (gain[:15] == floor).all()
    assert (gain[:, :20] == floor).all()
    assert (gain[:, 40:] == floor).all()


# ---------------------------------------------------------------- a whole microphone

RATE_HZ, FRAMES = 16_000, 16_000 * 5
BLEED = (0.1 * np.random.default_rng(3).standard_normal((1, FRAMES))).astype(np.float32)
HOPS = FRAMES // 320


def band_powers(sound: Block) -> NDArray[np.float32]:
    meter = BandMeter(RATE_HZ, len(sound))
    return np.concatenate([meter.update(sound), meter.finish()], axis=1)


def masked(
    folder: Path,
    left: Block,
    taken: Block,
    bleed: NDArray[np.float32],
    *,
    subtracted: bool = True,
    resting: Sequence[float] | NDArray[np.float32] = (0.0,) * HOPS,
    ends: Sequence[int] = (0, FRAMES),
) -> Block:
    """What is left, for the bleed that is expected in each band and hop, in pieces that end at these frames."""
    folder.mkdir(exist_ok=True)
    edges = band_edges_hz(RATE_HZ)
    with BandWriter(folder / "bleed", exact=True) as writer:
        writer.write(bleed)
    store = BandStore(
        paths=(folder / "bleed",), bands=len(edges) - 1, hops=bleed.shape[1], hop_s=0.02, band_hz=edges, exact=True
    )
    residual = Residual(
        left=on_disk(folder / "left", left),
        taken=on_disk(folder / "taken", taken),
        subtracted=subtracted,
        bleed=store,
        resting=np.asarray(resting, np.float32),
    )
    pieces = [block for start, stop in pairwise(ends) for block in masked_blocks(residual, RATE_HZ, start, stop)]
    return np.concatenate(pieces, axis=1)


def on_disk(path: Path, sound: Block) -> Recording:
    scratch = Scratch(path=path, rate_hz=RATE_HZ, channels=len(sound), frames=sound.shape[1])
    with ScratchWriter(scratch) as writer:
        writer.write(sound)
    return recording_of([scratch])


def reduction_db(after: Block, before: Block) -> float:
    inside = slice(2_000, -2_000)
    return float(10.0 * np.log10(np.mean(after[:, inside] ** 2) / np.mean(before[:, inside] ** 2)))


def test_where_the_source_rests_everything_is_six_decibels_softer(tmp_path: Path) -> None:
    """And in its place to the sample, on both sides."""
    sound = np.concatenate((BLEED, -0.5 * BLEED[:, ::-1]))
    for number, bleed in enumerate((1e-13, 1.0)):
        powers = np.full((len(band_edges_hz(RATE_HZ)) - 1, HOPS), bleed, np.float32)
        found = masked(tmp_path / str(number), sound, np.zeros_like(sound), powers, resting=np.ones(HOPS, np.float32))
        np.testing.assert_allclose(found, 10.0 ** (-6.0 / 20.0) * sound, atol=1e-5)


def test_expected_bleed_is_masked_and_what_stands_above_it_passes(tmp_path: Path) -> None:
    expected = band_powers(BLEED)
    taken = np.zeros_like(BLEED)
    alone = masked(tmp_path / "alone", BLEED, taken, expected)
    assert reduction_db(alone, BLEED) < -11.0
    # Expected 12 dB lower than it is, the same sound is the source.
    assert reduction_db(masked(tmp_path / "loud", BLEED, taken, expected / 16.0), BLEED) > -1.5
    tone = (0.05 * np.sin(2.0 * np.pi * 1_000.0 * np.arange(FRAMES) / RATE_HZ)).astype(np.float32)[None]
    both = masked(tmp_path / "both", BLEED + tone, taken, expected)
    spectrum = [np.abs(np.fft.rfft(each[0])) for each in (both, tone)]
    at = FRAMES // RATE_HZ * 1_000
    assert 20.0 * np.log10(spectrum[0][at] / spectrum[1][at]) == pytest.approx(0.0, abs=1.0)


def test_bleed_is_expected_when_it_comes(tmp_path: Path) -> None:
    """Bleed for half a second, then the same sound from the source for as long: only the first is masked."""
    expected = band_powers(BLEED)
    hop = np.arange(expected.shape[1])
    expected = np.where(hop // 25 % 2 == 0, expected, np.float32(1e-13))
    found = masked(tmp_path, BLEED, np.zeros_like(BLEED), expected)
    for start_s, bleeds in ((1.0, True), (1.5, False), (3.0, True), (3.5, False)):
        there = slice(round((start_s + 0.1) * RATE_HZ), round((start_s + 0.4) * RATE_HZ))
        less = 10.0 * np.log10(np.mean(found[:, there] ** 2) / np.mean(BLEED[:, there] ** 2))
        assert (less < -11.0) if bleeds else (less > -0.5)


def test_bleed_within_a_band_is_expected_where_the_subtracted_bleed_was(tmp_path: Path) -> None:
    """Of two tones in one band the one is masked at whose place bleed was subtracted."""
    t = np.arange(FRAMES) / RATE_HZ
    edges = band_edges_hz(RATE_HZ)
    band = int(np.argmax(edges > 4_000.0))
    low_hz, high_hz = edges[band] + 100.0, edges[band + 1] - 100.0
    tones = [(0.1 * np.sin(2.0 * np.pi * hz * t)).astype(np.float32)[None] for hz in (low_hz, high_hz)]
    expected = band_powers(tones[0])
    found = masked(tmp_path, tones[0] + tones[1], tones[0], expected)
    levels = [
        20.0 * np.log10(np.abs(found[0] @ np.exp(-2j * np.pi * hz * t)) * 2.0 / FRAMES / 0.1)
        for hz in (low_hz, high_hz)
    ]
    assert levels[0] < -6.0
    assert levels[1] > -1.0


def test_where_subtraction_did_not_help_the_recording_is_masked(tmp_path: Path) -> None:
    quiet = np.full((len(band_edges_hz(RATE_HZ)) - 1, HOPS), 1e-13, np.float32)
    whole = masked(tmp_path / "whole", 0.3 * BLEED, 0.7 * BLEED, quiet, subtracted=False)
    np.testing.assert_allclose(whole, BLEED, atol=1e-4)


@pytest.mark.parametrize("ends", [(0, 30_000, FRAMES), (0, 320, 16_001, 48_000, FRAMES)])
def test_pieces_of_other_lengths_have_no_seams(tmp_path: Path, ends: tuple[int, ...]) -> None:
    expected, taken = band_powers(BLEED) / 8.0, 0.5 * BLEED[:, ::-1].copy()
    resting = (np.arange(HOPS) // 40 % 2).astype(np.float32)
    whole, cut = (
        masked(tmp_path / str(len(each)), BLEED, taken, expected, resting=resting, ends=each)
        for each in ((0, FRAMES), ends)
    )
    assert cut.shape == whole.shape == BLEED.shape
    np.testing.assert_allclose(cut, whole, atol=1e-6)
