"""How far each open microphone stands above the bleed that the other inputs predict.

A microphone in front of a person hears the rest of the band all the time. What it hears is, per band, a sum of the
other inputs' powers, each through the room: now, and decaying over some 60 and 180 ms. Those weights (never negative)
are learnt on the hops in which the own source seems to rest, by multiplicative updates of the Itakura-Saito divergence,
which treat quiet and loud hops alike (Fevotte, Bertin, Durrieu, Neural Computation 21(3) 2009; for microphone leakage:
Praetzlich et al., ICASSP 2015; Kokkinis, Reiss, Mourjopoulos, IEEE TASL 20(3) 2012). The excess of the recorded level
over that prediction, in dB, averaged over the bands of a voice, is what a gate can go by.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.model.measured import BleedFacts

Array = NDArray[np.float32]

DECAYS_S = (0.06, 0.18)
"""Time constants of the room's answer besides the immediate one."""
_ANSWERS = 1 + len(DECAYS_S)
LOWEST_HZ, HIGHEST_HZ, HIGHEST_VOWEL_HZ = 120.0, 9000.0, 1600.0
"""Bands in which a voice is told from bleed; what subtraction leaves of it is cymbals, and vowels decide."""

_TRAINING_HOPS, _SEGMENT_HOPS, _FIT_HOPS = 6000, 250, 2000
_CHUNK_HOPS, _WARM_UP_HOPS = 3000, 60
_ROUNDS, _UPDATES = 4, (25, 25, 25, 50)
_OVERSUBTRACT = np.float32(1.5)
_TINY = np.float32(1e-14)
_CLIP_DB = (-3.0, 15.0)
_SMOOTHING_HOPS, _CLEAR_SMOOTHING_HOPS = 5, 7
_LEAST_AUDIBLE = np.float32(1e-4)
_LEFT_OF_TAKEN = np.float32(0.6)
"""Where more than this share of what was subtracted remains, it is taken for the own source."""
_CLEAR_DB, _MOST_CLEAR_DB = 6.0, 19.0
"""What is less than this over the expected bleed, in one band, says nothing of a voice: bleed itself comes and goes by
as much. Counting it too, gates let in three times as much between lines (measured)."""


@dataclass(frozen=True, slots=True)
class _Target:
    """What was learnt for one microphone: weights ``(bands, features)`` over the instruments, and over everybody."""

    noise: Array
    of_instruments: Array
    of_all: Array


def measure_bleed(store: BandStore, targets: Sequence[int], others: Sequence[int]) -> Mapping[int, BleedFacts]:
    """Excess over predicted bleed for each of the inputs `ears`.

    `ears` are the microphones in front of people, `others` all inputs that play without being one of them; an ear's own
    sound in another ear counts as bleed only once it was told from the instruments' bleed there, so that two singers
    who sing together do not silence each other. Returns nothing for an input that no other input could explain.
    """
    if not targets or len(targets) + len(others) < 2 or store.hops < 2 * _SMOOTHING_HOPS:
        return {}
    learnt = _learn(store, targets, others)
    excess_all: dict[int, list[Array]] = {target: [] for target in targets}
    excess_instruments: dict[int, list[Array]] = {target: [] for target in targets}
    bands = _voice_bands(store)
    for start in range(0, store.hops, _CHUNK_HOPS):
        stop = min(start + _CHUNK_HOPS, store.hops)
        early = max(0, start - _WARM_UP_HOPS)
        features = np.concatenate(
            [_features(store.read(j, early, stop), store.hop_s) for j in others] or [_none(store)]
        )
        own: dict[int, Array] = {}
        levels: dict[int, Array] = {}
        for target in targets:
            levels[target] = store.read(target, early, stop)
            bleed = _predict(learnt[target].of_instruments, features, learnt[target].noise, levels[target].shape)
            excess_instruments[target].append(_excess_db(levels[target], bleed, bands)[start - early :])
            own[target] = _own_power(levels[target], bleed)
        for target in targets:
            everybody = _with_voices(features, own, target, store.hop_s)
            bleed = _predict(learnt[target].of_all, everybody, learnt[target].noise, levels[target].shape)
            excess_all[target].append(_excess_db(levels[target], bleed, bands)[start - early :])
    return {
        target: BleedFacts(
            hop_s=store.hop_s,
            over_bleed_db=_smooth(np.concatenate(excess_all[target])),
            over_instrument_bleed_db=_smooth(np.concatenate(excess_instruments[target])),
        )
        for target in targets
    }


def measure_residual(
    store: BandStore, target: int, references: Sequence[int], left: Path, taken: Path | None, bleed: Path
) -> Array:
    """How far one microphone stands clear of what is left of its bleed, after that was predicted and subtracted.

    `left` holds the band powers of what remained, `taken` those of what was subtracted (None: nothing was). Writes the
    expected bleed's band powers to `bleed`. All three are exact. Returns dB ``(hops,)``, see `Cleaned.clear_db`.
    Raises `OutputError`.
    """
    own = replace(store, paths=(left, *((taken,) if taken else ())), gain_steps=(), exact=True)
    others = [other for other in references if other != target]
    bands, vowels = _voice_bands(store), _voice_bands(store, HIGHEST_VOWEL_HZ)

    def features_of(early: int, stop: int) -> Array:
        answers = [_features(store.read(other, early, stop), store.hop_s) for other in others]
        if taken:
            answers.append(_features(own.read(1, early, stop), store.hop_s))
        return np.concatenate(answers)

    spans = _training_spans(store.hops)
    features = np.concatenate([features_of(early, stop)[:, :, start - early :] for early, start, stop in spans], axis=2)
    level = np.concatenate([own.read(0, start, stop) for _, start, stop in spans], axis=1)
    noise = np.float32(0.5) * np.percentile(level, 3, axis=1).astype(np.float32)
    weights = _fit(level, features, noise, bands)
    # Where the whole room is quiet, a microphone's own hiss would rise from no bleed at all.
    audible = (_LEAST_AUDIBLE * np.percentile(level, 95, axis=1)).astype(np.float32)[:, None]
    clear: list[Array] = []
    with BandWriter(bleed, exact=True) as writer:
        for start in range(0, store.hops, _CHUNK_HOPS):
            stop = min(start + _CHUNK_HOPS, store.hops)
            early = max(0, start - _WARM_UP_HOPS)
            level = own.read(0, early, stop)
            expected = _predict(weights, features_of(early, stop), noise, level.shape)
            writer.write(expected[:, start - early :])
            expected = np.maximum(expected, audible)
            if taken:
                expected = np.maximum(expected, _LEFT_OF_TAKEN * own.read(1, early, stop))
            ratio_db = 10.0 * np.log10((level[vowels] + _TINY) / expected[vowels])
            over_db = np.clip(ratio_db - _CLEAR_DB, 0.0, _MOST_CLEAR_DB).mean(axis=0)
            clear.append(over_db[start - early :].astype(np.float32))
    return _smooth(np.concatenate(clear), _CLEAR_SMOOTHING_HOPS)


def _learn(store: BandStore, targets: Sequence[int], others: Sequence[int]) -> Mapping[int, _Target]:
    spans = _training_spans(store.hops)
    bands = _voice_bands(store)
    levels = {
        target: np.concatenate([store.read(target, start, stop) for _, start, stop in spans], axis=1)
        for target in targets
    }
    noise = {
        target: np.float32(0.5) * np.percentile(levels[target], 3, axis=1).astype(np.float32) for target in targets
    }
    # The instruments' features first, then room for those of the other voices: copies of this would be most memory.
    hops = sum(stop - start for _, start, stop in spans)
    everybody = np.empty((_ANSWERS * (len(others) + max(0, len(targets) - 1)), store.bands, hops), np.float32)
    at = 0
    for _, start, stop in spans:
        early = max(0, start - _WARM_UP_HOPS)
        for place, track in enumerate(others):
            answers = _features(store.read(track, early, stop), store.hop_s)[:, :, start - early :]
            everybody[_ANSWERS * place : _ANSWERS * (place + 1), :, at : at + stop - start] = answers
        at += stop - start
    instruments = everybody[: _ANSWERS * len(others)]
    of_instruments = {target: _fit(levels[target], instruments, noise[target], bands) for target in targets}
    own = {
        target: _own_power(
            levels[target], _predict(of_instruments[target], instruments, noise[target], levels[target].shape)
        )
        for target in targets
    }
    learnt: dict[int, _Target] = {}
    for target in targets:
        for place, voice in enumerate((power for other, power in own.items() if other != target), len(others)):
            everybody[_ANSWERS * place : _ANSWERS * (place + 1)] = _features(voice, store.hop_s)
        learnt[target] = _Target(
            noise[target], of_instruments[target], _fit(levels[target], everybody, noise[target], bands)
        )
    return learnt


def _training_spans(hops: int) -> list[tuple[int, int, int]]:
    """Stretches to learn from, spread over the take: where to begin reading, first hop, hop after the last."""
    if hops <= _TRAINING_HOPS:
        return [(0, 0, hops)]
    starts = np.linspace(0, hops - _SEGMENT_HOPS, _TRAINING_HOPS // _SEGMENT_HOPS).astype(int).tolist()
    return [(max(0, start - _WARM_UP_HOPS), start, start + _SEGMENT_HOPS) for start in starts]


def _voice_bands(store: BandStore, highest_hz: float = HIGHEST_HZ) -> NDArray[np.bool_]:
    centres = np.sqrt(store.band_hz[:-1] * store.band_hz[1:])
    return (centres > LOWEST_HZ) & (centres < highest_hz)


def _none(store: BandStore) -> Array:
    return np.zeros((0, store.bands, 1), np.float32)


def _features(power: Array, hop_s: float) -> Array:
    """One input as the room answers it: immediate (3 hops) and decaying, ``(3, bands, hops)``."""
    answers: list[NDArray[Any]] = [scipy.ndimage.uniform_filter1d(power, 3, axis=1, mode="nearest")]
    for decay_s in DECAYS_S:
        keep = np.exp(-hop_s / decay_s)
        # As if the first hop had gone on for ever: otherwise a take would begin with bleed that nothing predicts.
        answers.append(scipy.signal.lfilter([1.0 - keep], [1.0, -keep], power, axis=1, zi=keep * power[:, :1])[0])
    return np.stack(answers).astype(np.float32)


def _with_voices(features: Array, own: Mapping[int, Array], target: int, hop_s: float) -> Array:
    voices = [_features(power, hop_s) for other, power in own.items() if other != target]
    return np.concatenate([each for each in (features, *voices) if len(each)] or [features])


def _predict(weights: Array, features: Array, noise: Array, shape: tuple[int, ...]) -> Array:
    """Bleed power ``(bands, hops)`` of weights ``(bands, features)`` and features ``(features, bands, hops)``."""
    bleed = np.broadcast_to(noise[:, None], shape).copy()
    for index, feature in enumerate(features):
        bleed += weights[:, index, None] * feature
    return bleed + _TINY


def _own_power(level: Array, bleed: Array) -> Array:
    own: Array = np.maximum(level - _OVERSUBTRACT * bleed, np.float32(0.0))
    return own


def _excess_db(level: Array, bleed: Array, bands: NDArray[np.bool_]) -> Array:
    ratio_db = 10.0 * np.log10((level[bands] + _TINY) / bleed[bands])
    excess: Array = np.clip(ratio_db, *_CLIP_DB).mean(axis=0).astype(np.float32)
    return excess


def _smooth(over_bleed_db: Array, hops: int = _SMOOTHING_HOPS) -> Array:
    smooth: Array = scipy.ndimage.uniform_filter1d(over_bleed_db, hops, mode="nearest")
    return smooth


def _fit(level: Array, features: Array, noise: Array, bands: NDArray[np.bool_]) -> Array:
    """Weights ``(bands, features)`` on the hops in which the own source seems to rest, re-judged each round."""
    if not len(features):
        return np.zeros((level.shape[0], 0), np.float32)
    # Each input counts by how well its level goes with this one's, whatever its gain.
    together = np.einsum("bh,fbh->fb", level, features)
    alone = np.einsum("fbh,fbh->fb", features, features)
    everything = np.einsum("fbh,fb->bh", features, together / (alone + _TINY**2)) + _TINY
    ratio = scipy.ndimage.uniform_filter1d(np.median(np.log(level[bands] / everything[bands] + _TINY), axis=0), 9)
    loudness = level.sum(axis=0)
    sounding = loudness > np.percentile(loudness, 95) * 1e-5
    if np.count_nonzero(sounding) < 2 * _SMOOTHING_HOPS:
        return np.zeros((level.shape[0], len(features)), np.float32)
    resting = sounding & (ratio <= np.quantile(ratio[sounding], 0.35))
    weights = np.zeros((level.shape[0], len(features)), np.float32)
    for round_, updates in enumerate(_UPDATES):
        hops = np.flatnonzero(resting)
        hops = hops[np.linspace(0, len(hops) - 1, min(len(hops), _FIT_HOPS)).astype(int)]
        weights = _itakura_saito(level[:, hops], features[:, :, hops], noise, updates)
        if round_ == _ROUNDS - 1:
            break
        excess = _smooth(_excess_db(level, _predict(weights, features, noise, level.shape), bands))
        low = float(np.quantile(excess[sounding], 0.15))
        judged = sounding & (excess < (max(low + 1.5, 1.2) if round_ else low + 1.0))
        resting = scipy.ndimage.minimum_filter1d(judged.astype(np.uint8), 9).astype(bool)
        if np.count_nonzero(resting) < 150:
            resting = sounding & (excess <= np.quantile(excess[sounding], 0.3))
    return weights


def _itakura_saito(level: Array, features: Array, noise: Array, updates: int) -> Array:
    """Non-negative weights that explain `level` ``(bands, hops)`` over a fixed noise floor."""
    weights = np.empty((level.shape[0], len(features)), np.float32)
    over_power = np.empty((2, level.shape[1]), np.float32)
    # Band by band: what one of them needs stays in the processor's cache for all updates.
    for band, wanted in enumerate(level + _TINY):
        terms = features[:, band] + _TINY
        mine = wanted.mean() / terms.mean(axis=1) / np.float32(len(features))
        for _ in range(updates):
            model = mine @ terms
            model += noise[band] + _TINY
            np.divide(np.float32(1.0), model, out=over_power[1])
            np.divide(wanted, np.square(model, out=model), out=over_power[0])
            up, down = (terms @ over_power.T).T
            mine *= np.sqrt(up / np.maximum(down, _TINY))
        weights[band] = mine
    return weights
