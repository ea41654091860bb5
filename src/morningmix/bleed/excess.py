"""Level of each microphone over the bleed predicted from the other inputs.

A vocal microphone picks up the rest of the band all the time. Per band this bleed is a weighted sum of the other
inputs' powers: the direct sound, and room decays of 60 and 180 ms. The weights are non-negative and learnt on the hops
in which the target source seems silent, by multiplicative updates of the Itakura-Saito divergence, which treats quiet
and loud hops alike (Fevotte, Bertin, Durrieu, Neural Computation 21(3) 2009; for microphone leakage: Praetzlich et al.,
ICASSP 2015; Kokkinis, Reiss, Mourjopoulos, IEEE TASL 20(3) 2012). The recorded level over that prediction in dB,
averaged over the voice bands, controls the gate.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.measure.band_store import BandStore, BandWriter
from morningmix.model.measured import BleedFacts

Array = NDArray[np.float32]

DECAYS_S = (0.06, 0.18)
"""Time constants of the room's decays, besides the direct sound."""
_RESPONSES = 1 + len(DECAYS_S)
_CACHED_NUMBERS = 16_384
_FORGOTTEN = 1e-9
"""Weight from which on the past does not count."""
LOWEST_HZ, HIGHEST_HZ, HIGHEST_VOWEL_HZ = 120.0, 9000.0, 1600.0
"""Bands in which voice and bleed are compared. After subtraction mostly cymbals remain, so only vowel bands count."""

_TRAINING_HOPS, _SEGMENT_HOPS, _FIT_HOPS = 6000, 250, 2000
_CHUNK_HOPS, _WARM_UP_HOPS = 3000, 60
_UPDATES = (25, 25, 25, 50)
"""By round."""
_OVERSUBTRACT = np.float32(1.5)
_TINY = np.float32(1e-14)
_CLIP_DB = (-3.0, 15.0)
_SMOOTHING_HOPS, _CLEAR_SMOOTHING_HOPS = 5, 7
_LEAST_AUDIBLE = np.float32(1e-4)
_LEFT_OF_TAKEN = np.float32(0.6)
"""A residual above this fraction of the subtracted power counts as the target source."""
_CLEAR_DB, _MOST_CLEAR_DB = 6.0, 19.0
"""Levels less than this over the expected bleed do not count, since bleed itself fluctuates as much. Counted, they made
gates let through three times as much between lines (measured)."""


@dataclass(frozen=True, slots=True)
class _Target:
    """Model of one microphone's bleed in the voice bands.

    Weights ``(bands, features)`` for the instruments alone, and for all inputs.
    """

    noise: Array
    of_instruments: Array
    of_all: Array


def measure_bleed(store: BandStore, targets: Sequence[int], others: Sequence[int]) -> Mapping[int, BleedFacts]:
    """Level over predicted bleed of each input in `targets`.

    `targets` are the vocal and brass microphones, `others` all other inputs that play. A target's direct sound, without
    the instruments' bleed in it, counts as bleed in the other targets, so that two who sing together do not silence
    each other. Empty if there are no other inputs.
    """
    if not targets or len(targets) + len(others) < 2 or store.hops < 2 * _SMOOTHING_HOPS:
        return {}
    learnt = _learn(store, targets, others)
    over_all: dict[int, list[Array]] = {target: [] for target in targets}
    over_instruments: dict[int, list[Array]] = {target: [] for target in targets}
    bands = _voice_bands(store)
    for start in range(0, store.hops, _CHUNK_HOPS):
        stop = min(start + _CHUNK_HOPS, store.hops)
        early = max(0, start - _WARM_UP_HOPS)
        features = [
            feature for other in others for feature in _features(store.read(other, early, stop)[bands], store.hop_s)
        ]
        direct: dict[int, Array] = {}
        levels: dict[int, Array] = {}
        for target in targets:
            levels[target] = np.ascontiguousarray(store.read(target, early, stop)[bands])
            bleed = _predict(learnt[target].of_instruments, features, learnt[target].noise, levels[target].shape)
            over_instruments[target].append(_over_bleed_db(levels[target], bleed)[start - early :])
            direct[target] = _direct_power(levels[target], bleed)
        if len(targets) == 1:
            continue
        responses = {target: _features(power, store.hop_s) for target, power in direct.items()}
        for target in targets:
            voices = [feature for other in targets if other != target for feature in responses[other]]
            bleed = _predict(learnt[target].of_all, [*features, *voices], learnt[target].noise, levels[target].shape)
            over_all[target].append(_over_bleed_db(levels[target], bleed)[start - early :])
    return {
        target: _facts(store, over_all[target] or over_instruments[target], over_instruments[target])
        for target in targets
    }


def _facts(store: BandStore, over_all: Sequence[Array], over_instruments: Sequence[Array]) -> BleedFacts:
    return BleedFacts(
        hop_s=store.hop_s,
        over_bleed_db=_smooth(np.concatenate(over_all)),
        over_instrument_bleed_db=_smooth(np.concatenate(over_instruments)),
    )


def measure_each(store: BandStore, targets: Sequence[int], playing: Sequence[int]) -> Mapping[int, BleedFacts]:
    """Level of each input in `targets` over the bleed predicted from all the others in `playing`.

    For each it is what `measure_bleed` measures of it alone. Empty if there are no other inputs.
    """
    if not targets or len(playing) < 2 or store.hops < 2 * _SMOOTHING_HOPS:
        return {}
    spans, bands = _training_spans(store.hops), _voice_bands(store)
    features = _training_features(store, playing, spans)
    learnt: dict[int, tuple[Array, Array]] = {}
    for target in targets:
        level, loudness = _training_levels(store, target, spans)
        noise = _noise(level)
        own = _RESPONSES * playing.index(target) + np.arange(_RESPONSES)
        learnt[target] = noise, _fit(level, loudness, np.delete(features, own, axis=0), noise)
    del features
    over: dict[int, list[Array]] = {target: [] for target in targets}
    for start in range(0, store.hops, _CHUNK_HOPS):
        stop = min(start + _CHUNK_HOPS, store.hops)
        early = max(0, start - _WARM_UP_HOPS)
        levels = {index: np.ascontiguousarray(store.read(index, early, stop)[bands]) for index in playing}
        responses = {index: _features(level, store.hop_s) for index, level in levels.items()}
        for target, (noise, weights) in learnt.items():
            others = [feature for index in playing if index != target for feature in responses[index]]
            bleed = _predict(weights, others, noise, levels[target].shape)
            over[target].append(_over_bleed_db(levels[target], bleed)[start - early :])
    return {target: _facts(store, of_target, of_target) for target, of_target in over.items()}


def measure_residual(
    store: BandStore, target: int, references: Sequence[int], left: Path, taken: Path | None, bleed: Path
) -> Array:
    """Level in dB ``(hops,)`` of one microphone over its residual bleed after subtraction (`Cleaned.clear_db`).

    `left` holds the band powers of the residual, `taken` those of the subtracted bleed (None: nothing was subtracted).
    The expected bleed's band powers are written to `bleed`. All three are exact. Raises `OutputError`.
    """
    residual = replace(store, paths=(left, *((taken,) if taken else ())), gain_steps=(), exact=True, first_hop=0)
    others = [other for other in references if other != target]
    bands, vowels = _voice_bands(store), _voice_bands(store, HIGHEST_VOWEL_HZ)

    def features_of(early: int, stop: int) -> Array:
        responses = [_features(store.read(other, early, stop), store.hop_s) for other in others]
        if taken:
            responses.append(_features(residual.read(1, early, stop), store.hop_s))
        return np.concatenate(responses)

    spans = _training_spans(store.hops)
    features = np.concatenate([features_of(early, stop)[:, :, start - early :] for early, start, stop in spans], axis=2)
    level = np.concatenate([residual.read(0, start, stop) for _, start, stop in spans], axis=1)
    noise = _noise(level)
    weights = _fit(level, level.sum(axis=0), features, noise, bands)
    # In a silent room the microphone's own hiss would otherwise count as level over bleed.
    audible = (_LEAST_AUDIBLE * np.percentile(level, 95, axis=1)).astype(np.float32)[:, None]
    clear: list[Array] = []
    with BandWriter(bleed, exact=True) as writer:
        for start in range(0, store.hops, _CHUNK_HOPS):
            stop = min(start + _CHUNK_HOPS, store.hops)
            early = max(0, start - _WARM_UP_HOPS)
            level = residual.read(0, early, stop)
            expected = _predict(weights, features_of(early, stop), noise, level.shape)
            writer.write(expected[:, start - early :])
            expected = np.maximum(expected, audible)
            if taken:
                expected = np.maximum(expected, _LEFT_OF_TAKEN * residual.read(1, early, stop))
            ratio_db = 10.0 * np.log10((level[vowels] + _TINY) / expected[vowels])
            over_db = np.clip(ratio_db - _CLEAR_DB, 0.0, _MOST_CLEAR_DB).mean(axis=0)
            clear.append(over_db[start - early :].astype(np.float32))
    return _smooth(np.concatenate(clear), _CLEAR_SMOOTHING_HOPS)


def _learn(store: BandStore, targets: Sequence[int], others: Sequence[int]) -> Mapping[int, _Target]:
    spans = _training_spans(store.hops)
    levels, loudness = {}, {}
    for target in targets:
        levels[target], loudness[target] = _training_levels(store, target, spans)
    noise = {target: _noise(levels[target]) for target in targets}
    # One array for instruments and voices: copies of it would take most of the memory.
    all_features = _training_features(store, others, spans, max(0, len(targets) - 1))
    instruments = all_features[: _RESPONSES * len(others)]
    of_instruments = {target: _fit(levels[target], loudness[target], instruments, noise[target]) for target in targets}
    if len(targets) == 1:
        return {target: _Target(noise[target], only, only) for target, only in of_instruments.items()}
    direct = {
        target: _direct_power(
            levels[target], _predict(of_instruments[target], instruments, noise[target], levels[target].shape)
        )
        for target in targets
    }
    learnt: dict[int, _Target] = {}
    for target in targets:
        for place, voice in enumerate((power for other, power in direct.items() if other != target), len(others)):
            all_features[_RESPONSES * place : _RESPONSES * (place + 1)] = _features(voice, store.hop_s)
        of_all = _fit(levels[target], loudness[target], all_features, noise[target])
        learnt[target] = _Target(noise[target], of_instruments[target], of_all)
    return learnt


def _noise(level: Array) -> Array:
    """Power that nothing falls below, per band: half of what a microphone has in its quietest hops."""
    noise: Array = np.float32(0.5) * np.percentile(level, 3, axis=1).astype(np.float32)
    return noise


def _training_levels(store: BandStore, target: int, spans: Sequence[tuple[int, int, int]]) -> tuple[Array, Array]:
    """Powers of an input in these spans: of the voice bands, and the sum of all bands."""
    level = np.concatenate([store.read(target, start, stop) for _, start, stop in spans], axis=1)
    return np.ascontiguousarray(level[_voice_bands(store)]), level.sum(axis=0)


def _training_features(
    store: BandStore, inputs: Sequence[int], spans: Sequence[tuple[int, int, int]], room: int = 0
) -> Array:
    """Features ``(responses, voice bands, hops)`` of inputs in these spans, with room for those of so many more."""
    hops, bands = sum(stop - start for _, start, stop in spans), _voice_bands(store)
    features = np.empty((_RESPONSES * (len(inputs) + room), bands.stop - bands.start, hops), np.float32)
    at = 0
    for early, start, stop in spans:
        for place, track in enumerate(inputs):
            responses = _features(store.read(track, early, stop)[bands], store.hop_s)[:, :, start - early :]
            features[_RESPONSES * place : _RESPONSES * (place + 1), :, at : at + stop - start] = responses
        at += stop - start
    return features


def _training_spans(hops: int) -> list[tuple[int, int, int]]:
    """Training stretches spread over the take: hop to start reading at, first hop, hop after the last."""
    if hops <= _TRAINING_HOPS:
        return [(0, 0, hops)]
    starts = np.linspace(0, hops - _SEGMENT_HOPS, _TRAINING_HOPS // _SEGMENT_HOPS).astype(int).tolist()
    return [(max(0, start - _WARM_UP_HOPS), start, start + _SEGMENT_HOPS) for start in starts]


def _voice_bands(store: BandStore, highest_hz: float = HIGHEST_HZ) -> slice:
    centres = np.sqrt(store.band_hz[:-1] * store.band_hz[1:])
    return slice(int(np.count_nonzero(centres <= LOWEST_HZ)), int(np.count_nonzero(centres < highest_hz)))


def _features(power: Array, hop_s: float) -> Array:
    """Powers of one input in the room, direct (3 hops) and decaying: ``(3, bands, hops)``."""
    features = np.empty((_RESPONSES, *power.shape), np.float32)
    scipy.ndimage.uniform_filter1d(power, 3, axis=1, mode="nearest", output=features[0])
    # A few bands at a time, so that they stay in the processor's cache.
    step = max(1, _CACHED_NUMBERS // power.shape[1])
    for feature, decay_s in zip(features[1:], DECAYS_S, strict=True):
        for first in range(0, len(power), step):
            bands = slice(first, first + step)
            feature[bands] = _decaying(power[bands], math.exp(-hop_s / decay_s))
    return features


def _decaying(power: Array, keep: float) -> NDArray[np.float64]:
    """Mean of the past, in which each hop counts `keep` times the next: ``(bands, hops)``.

    The past doubles in length each round: 1 + kz + (kz)^2 + ... is (1 + kz)(1 + (kz)^2)(1 + (kz)^4)... Importing
    SciPy's filters would take longer than all of it.
    """
    reach = 1 << math.ceil(math.log2(math.log(_FORGOTTEN) / math.log(keep)))
    # Started in steady state, or a take would begin with bleed that nothing predicts.
    mean = np.empty((len(power), reach + power.shape[1]))
    mean[:, reach:] = power
    mean[:, :reach] = power[:, :1]
    mean *= 1.0 - keep
    past = np.empty_like(mean)
    age = 1
    while age < reach:
        mean[:, age:] += np.multiply(mean[:, :-age], keep**age, out=past[:, age:])
        age *= 2
    return mean[:, reach:]


def _predict(weights: Array, features: Array | Sequence[Array], noise: Array, shape: tuple[int, ...]) -> Array:
    """Bleed power ``(bands, hops)`` of weights ``(bands, features)`` and features ``(features, bands, hops)``."""
    bleed = np.broadcast_to(noise[:, None], shape).copy()
    for index, feature in enumerate(features):
        bleed += weights[:, index, None] * feature
    return bleed + _TINY


def _direct_power(level: Array, bleed: Array) -> Array:
    direct: Array = np.maximum(level - _OVERSUBTRACT * bleed, np.float32(0.0))
    return direct


def _over_bleed_db(level: Array, bleed: Array) -> Array:
    ratio_db = 10.0 * np.log10((level + _TINY) / bleed)
    over_db: Array = np.clip(ratio_db, *_CLIP_DB).mean(axis=0).astype(np.float32)
    return over_db


def _smooth(over_bleed_db: Array, hops: int = _SMOOTHING_HOPS) -> Array:
    smooth: Array = scipy.ndimage.uniform_filter1d(over_bleed_db, hops, mode="nearest")
    return smooth


def _fit(level: Array, loudness: Array, features: Array, noise: Array, judged_by: slice = slice(None)) -> Array:
    """Weights ``(bands, features)``, fitted where the target source seems silent; each round refines where that is.

    `loudness` is the power of all bands together, `judged_by` are the bands that tell where the source is silent.
    """
    if not len(features):
        return np.zeros((level.shape[0], 0), np.float32)
    # Each input is scaled by regression first, so that its gain does not matter.
    cross = np.einsum("bh,fbh->fb", level, features)
    power = np.einsum("fbh,fbh->fb", features, features)
    everything = np.einsum("fbh,fb->bh", features, cross / (power + _TINY**2)) + _TINY
    ratio = scipy.ndimage.uniform_filter1d(
        np.median(np.log(level[judged_by] / everything[judged_by] + _TINY), axis=0), 9
    )
    sounding = loudness > np.percentile(loudness, 95) * 1e-5
    if np.count_nonzero(sounding) < 2 * _SMOOTHING_HOPS:
        return np.zeros((level.shape[0], len(features)), np.float32)
    resting = sounding & (ratio <= np.quantile(ratio[sounding], 0.35))
    judged_level, judged_features = level[judged_by], features[:, judged_by]
    for round_, updates in enumerate(_UPDATES[:-1]):
        hops = _spread(resting)
        weights = _itakura_saito(judged_level[:, hops], judged_features[:, :, hops], noise[judged_by], updates)
        bleed = _predict(weights, judged_features, noise[judged_by], judged_level.shape)
        over_db = _smooth(_over_bleed_db(judged_level, bleed))
        low = float(np.quantile(over_db[sounding], 0.15))
        judged = sounding & (over_db < (max(low + 1.5, 1.2) if round_ else low + 1.0))
        resting = scipy.ndimage.minimum_filter1d(judged.astype(np.uint8), 9).astype(bool)
        if np.count_nonzero(resting) < 150:
            resting = sounding & (over_db <= np.quantile(over_db[sounding], 0.3))
    hops = _spread(resting)
    return _itakura_saito(level[:, hops], features[:, :, hops], noise, _UPDATES[-1])


def _spread(chosen: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Hops that were chosen, or as many of them as a fit takes, evenly spread."""
    hops = np.flatnonzero(chosen)
    spread: NDArray[np.intp] = hops[np.linspace(0, len(hops) - 1, min(len(hops), _FIT_HOPS)).astype(int)]
    return spread


def _itakura_saito(level: Array, features: Array, noise: Array, updates: int) -> Array:
    """Non-negative weights that fit `level` ``(bands, hops)`` above a fixed noise floor."""
    weights = np.empty((level.shape[0], len(features)), np.float32)
    over_power = np.empty((2, level.shape[1]), np.float32)
    # Band by band, so that the working set stays in the processor's cache.
    for band, measured in enumerate(level + _TINY):
        terms = features[:, band] + _TINY
        fitted = measured.mean() / terms.mean(axis=1) / np.float32(len(features))
        for _ in range(updates):
            model = fitted @ terms
            model += noise[band] + _TINY
            np.divide(np.float32(1.0), model, out=over_power[1])
            np.divide(measured, np.square(model, out=model), out=over_power[0])
            up, down = (terms @ over_power.T).T
            fitted *= np.sqrt(up / np.maximum(down, _TINY))
        weights[band] = fitted
    return weights
