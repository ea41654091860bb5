"""Which inputs carry the others' sum: a desk's own mix, recorded along with its inputs.

A desk adds its inputs through faders, equalisers and at most a few milliseconds of delay: its mix is explained almost
wholly by short filters of the other inputs, and all of them are delayed alike. What a microphone hears came through a
room, whose answer is long, and from each source by a way of its own. Per frequency bin an input is regressed on the
others in the frame itself and its neighbours (least squares) and judged on frames that the fit has not seen.

Any input is the mix less the other inputs, and so explained as well; but there large parts cancel each other, and in a
mix they add up.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.read import open_recording
from morningmix.model.measured import Measurements, SumOfOthers
from morningmix.model.recording import Recording, Take

LEAST_EXPLAINED = 0.88
"""Share of the power that must be explained in the middle one of all bins (design choice, as the next three: of 69
mixes made from takes in modelled rooms all but one have 0.91 and more, the takes' own inputs 0.84 and less)."""
LEAST_EXPLAINED_ANYWHERE = 0.7
"""The same in the tenth part of the bins that are explained worst (mixes 0.72 and more, inputs 0.60 and less)."""
MOST_PARTS = 1.6
"""Most that the parts' powers may add up to, re the candidate's, in the middle one of all frames; more is cancellation
(mixes 1.2 and less)."""
LEAST_IN_STEP = 0.76
"""How well one delay must fit all parts (mixes 0.78 and more but for two; what microphones would hear of the very same
inputs in rooms that decay in 0.15 to 0.6 s, 0.69 and less)."""
MOST_OF_ONE = 0.9
"""Most that a single part may have of the power, over all or mean over the bins. An input that is the mix less the
others has less power than that mix; and an input that was recorded twice has as much as its double."""
LEAST_PART = 0.03
"""Share of the power, mean over the bins, from which an input counts as part of the mix."""
LEAST_INPUTS = 3
"""Inputs that must be part of it: two are a pair of microphones or a direct box with its amplifier."""
MOST_MIXES = 16
"""Design choice: a desk records its main mix, and one for each player's monitor at most."""

_STRETCHES, _STRETCH_S, _WINDOW_S = 12, 4.0, 0.085
_LOWEST_HZ, _HIGHEST_HZ, _BINS = 80.0, 8000.0, 100
_NEIGHBOURS = (-1, 0, 1)
_RIDGE = 1e-3
_DELAYS_S = np.arange(-0.002, 0.020, 2.5e-5)
_ALWAYS_DB = 45.0
_LIKELY, _MOST_ABSENT = 8, 32
"""How many of the inputs that are explained may be a mix, and up to how many explained ones are left out by turns to
see (design choice): asking that of every pair of 64 would take minutes."""

Spectra = NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class _Heard:
    """Spectra of the chosen stretches, each frame with its neighbours, and their products.

    A row is a channel of an input, shifted by a number of frames.
    """

    owner: NDArray[np.intp]
    """Which input a row is of."""
    shift: NDArray[np.intp]
    bins_hz: NDArray[np.float64]
    new: Spectra
    """What is judged on: ``(bins, rows, frames)``."""
    known_gram: NDArray[np.complex128]
    """Products of all pairs of rows, summed over what is learnt from: ``(bins, rows, rows)``."""
    new_gram: NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class _Known:
    """What was learnt of some inputs: the inverse of their products, from which any of them is explained by the rest.

    With M the inverse and d some rows, their regression on all others is -(M_dd)^-1 M_do (block inversion).
    """

    rows: NDArray[np.intp]
    inverse: NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class _Fit:
    """How an input is explained by others."""

    explained: float
    explained_anywhere: float
    parts: float
    in_step: float
    largest: float
    shares: Mapping[int, float]

    @property
    def whole(self) -> bool:
        return self.explained >= LEAST_EXPLAINED and self.explained_anywhere >= LEAST_EXPLAINED_ANYWHERE

    @property
    def of(self) -> tuple[int, ...]:
        return tuple(sorted(one for one, share in self.shares.items() if share >= LEAST_PART))

    @property
    def has_parts(self) -> bool:
        return self.whole and self.largest <= MOST_OF_ONE and len(self.of) >= LEAST_INPUTS

    @property
    def is_sum(self) -> bool:
        return self.has_parts and self.parts <= MOST_PARTS and self.in_step >= LEAST_IN_STEP


def measure_desk_mixes(take: Take, measured: Measurements, inputs: Sequence[int]) -> Mapping[int, SumOfOthers]:
    """Which of `inputs` carry the sum of others of them, and of which; leave out what is known to be a mix.

    Raises `RecordingsError` if one cannot be read.
    """
    parts = [
        index
        for index in inputs
        if not measured.tracks[index].silent and not measured.tracks[index].momentary(measured.slot_s)
    ]
    candidates = [index for index in parts if _always_there(index, parts, measured)]
    if not candidates or len(parts) <= LEAST_INPUTS:
        return {}
    heard = _listen(take, measured, parts)
    found: dict[int, SumOfOthers] = {}
    while len(found) < MOST_MIXES and (fits := _sums(heard, candidates, parts)):
        best = min(fits, key=lambda one: fits[one].parts)
        found[best] = SumOfOthers(explained=fits[best].explained, of=fits[best].of)
        # What is a sum only because the mix is there, is none without it.
        candidates = [one for one in candidates if one != best]
        parts = [one for one in parts if one != best]
    return found


def _sums(heard: _Heard, candidates: Sequence[int], parts: Sequence[int]) -> Mapping[int, _Fit]:
    """Which candidates are the sum of others, or would be if one of the explained ones were not there.

    The two sides of a mix in two files explain each other.
    """
    known = _learn(heard, parts)
    fits: dict[int, _Fit] = {}
    alone = {one: _fit(heard, known, one, one) for one in candidates}
    explained = [one for one in candidates if alone[one].whole]
    # A mix is what its parts add up to; any other input is explained by what cancels.
    likely = sorted(sorted(explained, key=lambda one: sum(alone[one].shares.values()))[:_LIKELY])
    for one in likely:
        for absent in (
            one,
            *(twin for twin in (explained if len(explained) <= _MOST_ABSENT else likely) if twin != one),
        ):
            fit = alone[one] if absent == one else _fit(heard, known, one, absent)
            if fit.has_parts:
                fit = _added_up(fit, heard, known, one, absent)
            if fit.is_sum and (one not in fits or fit.parts < fits[one].parts):
                fits[one] = fit
    return fits


def _always_there(index: int, parts: Sequence[int], measured: Measurements) -> bool:
    """A mix is heard whenever anybody plays."""
    powers = [track.slots.powers.astype(np.float64) for track in measured.tracks]
    own = powers[index] / max(float(np.percentile(powers[index], 95)), 1e-15)
    others = [powers[one] / max(float(np.percentile(powers[one], 95)), 1e-15) for one in parts if one != index]
    if not others:
        return False
    somebody = np.max(others, axis=0) > 0.1
    return bool(somebody.any()) and float(np.percentile(own[somebody], 10)) > 10.0 ** (-_ALWAYS_DB / 10.0)


def _listen(take: Take, measured: Measurements, inputs: Sequence[int]) -> _Heard:
    size = scipy.fft.next_fast_len(round(_WINDOW_S * take.rate_hz), real=True)
    top_hz = min(_HIGHEST_HZ, 0.4 * take.rate_hz)
    bins = np.unique(np.round(np.geomspace(_LOWEST_HZ, top_hz, _BINS) * size / take.rate_hz).astype(np.intp))
    starts_s = _stretches(measured, inputs)
    rows, owner = [], []
    for index in inputs:
        recording = take.recordings[index]
        rows.append(np.stack([_spectra(recording, take.rate_hz, at, size, bins) for at in starts_s], axis=2))
        owner += [index] * recording.channels
    spectra = np.concatenate(rows, axis=1)
    edge, frames = max(_NEIGHBOURS), spectra.shape[3]
    spectra = np.concatenate([spectra[..., edge + shift : frames - edge + shift] for shift in _NEIGHBOURS], axis=1)
    # By turns, a second each, it is learnt and judged.
    quarters = np.array_split(spectra, 4, axis=3)
    known, new = (_flat(np.concatenate(some, axis=3)) for some in (quarters[0::2], quarters[1::2]))
    return _Heard(
        owner=np.tile(owner, len(_NEIGHBOURS)),
        shift=np.repeat(_NEIGHBOURS, len(owner)),
        bins_hz=bins * take.rate_hz / size,
        new=new,
        known_gram=_gram(known),
        new_gram=_gram(new),
    )


def _stretches(measured: Measurements, inputs: Sequence[int]) -> list[float]:
    """Start times of stretches spread over the take, each where most inputs play."""
    long = max(1, round(_STRETCH_S / measured.slot_s))
    powers = [measured.tracks[index].slots.powers.astype(np.float64) for index in inputs]
    sounds = np.array([power > 0.01 * np.percentile(power, 95) for power in powers])
    playing = sounds.sum(axis=0, dtype=np.float64)
    sums = np.concatenate(([0.0], np.cumsum(playing)))
    held = sums[long:] - sums[:-long]
    count = min(_STRETCHES, len(playing) // long)
    if count == 0:
        return [0.0]
    # None reaches into the next: what is judged must not have been learnt from.
    edges = np.linspace(0, len(playing), count + 1).astype(int)
    return [
        (start + int(np.argmax(held[start : max(stop - long, start) + 1]))) * measured.slot_s
        for start, stop in pairwise(edges.tolist())
    ]


def _spectra(recording: Recording, rate_hz: int, start_s: float, size: int, bins: NDArray[np.intp]) -> Spectra:
    """``(bins, channels, frames)``"""
    frames = round(_STRETCH_S * rate_hz)
    with open_recording(recording, rate_hz, round(start_s * rate_hz), frames) as reader:
        sound = reader.read(frames)
    windows = np.lib.stride_tricks.sliding_window_view(sound, size, axis=1)[:, :: size // 2]
    spectra: Spectra = scipy.fft.rfft(windows * np.hanning(size).astype(np.float32), axis=2)[:, :, bins]
    return np.ascontiguousarray(spectra.transpose(2, 0, 1))


def _flat(spectra: Spectra) -> Spectra:
    return np.ascontiguousarray(spectra.reshape(spectra.shape[0], spectra.shape[1], -1))


def _gram(rows: Spectra) -> NDArray[np.complex128]:
    gram: NDArray[np.complex128] = (rows @ rows.conj().transpose(0, 2, 1)).astype(np.complex128)
    return gram


def _learn(heard: _Heard, parts: Sequence[int]) -> _Known:
    rows = np.flatnonzero(np.isin(heard.owner, parts))
    gram = heard.known_gram[:, rows[:, None], rows]
    diagonal = np.einsum("bii->bi", gram)
    diagonal += _RIDGE * diagonal.real + 1e-9 * diagonal.real.max(axis=1, keepdims=True) + 1e-15
    inverse: NDArray[np.complex128] = np.linalg.inv(gram).astype(np.complex128, copy=False)
    return _Known(rows, inverse)


def _weights(heard: _Heard, known: _Known, target: int, absent: int) -> NDArray[np.complex128]:
    """What of each row makes up the target's channels, nothing of the target and of the absent one.

    ``(bins, channels, rows)``, in the rows of `known`.
    """
    owner = heard.owner[known.rows]
    without = np.flatnonzero((owner == target) | (owner == absent))
    wanted = (owner[without] == target) & (heard.shift[known.rows][without] == 0)
    across = known.inverse[:, without]
    solved = np.linalg.solve(across[:, :, without], across)[:, wanted]
    weights: NDArray[np.complex128] = (-solved).astype(np.complex128, copy=False)
    weights[:, :, without] = 0.0
    return weights


def _fit(heard: _Heard, known: _Known, target: int, absent: int) -> _Fit:
    """Explain one input by all known ones but itself and the absent one, judged on frames not learnt from."""
    weights = _weights(heard, known, target, absent)
    wanted = np.flatnonzero((heard.owner == target) & (heard.shift == 0))
    power = np.einsum("bii->b", heard.new_gram[:, wanted[:, None], wanted]).real + 1e-15
    met = np.einsum("bij,bij->b", weights.conj(), heard.new_gram[:, wanted[:, None], known.rows]).real
    new = heard.new_gram[:, known.rows[:, None], known.rows] if len(known.rows) < len(heard.owner) else heard.new_gram
    left = power - 2.0 * met + np.einsum("bij,bij->b", weights @ new, weights.conj()).real
    explained = 1.0 - left / power
    fit = _Fit(float(np.median(explained)), float(np.percentile(explained, 10)), np.inf, 0.0, np.inf, {})
    return _with_shares(fit, heard, known, weights, power) if fit.whole else fit


def _with_shares(
    fit: _Fit, heard: _Heard, known: _Known, weights: NDArray[np.complex128], power: NDArray[np.float64]
) -> _Fit:
    """With what each part has of the power."""
    owner = heard.owner[known.rows]
    shares: dict[int, float] = {}
    largest = 0.0
    for part in np.unique(owner).tolist():
        own, rows = owner == part, np.flatnonzero(heard.owner == part)
        gram = heard.new_gram[:, rows[:, None], rows]
        powers = np.einsum("bij,bij->b", weights[:, :, own] @ gram, weights[:, :, own].conj()).real
        shares[part] = float(np.mean(powers / power))
        largest = max(largest, shares[part], float(powers.sum() / power.sum()))
    return replace(fit, largest=largest, shares=shares)


def _added_up(fit: _Fit, heard: _Heard, known: _Known, target: int, absent: int) -> _Fit:
    """With what the parts add up to; and, where they cancel little, how well they are in step."""
    weights = _weights(heard, known, target, absent)
    owner = heard.owner[known.rows]
    wanted = (heard.owner == target) & (heard.shift == 0)
    per_frame = np.zeros(heard.new.shape[2])
    for part in fit.shares:
        sound = weights[:, :, owner == part].astype(np.complex64) @ heard.new[:, heard.owner == part]
        per_frame += np.sum(sound.real**2 + sound.imag**2, axis=(0, 1), dtype=np.float64)
    whole = np.sum(np.abs(heard.new[:, wanted]) ** 2, axis=(0, 1), dtype=np.float64)
    fit = replace(fit, parts=float(np.median(per_frame / (whole + 1e-15))))
    return replace(fit, in_step=_in_step(heard, weights, owner, fit.of)) if fit.parts <= MOST_PARTS else fit


def _in_step(heard: _Heard, weights: NDArray[np.complex128], owner: NDArray[np.intp], of: Sequence[int]) -> float:
    """How well one and the same delay describes the phase of every part over all bins, 0..1."""
    turns = np.exp(2j * np.pi * _DELAYS_S[:, None] * heard.bins_hz)
    likeness = np.zeros(len(_DELAYS_S))
    for part in of:
        rows, own = heard.owner == part, owner == part
        direct = rows & (heard.shift == 0)
        # Between the part and the input it comes from, so that two channels alike may share it in any proportion.
        cross = weights[:, :, own] @ heard.new_gram[:, rows][:, :, direct]
        cross *= np.abs(cross) / (np.einsum("bii->bi", heard.new_gram[:, direct][:, :, direct]).real[:, None] + 1e-15)
        likeness += np.abs(np.einsum("db,btr->dtr", turns, cross)).sum(axis=(1, 2)) / (np.abs(cross).sum() + 1e-15)
    return float(likeness.max()) / max(len(of), 1)
