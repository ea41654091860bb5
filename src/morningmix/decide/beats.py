"""Tempo and beats of a song from its onsets.

The tempo over time is a smooth path through local autocorrelations; beats are found along it by dynamic programming
(D. P. W. Ellis, "Beat tracking by dynamic programming", J. New Music Research 36(1), 2007). Which of the tempi that
share a pulse a band would count is decided by what its bass and snare drum do on these beats and between them. Numbers
without a source are design choices.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.model.measured import Onsets
from morningmix.model.tempo import Tempo

SLOWEST_BPM, FASTEST_BPM = 50.0, 220.0
USUAL_BPM, USUAL_OCTAVES = 120.0, 0.9
"""Centre and width of the tempi that people tap (Ellis 2007, section 3.2)."""
DOUBTFUL = 1.5
"""Odds (natural logarithm) under which another tempo is doubt: of 1397 invented drum parts, 495 in half time,
tempo or place of the beat is wrong in 211; 162 of these are doubtful, as are 19 % of the others (measured)."""
_NEAR_OCTAVES = 0.3
"""How far from its usual tempo a song may be played, so that half and double are still told apart (design choice)."""
LEAST_PULSE = 0.2
"""How far a comb of autocorrelations must stand out: noise and random hits 0.07, songs 0.3 and more (measured)."""
LEAST_S, LEAST_BEATS = 4.0, 8
_MEDIAN_BEATS = 16
"""Span whose median is the tempo: a beat's place is only known to a few milliseconds, which is 1 BPM for a single
period (measured)."""

_BAND_WEIGHTS = (2.0, 1.5, 1.0, 1.0)
"""Of the broad bands, the lowest first: the bass drum rather than cymbals tells where the beat is."""
_HEAVY_BANDS = 2
"""The lowest bands, which hold bass and snare drum; those above hold cymbals."""
_SLOW_HOPS = 25
_TIGHTNESS = 100.0
"""Cost of the squared logarithm of an uneven period (Ellis 2007, section 2)."""
_WINDOW_S, _STEP_S, _LONGEST_LAG_S = 8.0, 1.0, 5.0
_DRIFTS, _DRIFT_STEPS, _DRIFT_COST, _MOST_STEPS = 1.2, 41, 0.06, 3
"""How far a tempo moves from that of the whole song, and at what cost from second to second."""
_RATIOS = (1.0, 0.5, 2.0, 1.0 / 3.0, 3.0, 2.0 / 3.0, 1.5)
"""Periods re the strongest one that may be the beat instead."""
_WEIGHTS = np.array([1.1, 1.3, 4.5, 2.0, -3.0, -6.0, -2.7, 11.5, 10.4, -20.0, 0.0, -6.0])
"""Of the evidence in `_evidence`: logistic regression on 711 invented drum parts; those of an unsteady hand and of
thirty-seconds by hand."""
_HALF_TIME = np.array([0.0, 0.5, 3.5, 6.7, -3.8, -0.5, -0.1, 10.2, 7.5, -20.0, 3.3, -6.0])
"""The same for a band that plays in half time as often as not: on 592 invented drum parts, 216 of them with the snare
on three alone. Hit for hit, half time is straight rock at half the tempo, so these only raise doubt."""
_THIRTY_SECONDS = 0.28
"""Part of the cymbals' onsets that fall between sixteenths from which they are thirty-seconds: half of them do then,
next to none do else (measured)."""
_LEAST_EIGHTH_HOPS = 3.4
"""An eighth of a beat from which that can be told."""

Curve = NDArray[np.float64]
Drums = tuple[NDArray[np.float64], NDArray[np.float64]]
"""Onsets of bass and snare drum, and those of cymbals: ``(rows, hops)`` each."""


@dataclass(frozen=True, slots=True)
class _Count:
    """Beats at one of the tempi that may be meant."""

    bpm: float
    beats: Curve
    """Hops from the first."""
    odds: float
    """Logarithm, with an arbitrary zero."""
    half_time_odds: float
    """The same for a band that likes half time."""


def find_tempo(onsets: Onsets, usual_bpm: float | None = None) -> Tempo | None:
    """Tempo and beats of a song; None where nothing repeats.

    `usual_bpm`: the tempo at which the band says that it counts it. It only settles what is half and what is double.
    """
    if onsets.strength.shape[2] * onsets.hop_s < LEAST_S or not onsets.strength.any():
        return None
    rows = _levelled(onsets.strength.astype(np.float64))
    weights = np.array(_BAND_WEIGHTS)[: rows.shape[1], None]
    summed = (rows * weights).sum(axis=(0, 1))
    curve = np.maximum(summed - scipy.ndimage.uniform_filter1d(summed, _SLOW_HOPS), 0.0)
    local = _autocorrelations(curve, onsets.hop_s)
    heavy = scipy.ndimage.maximum_filter1d(rows[:, :_HEAVY_BANDS].reshape(-1, rows.shape[2]), 3, axis=1)
    light = scipy.ndimage.maximum_filter1d(rows[:, _HEAVY_BANDS:].reshape(-1, rows.shape[2]), 3, axis=1)
    counts = [_count(period, (heavy, light), curve, local, onsets.hop_s) for period in _periods(local, onsets.hop_s)]
    likely = sorted((count for count in counts if count is not None), key=lambda count: -count.odds)
    if not likely:
        return None
    best, *others = likely
    other = next((count.bpm for count in others if best.odds - count.odds < DOUBTFUL), None)
    in_half_time = max(likely, key=lambda count: count.half_time_odds)
    if in_half_time is not best:
        other = in_half_time.bpm
    if usual_bpm is not None:
        octaves = [count for count in likely if abs(abs(np.log2(count.bpm / best.bpm)) - 1.0) < _NEAR_OCTAVES]
        usual = [count for count in (best, *octaves) if abs(np.log2(count.bpm / usual_bpm)) < _NEAR_OCTAVES]
        if usual:
            best, other = usual[0], None
    return Tempo(
        tempo_bpm=round(best.bpm, 1),
        other_bpm=None if other is None else round(other, 1),
        beats_s=tuple(np.round(onsets.first_s + (best.beats + 0.5) * onsets.hop_s, 3).tolist()),
    )


def _levelled(rows: NDArray[np.float64]) -> NDArray[np.float64]:
    """Every row at a mean square of 1."""
    level = np.sqrt(np.mean(rows**2, axis=-1, keepdims=True))
    levelled: NDArray[np.float64] = rows / np.where(level > 0.0, level, 1.0)
    return levelled


# ---------------------------------------------------------------- which tempi may be meant


def _autocorrelations(curve: Curve, hop_s: float) -> NDArray[np.float64]:
    """Autocorrelation around each second, 1 at lag 0: ``(seconds, lags)``."""
    size, step, lags = (round(seconds / hop_s) for seconds in (_WINDOW_S, _STEP_S, _LONGEST_LAG_S))
    padded = np.pad(scipy.ndimage.gaussian_filter1d(curve, 0.75), (size // 2, size + lags))
    frames = np.lib.stride_tricks.sliding_window_view(padded, size + lags)[: len(curve) : step]
    length = scipy.fft.next_fast_len(size + lags, real=True)
    spectra = np.conj(scipy.fft.rfft(frames[:, :size] * np.hanning(size), length)) * scipy.fft.rfft(frames, length)
    found: NDArray[np.float64] = scipy.fft.irfft(spectra, length)[:, :lags]
    return found / np.maximum(found[:, :1], 1e-9)


def _periods(local: NDArray[np.float64], hop_s: float) -> list[float]:
    """The strongest period in hops, and those that share its pulse; none where nothing repeats."""
    mean = local.mean(axis=0)
    lags = np.arange(len(mean), dtype=np.float64)
    near = scipy.ndimage.maximum_filter1d(mean, 3)
    # A beat's multiples are strong too (Ellis 2007, section 3.2).
    comb = mean + sum(0.5 * np.interp(times * lags, lags, near, right=0.0) for times in (2.0, 4.0))
    bpm = 60.0 / (np.maximum(lags, 1.0) * hop_s)
    allowed = (bpm >= SLOWEST_BPM) & (bpm <= FASTEST_BPM)
    at = int(np.where(allowed, np.exp(_usual(bpm)) * comb, 0.0).argmax())
    if comb[at] - 2.0 * float(np.median(mean[10:])) < LEAST_PULSE:
        return []
    periods = [_vertex(comb, at) * ratio for ratio in _RATIOS]
    return [period for period in periods if SLOWEST_BPM <= 60.0 / (period * hop_s) <= FASTEST_BPM]


def _usual(bpm: NDArray[np.float64]) -> NDArray[np.float64]:
    """Logarithm of how usual tempi are, 0 at most."""
    usual: NDArray[np.float64] = -0.5 * (np.log2(bpm / USUAL_BPM) / USUAL_OCTAVES) ** 2
    return usual


def _vertex(values: Curve, at: int) -> float:
    """Place of the vertex of the parabola through a peak and its neighbours."""
    before, here, after = values[at - 1 : at + 2].tolist()
    bend = before - 2.0 * here + after
    return float(at) if bend >= 0.0 else at + float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5))


# ---------------------------------------------------------------- the beats at one tempo


def _count(period: float, drums: Drums, curve: Curve, local: NDArray[np.float64], hop_s: float) -> _Count | None:
    seconds = np.arange(len(curve)) * hop_s / _STEP_S
    periods = np.interp(seconds, np.arange(len(local)), _period_path(local, period))
    smooth = scipy.ndimage.gaussian_filter1d(curve, 1.0)
    hops = _without_silent_ends(_best_chain(smooth, periods), smooth)
    if len(hops) < LEAST_BEATS:
        return None
    beats = _between_hops(hops, curve)
    span = min(_MEDIAN_BEATS, len(beats) - 1)
    bpm = 60.0 * span / (float(np.median(beats[span:] - beats[:-span])) * hop_s)
    evidence = _evidence(bpm, beats, *drums)
    return _Count(bpm, beats, float(_WEIGHTS @ evidence), float(_HALF_TIME @ evidence))


def _period_path(local: NDArray[np.float64], period: float) -> Curve:
    """Period in hops around each second: the way of high autocorrelations and small changes (Viterbi)."""
    grid = period * _DRIFTS ** np.linspace(-1.0, 1.0, _DRIFT_STEPS)
    lags = np.arange(local.shape[1], dtype=np.float64)
    # A beat's multiples count as much.
    height = np.array(
        [sum(np.interp(times * grid, lags, second, right=0.0) for times in (1.0, 2.0, 4.0)) for second in local]
    )
    moved = np.abs(np.arange(_DRIFT_STEPS)[:, None] - np.arange(_DRIFT_STEPS))
    cost = _DRIFT_COST * moved + (moved > _MOST_STEPS)
    total = height[0]
    came = np.zeros(height.shape, np.intp)
    for second in range(1, len(height)):
        ways = total - cost
        came[second] = ways.argmax(axis=1)
        total = height[second] + ways.max(axis=1)
    at = int(total.argmax())
    path = np.empty(len(height))
    for second in range(len(height) - 1, -1, -1):
        path[second] = grid[at]
        at = int(came[second, at])
    smooth: Curve = scipy.ndimage.gaussian_filter1d(path, 2.0)
    return smooth


def _best_chain(smooth: Curve, periods: Curve) -> NDArray[np.intp]:
    """Hops of the beats, by dynamic programming (Ellis 2007, section 2) with a period for every hop.

    A beat only depends on hops at least the shortest period before it, so as many hops are decided at once.
    """
    nearest, furthest = max(2, int(0.6 * periods.min())), int(np.ceil(1.6 * periods.max()))
    ways = np.arange(nearest, furthest + 1)
    score = np.concatenate((np.zeros(furthest), smooth / max(float(smooth.std()), 1e-9)))
    came = np.full(len(smooth), -1)
    for first in range(0, len(smooth), nearest):
        hops = np.arange(first, min(first + nearest, len(smooth)))
        uneven = np.log(ways / periods[hops, None])
        total = score[hops[:, None] + furthest - ways] - _TIGHTNESS * uneven**2
        best = total.argmax(axis=1)
        gained = total[np.arange(len(hops)), best]
        came[hops] = np.where(gained > 0.0, hops - ways[best], -1)
        score[hops + furthest] += np.maximum(gained, 0.0)
    ends = score[-furthest:]
    beats = [len(smooth) - len(ends) + int(ends.argmax())]
    while came[beats[-1]] >= 0:
        beats.append(int(came[beats[-1]]))
    return np.array(beats[::-1])


def _without_silent_ends(hops: NDArray[np.intp], smooth: Curve) -> NDArray[np.intp]:
    """Without beats before the first onset and after the last."""
    heights = scipy.ndimage.maximum_filter1d(smooth, 5)[hops]
    loud = np.flatnonzero(heights > 0.15 * np.sqrt(np.mean(heights**2)))
    return hops[loud[0] : loud[-1] + 1] if len(loud) else hops[:0]


def _between_hops(hops: NDArray[np.intp], curve: Curve) -> Curve:
    """Beats at the centroid of the onset near by, if there is one: 2 ms off instead of 6 (measured on hits)."""
    beats = hops.astype(np.float64)
    onset = 0.5 * float(curve[curve > 0.0].mean())
    for place, hop in enumerate(hops.tolist()):
        first = max(0, hop - 2)
        peak = first + int(curve[first : hop + 3].argmax())
        if curve[peak] > onset:
            around = np.arange(max(0, peak - 1), min(len(curve), peak + 2))
            beats[place] = float(curve[around] @ around / curve[around].sum())
    return beats


# ---------------------------------------------------------------- which of them a band would count


def _evidence(bpm: float, beats: Curve, heavy: NDArray[np.float64], light: NDArray[np.float64]) -> Curve:
    """What speaks for a band counting these beats, by its `Drums`."""
    at = _sampled(heavy, beats)
    periods = np.diff(beats)
    between = {
        place: float(_sampled(heavy, beats[:-1] + place * periods).sum(axis=1).mean())
        for place in (0.0, 0.25, 1.0 / 3.0, 0.5, 2.0 / 3.0, 0.75)
    }
    total = sum(between.values()) + 1e-9
    alike = [_similarity(at, apart) for apart in (1, 2, 3, 4)]
    heights = at.sum(axis=1)
    return np.array(
        [
            float(_usual(np.array(bpm))),
            # A backbeat: alike two beats apart, but not one.
            alike[1] - alike[0],
            np.log(between[0.0] / total + 1e-3),
            between[0.5] / total,
            (between[1.0 / 3.0] + between[2.0 / 3.0]) / total,
            (between[0.25] + between[0.75]) / total,
            alike[2],
            alike[3],
            # Beats that are played.
            float(np.mean(heights > 0.5 * np.sqrt(np.mean(heights**2)))),
            # An unsteady hand.
            float(np.std(np.diff(np.log(np.maximum(periods, 1.0))))),
            float(np.log2(bpm / USUAL_BPM)),
            # Nobody counts so slowly that cymbals play thirty-seconds all the time.
            float(_between_sixteenths(beats, light) > _THIRTY_SECONDS),
        ]
    )


def _between_sixteenths(beats: Curve, light: NDArray[np.float64]) -> float:
    """Part of the cymbals' onsets that fall between the sixteenths of these beats; 0 where that cannot be told."""
    periods = np.diff(beats)
    if float(np.median(periods)) / 8.0 < _LEAST_EIGHTH_HOPS:
        return 0.0
    on, off = (
        float(np.mean([_sampled(light, beats[:-1] + place * periods).sum() for place in places]))
        # What falls near thirds of a beat may be a swung eighth.
        for places in ((0.0, 0.25, 0.5, 0.75), (0.125, 0.875))
    )
    return off / max(on + off, 1e-9)


def _sampled(rows: NDArray[np.float64], places: Curve) -> NDArray[np.float64]:
    return rows[:, np.clip(np.round(places).astype(np.intp), 0, rows.shape[1] - 1)].T


def _similarity(at: NDArray[np.float64], apart: int) -> float:
    """How alike beats that far apart are, 0..1; loud ones count most."""
    here, there = at[:-apart], at[apart:]
    return float(2.0 * (here * there).sum() / max(float((here**2).sum() + (there**2).sum()), 1e-9))
