"""Find metronome inputs: one or two short sounds repeated in time to the millisecond, with silence between.

No drummer is that regular, a drum machine's pattern has more sounds and gaps, and playback is not silent between the
beats. The numbers are design choices unless they say otherwise.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.read import open_recording
from morningmix.model.measured import Measurements, Ticking, TrackFacts
from morningmix.model.recording import Recording, Take
from morningmix.units import Block

MOST_JITTER_S = 0.003
SHORTEST_S, LONGEST_S = 0.15, 1.6
"""Period of the clicks: from 40 beats a minute to eighths at 200."""
SPEAKS_HZ = (400.0, 6500.0)
"""Median frequency of a click's power: above a bass drum, below a hi-hat (common practice, no source)."""
LEAST_CORRELATION = 0.9
MOST_SOUNDS = 2
"""Number of different sounds: the beat and the first of the bar."""

_STRETCHES, _STRETCH_S = 10, 6.0
_LEAST_STRETCHES, _LEAST_FRACTION, _LEAST_HITS = 3, 0.75, 4
_STEP_S, _APART_S, _HIT_S, _LEAD_S, _LAG_S = 0.001, 0.08, 0.03, 0.002, 0.001
_HIT, _QUIET = 0.1, 0.015
"""Levels relative to the peak of a stretch: least level of a hit, and highest level between hits."""


def measure_clicks(take: Take, measured: Measurements, candidates: Sequence[int]) -> Mapping[int, Ticking]:
    """The inputs among `candidates` that are a metronome. Raises `RecordingsError` if one cannot be read."""
    found: dict[int, Ticking] = {}
    for index in candidates:
        facts = measured.tracks[index]
        if not facts.silent and (ticking := _ticking(take, take.recordings[index], facts, measured.slot_s)):
            found[index] = ticking
    return found


def _ticking(take: Take, recording: Recording, facts: TrackFacts, slot_s: float) -> Ticking | None:
    known: list[NDArray[np.float32]] = []
    periods: list[float] = []
    starts_s = _stretches(facts, slot_s)
    frames = round(_STRETCH_S * take.rate_hz)
    misses = 0
    for at in starts_s:
        with open_recording(recording, take.rate_hz, round(at * take.rate_hz), frames) as reader:
            sound = reader.read(frames)
        period_s = _period_s(sound, take.rate_hz, known)
        if period_s is not None:
            periods.append(period_s)
        else:
            misses += 1
            if misses > (1.0 - _LEAST_FRACTION) * len(starts_s):
                return None
    if len(periods) < _LEAST_STRETCHES:
        return None
    return Ticking(shortest_s=min(periods), longest_s=max(periods))


def _stretches(facts: TrackFacts, slot_s: float) -> list[float]:
    """Start times of stretches spread over the take, where the input is not silent."""
    long = max(1, round(_STRETCH_S / slot_s))
    sums = np.concatenate(([0.0], np.cumsum(facts.slots.peaks, dtype=np.float64)))
    held = sums[long:] - sums[:-long]
    count = min(_STRETCHES, len(facts.slots) // long)
    if count == 0:
        return []
    edges = np.linspace(0, len(held), count + 1).astype(int)
    best = [a + int(np.argmax(held[a:b])) for a, b in pairwise(edges.tolist()) if b > a]
    enough = 0.1 * float(held.max())
    return [start * slot_s for start in best if held[start] > enough]


def _period_s(sound: Block, rate_hz: int, known: list[NDArray[np.float32]]) -> float | None:
    """Period of the hits if a stretch holds only a click, else None; new sounds are added to `known`."""
    step = round(_STEP_S * rate_hz)
    steps = sound.shape[1] // step
    envelope = np.abs(sound[:, : steps * step]).max(axis=0).reshape(steps, step).max(axis=1)
    loudest = float(envelope.max(initial=0.0))
    apart = round(_APART_S / _STEP_S)
    loud = np.flatnonzero(envelope > _HIT * loudest)
    # A sound at the very start of the stretch may be a truncated hit.
    hits = loud[np.diff(loud, prepend=0) >= apart // 2].tolist()
    if len(hits) < _LEAST_HITS:
        return None
    onsets = np.array(hits) * _STEP_S
    between_s = np.diff(onsets)
    period_s = float(np.median(between_s))
    if not SHORTEST_S <= period_s <= LONGEST_S or np.abs(between_s - period_s).max() > MOST_JITTER_S:
        return None
    between = np.concatenate([envelope[a + apart : b - 3] for a, b in pairwise(hits)])
    if np.percentile(between, 90) > _QUIET * loudest:
        return None
    mono = sound[int(np.argmax(np.abs(sound).max(axis=1)))]
    return period_s if all(_is_known(mono, hit * step, rate_hz, known) for hit in hits) else None


def _is_known(mono: NDArray[np.float32], onset: int, rate_hz: int, known: list[NDArray[np.float32]]) -> bool:
    """Whether a hit is one of the `known` sounds; a new click is added while there is room."""
    lead, size, lag = (round(seconds * rate_hz) for seconds in (_LEAD_S, _HIT_S, _LAG_S))
    stretch = mono[max(0, onset - lead - lag) : onset - lead + size + lag]
    if len(stretch) < size + 2 * lag:
        # Truncated by the end of the stretch.
        return True
    windows = np.lib.stride_tricks.sliding_window_view(stretch, size)
    lengths = np.linalg.norm(windows, axis=1) + 1e-12
    if any(float(np.max(windows @ sound / lengths)) >= LEAST_CORRELATION for sound in known):
        return True
    hit = windows[lag] / lengths[lag]
    if len(known) == MOST_SOUNDS or not SPEAKS_HZ[0] <= _middle_hz(hit, rate_hz) <= SPEAKS_HZ[1]:
        return False
    known.append(hit)
    return True


def _middle_hz(sound: NDArray[np.float32], rate_hz: int) -> float:
    power = np.cumsum(np.abs(np.fft.rfft(sound)) ** 2)
    return float(np.searchsorted(power, power[-1] / 2.0)) * rate_hz / len(sound)
