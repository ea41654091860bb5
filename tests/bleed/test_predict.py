"""Bleed that known filters make of known inputs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from bleed.made import RATE_HZ, Made
from morningmix.bleed.learn import Learnt, ranges
from morningmix.bleed.predict import bleed_spectra
from morningmix.bleed.spectra import Leaks, Targets, grid_of
from morningmix.dsp.stft import Spectrum, analyse
from morningmix.units import Block

VOICE, DRUM, AMP, SINGER = range(4)
FRAMES = 12 * RATE_HZ
WITHOUT = np.zeros(FRAMES, np.float32)


def noise(seed: int) -> NDArray[np.float32]:
    return np.random.default_rng(seed).standard_normal(FRAMES).astype(np.float32)


def made(*sounds: NDArray[np.float32]) -> Made:
    return Made([sound[None] for sound in sounds], RATE_HZ, FRAMES)


GRID = grid_of(made(WITHOUT))
INSIDE = GRID.spectra - 8
"""Later spectra reach over the end of the take, where what comes late is cut off."""


def late(sound: NDArray[np.float32], spectra: int) -> NDArray[np.float32]:
    """As many spectra later, which is a whole number of samples."""
    frames = spectra * GRID.hop
    return np.concatenate((np.zeros(frames, np.float32), sound[: len(sound) - frames]))


def spectra_of(sound: NDArray[np.float32]) -> Spectrum:
    """All spectra of a sound, the first of which ends with its first hop."""
    padded = np.concatenate((np.zeros(GRID.size - GRID.hop, np.float32), sound, np.zeros(2 * GRID.size, np.float32)))
    return analyse(padded, GRID.size)[:, : GRID.spectra]


def known(targets: Targets, weights: dict[tuple[int, int], float], leaks: Leaks | None = None) -> list[Learnt]:
    """Filters of the first target: how much of a reference is bleed, so many spectra later; by range."""
    found = []
    for slabs in ranges(targets):
        filters = {}
        for row in targets.rows:
            for slab in slabs:
                taps = np.zeros((slab.last - slab.first, slab.taps, len(row.references)), np.complex64)
                for (reference, tap), weight in weights.items():
                    if row.target == VOICE and tap < slab.taps:
                        taps[:, tap, row.references.index(reference)] = weight
                filters[row, slab] = taps.reshape(len(taps), -1, 1)
        bins = slice(slabs[0].first, slabs[-1].last)
        found.append(
            Learnt(
                slabs=slabs,
                filters=filters,
                levels={row: np.ones((bins.stop - bins.start, 1), np.float32) for row in targets.rows},
                leaks={pair: leak[bins] for pair, leak in (leaks or {}).items()},
                learnt_s=(),
                bleed_sources={},
            )
        )
    return found


def bleed_of(targets: Targets, learnt: Sequence[Learnt], first: int, last: int, row: int = 0) -> Spectrum:
    chunks = [rows[row] for rows in bleed_spectra(targets, learnt, first, last)]
    assert max(chunk.shape[1] for chunk in chunks) <= GRID.chunk
    return np.concatenate(chunks, axis=1)


def off_db(found: Spectrum, expected: Spectrum) -> float:
    return float(10.0 * np.log10(np.sum(np.abs(found - expected) ** 2) / np.sum(np.abs(expected) ** 2) + 1e-12))


@pytest.mark.parametrize(
    ("first", "last"),
    [
        (0, INSIDE),
        (GRID.block, 2 * GRID.block + 3),
        (GRID.block, 2 * GRID.block),
        (2 * GRID.block, 2 * GRID.block + 1),
        (3 * GRID.block, INSIDE),
    ],
)
@pytest.mark.parametrize("tap", [0, 1])
def test_bleed_is_what_the_filters_make_of_the_last_spectra_of_the_others(first: int, last: int, tap: int) -> None:
    """In all bins, in its place to the spectrum, wherever a piece begins and however long it is."""
    drum, amp = noise(1), noise(2)
    bleed = 0.5 * late(drum, tap) - 0.25 * amp
    targets = Targets(sounds=made(bleed, drum, amp), subtracts=((VOICE, True),), references=(VOICE, DRUM, AMP))
    found = bleed_of(targets, known(targets, {(DRUM, tap): 0.5, (AMP, 0): -0.25}), first, last)
    expected = spectra_of(bleed)[:, first:last]
    assert found.shape == expected.shape == (GRID.size // 2 + 1, last - first)
    # To the rounding of 32-bit floats, at the edges and inside.
    assert off_db(found, expected) < -60.0
    assert off_db(found[:, -1:], expected[:, -1:]) < -60.0
    assert off_db(found[:, :1], expected[:, :1]) < -60.0


def test_low_sounds_ring_for_six_spectra_and_high_ones_for_two() -> None:
    drum = noise(1)
    bleed = 0.5 * late(drum, 5)
    targets = Targets(sounds=made(bleed, drum), subtracts=((VOICE, True),), references=(VOICE, DRUM))
    learnt = known(targets, {(DRUM, 5): 0.5})
    found = bleed_of(targets, learnt, 0, INSIDE)
    rings = max(slab.last for one in learnt for slab in one.slabs if slab.taps > 5)
    assert off_db(found[:rings], spectra_of(bleed)[:rings, :INSIDE]) < -60.0
    assert not found[rings:].any()


def test_low_bleed_that_grows_is_followed_and_high_bleed_is_not() -> None:
    """Movement is heard below 6 kHz: there, the bleed is predicted at the gain it has now."""
    drum = noise(1)
    grows = np.where(np.arange(FRAMES) < FRAMES // 2, 0.5, 0.35).astype(np.float32) * drum
    targets = Targets(sounds=made(grows, drum), subtracts=((VOICE, True),), references=(VOICE, DRUM))
    learnt = known(targets, {(DRUM, 0): 0.5})
    found, expected = bleed_of(targets, learnt, 0, GRID.spectra), spectra_of(grows)
    follows = max(slab.last for one in learnt for slab in one.slabs if slab.follows)
    end = slice(GRID.spectra - 3 * GRID.block, GRID.spectra - 4)
    assert off_db(found[:follows, end], expected[:follows, end]) < -15.0
    assert off_db(found[follows:, end], 0.5 * spectra_of(drum)[follows:, end]) < -60.0


def test_each_target_has_its_own_bleed_and_loses_no_voice_to_the_other() -> None:
    """Of the other singer's microphone, what the first one's voice may be in it is masked: twice its leak."""
    voice, drum = noise(1), 0.1 * noise(2)
    singer = 0.5 * voice
    targets = Targets(
        sounds=made(voice, drum, WITHOUT, singer),
        subtracts=((VOICE, True), (SINGER, True)),
        references=(VOICE, DRUM, SINGER),
        hearing=(VOICE, SINGER),
    )
    bins = GRID.size // 2 + 1

    def taken_db(leak: float) -> float:
        leaks = {pair: np.full((bins, 1), leak, np.float32) for pair in ((VOICE, SINGER), (SINGER, VOICE))}
        learnt = known(targets, {(SINGER, 0): 1.0}, leaks)
        here = slice(GRID.block, -GRID.block)
        found = bleed_of(targets, learnt, 0, GRID.spectra)
        follows = max(slab.last for one in learnt for slab in one.slabs if slab.follows)
        assert not bleed_of(targets, learnt, 0, GRID.spectra, row=1).any()
        powers = [np.sum(np.abs(each[follows:, here]) ** 2) for each in (found, spectra_of(singer))]
        return float(10.0 * np.log10(powers[0] / powers[1] + 1e-12))

    assert taken_db(0.0) == pytest.approx(0.0, abs=0.1)
    # A quarter of the power leaks: all of that microphone may be the voice. Of half as much, half is left.
    assert taken_db(0.25) < -60.0
    assert taken_db(0.0625) == pytest.approx(-6.0, abs=0.5)


def test_no_more_is_read_than_the_bleed_needs() -> None:
    """A piece that ends within a block reads that block to its end, and no recording is read from its beginning."""

    @dataclass(frozen=True)
    class Counted(Made):
        def read(self, index: int, start: int, stop: int) -> Block:
            read.append((start, stop))
            return super().read(index, start, stop)

    read: list[tuple[int, int]] = []
    drum = noise(1)
    sounds = Counted([0.5 * drum[None], drum[None]], RATE_HZ, FRAMES)
    targets = Targets(sounds=sounds, subtracts=((VOICE, True),), references=(VOICE, DRUM))
    first, last = 4 * GRID.block, 5 * GRID.block + 2
    bleed_of(targets, known(targets, {(DRUM, 0): 0.5}), first, last)
    assert min(start for start, _ in read) == (first - GRID.block - 5 + 1) * GRID.hop - GRID.size
    # Bleed comes out one block late, in whole blocks.
    assert max(stop for _, stop in read) == 7 * GRID.block * GRID.hop
