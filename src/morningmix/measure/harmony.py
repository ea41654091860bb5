"""Measure what notes sound when: pitch classes of the accompaniment, in two registers.

Peaks of the spectrum, each at its interpolated frequency, are counted in pitch classes of ten cents (harmonic pitch
class profile: E. Gómez, "Tonal description of polyphonic audio for music content processing", INFORMS J. Computing
18(3), 2006; chroma: M. Müller, "Fundamentals of Music Processing", 2015, sections 3.1 and 7.2). That grid is finer than
any tuning, which is only known when the song is over.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.read import open_recording
from morningmix.model.measured import Notes
from morningmix.model.recording import Take

FINE = 120
"""Pitch classes in an octave."""
LOWEST_HZ, SPLIT_HZ, HIGHEST_HZ = 38.0, 200.0, 2000.0
"""The bass below, chords above (design choice); above that are mostly overtones."""
LOWEST_C_HZ = 440.0 * 2.0 ** (-57.0 / 12.0)
_WINDOW_S, _HOPS_A_WINDOW = 0.34, 4
_BLOCK_HOPS = 64
_LEAST_PEAK = 1e-3
"""Power of a peak re the strongest one of its frame (design choice)."""


def measure_notes(
    take: Take, inputs: Sequence[tuple[int, float]], start_s: float, edges_s: NDArray[np.float64]
) -> Notes:
    """Notes between successive edges, seconds from the start of the song, of the sum of inputs, each with a gain.

    Raises `RecordingsError` if one cannot be read.
    """
    size = 1 << round(float(np.log2(_WINDOW_S * take.rate_hz)))
    hop = size // _HOPS_A_WINDOW
    first = max(0, round((start_s + float(edges_s[0])) * take.rate_hz) - size // 2)
    last = min(take.frames, round((start_s + float(edges_s[-1])) * take.rate_hz) + size // 2)
    found = np.zeros((2, FINE, len(edges_s) - 1), np.float64)
    frames = np.zeros(len(edges_s) - 1, np.int64)
    window = np.hanning(size + 1)[:-1].astype(np.float32)
    kept = np.zeros(0, np.float32)
    at = first
    readers = [
        (open_recording(take.recordings[index], take.rate_hz, first, last - first), np.float32(gain))
        for index, gain in inputs
    ]
    try:
        while at < last:
            length = min(_BLOCK_HOPS * hop, last - at)
            block = np.zeros(length, np.float32)
            for reader, gain in readers:
                block += gain * reader.read(length).mean(axis=0)
            kept = np.concatenate((kept, block))
            at += length
            count = max(0, (len(kept) - size) // hop + 1)
            if count:
                cut = np.lib.stride_tricks.sliding_window_view(kept, size)[::hop][:count]
                begin = at - len(kept)
                middle_s = (begin + size / 2 + hop * np.arange(count)) / take.rate_hz - start_s
                place = np.searchsorted(edges_s, middle_s, side="right") - 1
                # Their times grow, so those between the edges follow each other.
                inside = slice(*np.searchsorted(place, (0, len(edges_s) - 1)))
                spectra = scipy.fft.rfft(cut[inside] * window, axis=1)
                _add(found, frames, spectra, place[inside], take.rate_hz / size)
                kept = kept[count * hop :]
    finally:
        for reader, _ in readers:
            reader.close()
    return Notes(edges_s=edges_s, strength=(found / np.maximum(frames, 1)).astype(np.float32))


def _add(
    found: NDArray[np.float64],
    frames: NDArray[np.int64],
    spectra: NDArray[np.complex64],
    place: NDArray[np.intp],
    bin_hz: float,
) -> None:
    """Count the peaks of spectra ``(frames, bins)`` that belong to these places."""
    low, high = int(LOWEST_HZ / bin_hz), int(HIGHEST_HZ / bin_hz) + 2
    part = spectra[:, low : high + 1]
    power = part.real**2 + part.imag**2 + np.float32(1e-12)
    here = power[:, 1:-1]
    is_peak = (here > power[:, :-2]) & (here >= power[:, 2:]) & (here > _LEAST_PEAK * power.max(axis=1, keepdims=True))
    row, at = np.nonzero(is_peak)
    before, peak, after = (np.log(power[row, at + shift]) for shift in range(3))
    off = 0.5 * (before - after) / np.minimum(before - 2.0 * peak + after, -1e-6)
    hz = (low + 1 + at + np.clip(off, -0.5, 0.5)) * bin_hz
    fine = np.floor(FINE * np.log2(hz / LOWEST_C_HZ)).astype(np.intp) % FINE
    np.add.at(found, ((hz >= SPLIT_HZ).astype(np.intp), fine, place[row]), np.exp(0.5 * peak))
    np.add.at(frames, place, 1)
