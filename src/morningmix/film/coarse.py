"""Where a clip may lie in a take, by their envelopes, to a few hundredths of a second."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.film.envelope import ENVELOPE_HZ

LARGEST_DRIFT = 150e-6
"""Of a clip's clock against the recorder's. Crystals of recorders and phones differ by up to some 100 ppm."""
_SEGMENT_FRAMES = 60 * ENVELOPE_HZ
_LEAST_FRAMES = 5 * ENVELOPE_HZ
"""Clip and take overlap at least this much."""
_APART_FRAMES = ENVELOPE_HZ // 4
"""Two candidates do."""


def candidates(clip: NDArray[np.float32], take: NDArray[np.float32], count: int) -> list[tuple[float, float]]:
    """Take times (s) at which the clip may begin, negative before the take, each with its score, the best first.

    Both envelopes are ``(bands, frames)``. The clip is compared in segments of a minute with every place of the take:
    within one, clocks do not matter, and the segments may lie apart or closer by `LARGEST_DRIFT`. The score is the
    correlation over the overlap times the square root of its frames, so that chance scores alike at any overlap.
    """
    clip_frames, take_frames = clip.shape[1], take.shape[1]
    if min(clip_frames, take_frames) < _LEAST_FRAMES:
        return []
    segments = max(1, round(clip_frames / _SEGMENT_FRAMES))
    edges = np.linspace(0, clip_frames, segments + 1).astype(int)
    length = int(np.diff(edges).max())
    size = scipy.fft.next_fast_len(take_frames + length, real=True)
    take_spectra = scipy.fft.rfft(take, size)
    take_energy = _running((take.astype(np.float64) ** 2).sum(axis=0))
    # Entry n of these stands for an offset of n - clip_frames frames.
    matched, energy, of_clip, overlap = np.zeros((4, clip_frames + take_frames))
    for first, last in pairwise(edges.tolist()):
        segment, frames = clip[:, first:last], int(last - first)
        products = np.zeros(size // 2 + 1, np.complex64)
        for spectrum, band in zip(take_spectra, segment, strict=True):
            products += spectrum * np.conj(scipy.fft.rfft(band, size))
        found = scipy.fft.irfft(products, size)
        # Places of the segment in the take, from just before the take to just after it.
        places = np.arange(-frames, take_frames)
        drift_frames = int(np.ceil(LARGEST_DRIFT * abs((first + last - clip_frames) / 2)))
        row = scipy.ndimage.maximum_filter1d(found[places], 2 * drift_frames + 1)
        begin, end = np.clip(places, 0, take_frames), np.clip(places + frames, 0, take_frames)
        segment_energy = _running((segment.astype(np.float64) ** 2).sum(axis=0))
        at = slice(int(clip_frames - frames - first), int(clip_frames + take_frames - first))
        matched[at] += row
        energy[at] += take_energy[end] - take_energy[begin]
        of_clip[at] += segment_energy[end - places] - segment_energy[begin - places]
        overlap[at] += end - begin
    scores = matched / np.sqrt(np.maximum(energy * of_clip, 1e-6)) * np.sqrt(overlap)
    scores[overlap < _LEAST_FRAMES] = 0.0
    best: list[tuple[float, float]] = []
    while len(best) < count and scores.max() > 0.0:
        at_frame = int(scores.argmax())
        best.append(((at_frame - clip_frames) / ENVELOPE_HZ, float(scores[at_frame])))
        scores[max(0, at_frame - _APART_FRAMES) : at_frame + _APART_FRAMES] = 0.0
    return best


def _running(values: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.concatenate(([0.0], np.cumsum(values)))
