"""Measure the written files: loudness and peaks of the mix, and whether the stems add up to it."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.dsp.bands import BandMeter, band_edges_hz, band_hop_frames
from morningmix.dsp.control import loudness_hop_frames
from morningmix.dsp.meter import Loudness, LoudnessMeter
from morningmix.laws.loudness import OFFSET_DB
from morningmix.units import powers_db

MOST_APART_LU = 0.5
"""Two loudness meters that differ by more point to a bug in one of them."""
_MOST_HOPS, _LEAST_HOPS = 300, 30
"""Length that two meters compare, in hops of 0.1 s."""
_LEAST_RATE_HZ = 32_000


@dataclass(frozen=True, slots=True, kw_only=True)
class Verified:
    """Measurements of the written mix."""

    loudness: Loudness
    """Loudness of the mix."""
    short_term_lufs: NDArray[np.float32]
    """Loudness of the mix over every 3 s, a value each 0.1 s; the first is over 0 to 3 s. At least -120."""
    band_hz: NDArray[np.float64]
    spectrum_db: NDArray[np.float32]
    """Mean level of the mix per band, dBFS: ``(bands,)``."""
    meters_differ_lu: float | None
    """As `meters_differ_lu` gives it."""


def residual_of(files: Sequence[Path]) -> float:
    """Largest magnitude of the mix (first) minus its stems, linear; zero by construction. Raises `RecordingsError`."""
    recordings = [read_file(path) for path in files]
    rate_hz, frames = recordings[0].rate_hz, recordings[0].frames
    block_frames = 20 * loudness_hop_frames(rate_hz)
    residual = 0.0
    with ExitStack() as stack:
        mix, *stems = (stack.enter_context(open_recording(recording, rate_hz)) for recording in recordings)
        for start in range(0, frames, block_frames):
            count = min(block_frames, frames - start)
            rest = mix.read(count).astype(np.float64)
            for stem in stems:
                rest -= stem.read(count)
            residual = max(residual, float(np.abs(rest).max()))
    return residual


def verify(path: Path) -> Verified:
    """Measure a mix. Raises `RecordingsError` if it cannot be read back."""
    mix = read_file(path)
    rate_hz, frames = mix.rate_hz, mix.frames
    meter, spectrum = LoudnessMeter(rate_hz, mix.channels), BandMeter(rate_hz, mix.channels)
    block_frames = 20 * loudness_hop_frames(rate_hz)
    powers = np.zeros(len(band_edges_hz(rate_hz)) - 1)
    with open_recording(mix, rate_hz) as reader:
        for start in range(0, frames, block_frames):
            block = reader.read(min(block_frames, frames - start))
            meter.update(block)
            powers += spectrum.update(block).sum(axis=1, dtype=np.float64)
    powers += spectrum.finish().sum(axis=1, dtype=np.float64)
    hops = max(1, frames // band_hop_frames(rate_hz))
    return Verified(
        loudness=meter.result(),
        short_term_lufs=(OFFSET_DB + powers_db(meter.short_term_powers())).astype(np.float32),
        band_hz=band_edges_hz(rate_hz),
        spectrum_db=powers_db(powers / hops).astype(np.float32),
        meters_differ_lu=meters_differ_lu(path),
    )


def meters_differ_lu(path: Path) -> float | None:
    """Our reading less that of pyloudnorm's De Man filters on half a minute from the middle of a mix.

    None where the mix is too short or silent, and under 32 kHz: there pyloudnorm leaves the gain of its high-pass to
    the rate (0.05 LU at 22 kHz, 0.2 at 8) while ours stays that of the table at 48 kHz. A longer stretch would take
    more memory than all the rest. Whole hops of 0.1 s, because pyloudnorm rounds the number of its blocks up.
    """
    import pyloudnorm  # noqa: TID251 - the second meter lives here alone, and takes a second to load

    mix = read_file(path)
    rate_hz = mix.rate_hz
    hops = min(mix.frames * 10 // rate_hz, _MOST_HOPS)
    frames = hops * rate_hz // 10
    if hops < _LEAST_HOPS or rate_hz < _LEAST_RATE_HZ:
        return None
    with open_recording(mix, rate_hz, (mix.frames - frames) // 2, frames) as reader:
        sound = reader.read(frames)
    ours = LoudnessMeter(rate_hz, mix.channels)
    ours.update(sound)
    reading = ours.result().integrated_lufs
    theirs = float(pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound.T))
    return reading - theirs if reading is not None and np.isfinite(theirs) else None
