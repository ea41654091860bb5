"""Measure the delay and polarity of a close microphone against one further away.

The delay is where the generalised cross-correlation with phase transform peaks in the band where the drum speaks,
averaged over Hann-windowed frames around the loudest hits (Clifford and Reiss, JAES 61(11) 2013: right within 2 samples
in 90 % of frames with a Hann window). The negative peak tells how well the opposite polarity would do.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.read import open_recording
from morningmix.model.measured import AlignmentFacts, Measurements
from morningmix.model.recording import Recording, Take

Pair = tuple[int, int, str, str]
"""The close input, the one further away, the close one's role, and the far one's name."""

HITS = 40
SPEAKS_HZ = {"kick": (40.0, 400.0), "snare": (150.0, 800.0), "bass": (60.0, 1000.0)}
"""Frequency range of an instrument's attack, by role (common practice, no source)."""
_APART_S = 0.25
_FRAME_S, _MOST_S, _SLOT_S = 0.085, 0.012, 0.1
_LEAST_HITS = 5
_SOFTEST = 10.0 ** (-12.0 / 20.0)
"""Softer slots hold ghost notes and other drums (design choice)."""


def loudest_hits(peaks: NDArray[np.float32], slot_s: float) -> tuple[float, ...]:
    """Start times in seconds of the loudest hits of a drum, at least 0.25 s apart, in order.

    A hit is no softer than the slots beside it, and at most 12 dB softer than the fifth loudest.
    """
    edged = np.pad(peaks, 1)
    rising = (peaks > 0.0) & (peaks >= edged[:-2]) & (peaks >= edged[2:])
    slots = np.flatnonzero(rising)
    chosen: list[int] = []
    for slot in slots[np.argsort(-peaks[slots], kind="stable")]:
        softest = peaks[chosen[_LEAST_HITS - 1]] * _SOFTEST if len(chosen) >= _LEAST_HITS else 0.0
        if len(chosen) == HITS or peaks[slot] < softest:
            break
        if all(abs(int(slot) - other) * slot_s >= _APART_S for other in chosen):
            chosen.append(int(slot))
    return tuple(sorted(slot * slot_s for slot in chosen))


def measure_alignments(take: Take, measured: Measurements, pairs: Sequence[Pair]) -> dict[int, AlignmentFacts]:
    """Alignment of each pair by its close input, measured around the loudest hits. Raises `RecordingsError`."""
    found: dict[int, AlignmentFacts] = {}
    for near, far, role, other in pairs:
        hits_s = loudest_hits(measured.tracks[near].slots.peaks, measured.slot_s)
        close, away = take.recordings[near], take.recordings[far]
        alignment = align(close, away, take.rate_hz, hits_s, SPEAKS_HZ[role], other)
        if alignment is not None:
            found[near] = alignment
    return found


def align(
    close: Recording, far: Recording, rate_hz: int, hits_s: Sequence[float], band_hz: tuple[float, float], other: str
) -> AlignmentFacts | None:
    """Alignment of a close microphone with the far one, named `other`, around its hits; None if there are too few.

    Raises `RecordingsError` if one cannot be read.
    """
    pairs = _frames(close, far, rate_hz, hits_s)
    if len(pairs) < _LEAST_HITS:
        return None
    size = pairs.shape[2]
    spectra = scipy.fft.rfft(pairs * np.hanning(size), 2 * size, axis=2)
    hz = np.arange(spectra.shape[2]) * rate_hz / (2 * size)
    speaks = (hz >= band_hz[0]) & (hz <= band_hz[1])
    cross = spectra[:, 1] * np.conj(spectra[:, 0])
    phase = np.where(speaks, cross / np.maximum(np.abs(cross), 1e-20), 0.0).mean(axis=0)
    correlation = scipy.fft.irfft(phase, 2 * size) * size / np.count_nonzero(speaks)
    most = round(_MOST_S * rate_hz)
    lags = np.concatenate((np.arange(0, most + 1), np.arange(-most, 0)))
    nearby = correlation[lags]
    same, opposite = int(np.argmax(nearby)), int(np.argmin(nearby))
    return AlignmentFacts(
        other=other,
        delay_s=float(lags[same]) / rate_hz,
        correlation=float(nearby[same]),
        flipped_delay_s=float(lags[opposite]) / rate_hz,
        flipped_correlation=-float(nearby[opposite]),
    )


def _frames(close: Recording, far: Recording, rate_hz: int, hits_s: Sequence[float]) -> NDArray[np.float64]:
    """``(hits, 2, frames)``: close and far microphone, each frame centred on the close microphone's peak."""
    size = round(_FRAME_S * rate_hz)
    search = round(_SLOT_S * rate_hz)
    frames = []
    for at in hits_s:
        start = max(0, round(at * rate_hz) - size // 2)
        pair = []
        for recording in (close, far):
            with open_recording(recording, rate_hz, start, size + search) as reader:
                pair.append(reader.read(size + search).mean(axis=0, dtype=np.float64))
        peak = int(np.argmax(np.abs(pair[0][size // 2 : size // 2 + search])))
        frames.append([sound[peak : peak + size] for sound in pair])
    return np.array(frames) if frames else np.zeros((0, 2, size))
