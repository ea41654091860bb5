"""The fingerprint of a song: harmony and rhythm of every beat, whatever the tempo and the tuning.

Chroma by beats in the tuning that was played (M. Müller, "Fundamentals of Music Processing", 2015, sections 3.1.2 and
7.2; D. P. W. Ellis, G. E. Poliner, ICASSP 2007). Onsets within the beat tell songs apart that share their chords.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.model.fingerprint import CHROMA, LEVELS, QUARTERS, Fingerprint
from morningmix.model.measured import Notes, Onsets
from morningmix.model.tempo import Tempo

MOST_BEATS = 900
"""Beats after these are left out, so that a fingerprint stays under 50 KB."""
_LOUD = 98.0
"""Percentile of onsets that counts as loud."""


def half_beats_s(tempo: Tempo) -> NDArray[np.float64]:
    """Where each half of the beats begins, and where the last one ends; seconds from the start of the song."""
    beats = np.array(tempo.beats_s[: MOST_BEATS + 1])
    edges: NDArray[np.float64] = np.sort(np.concatenate((beats, (beats[1:] + beats[:-1]) / 2.0)))
    return edges


def fingerprint_of(tempo: Tempo, notes: Notes, drums: Onsets, others: Onsets) -> Fingerprint:
    """The fingerprint of a song; `notes` are those of its `half_beats_s`."""
    bass, above = _chroma(notes)
    beats_s = notes.edges_s[::2]
    rows = [above[:, ::2], above[:, 1::2], bass[:, ::2], bass[:, 1::2]]
    rows += [_unit(_quarters(onsets, beats_s)) for onsets in (drums, others)]
    return Fingerprint(
        tempo_bpm=tempo.tempo_bpm, beats=np.round(LEVELS * np.clip(np.concatenate(rows), 0.0, 1.0)).astype(np.uint8)
    )


def _chroma(notes: Notes) -> NDArray[np.float64]:
    """Pitch classes in the song's own tuning, each stretch of length 1: ``(2, 12, stretches)``."""
    strength = notes.strength.astype(np.float64)
    fine = (np.arange(strength.shape[1]) + 0.5) * CHROMA / strength.shape[1]
    # The circular mean of what is off the keys: the tuning (Müller 2015, section 3.1.2.3).
    tuning = float(np.angle(strength[1].sum(axis=1) @ np.exp(2j * np.pi * fine))) / (2.0 * np.pi)
    off = (fine - tuning - np.arange(CHROMA)[:, None] + 0.5) % CHROMA - 0.5
    near = np.where(off < 0.5, np.cos(np.pi * np.clip(off, -0.5, 0.5)) ** 2, 0.0)
    return np.stack([_unit(np.sqrt(near @ register)) for register in strength])


def _quarters(onsets: Onsets, beats_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Onsets in each quarter of the beats: ``(4 * bands, beats)``."""
    if not len(onsets.strength):
        return np.zeros((QUARTERS * onsets.strength.shape[1], len(beats_s) - 1))
    loud = np.percentile(onsets.strength, _LOUD, axis=2, keepdims=True)
    level = (onsets.strength / np.maximum(loud, 1e-6)).mean(axis=0, dtype=np.float64)
    level = scipy.ndimage.maximum_filter1d(level, 3, axis=1)
    rows = []
    for quarter in range(QUARTERS):
        at_s = beats_s[:-1] + quarter / QUARTERS * np.diff(beats_s)
        hops = np.round((at_s - onsets.first_s) / onsets.hop_s - 0.5).astype(np.intp)
        rows.append(level[:, np.clip(hops, 0, level.shape[1] - 1)])
    return np.concatenate(rows)


def _unit(columns: NDArray[np.float64]) -> NDArray[np.float64]:
    """Every column at length 1."""
    unit: NDArray[np.float64] = columns / np.maximum(np.linalg.norm(columns, axis=0), 1e-9)
    return unit
