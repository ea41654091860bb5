"""Find inputs that carry the sum of others: a desk's own mix, recorded along with its inputs.

A desk sums its inputs through faders, equalisers and at most a few milliseconds of delay, so short filters of the other
inputs, all with the same delay, explain its mix almost completely. A microphone picks them up through the room,
whose impulse response is long, and each source with a delay of its own. Per frequency bin an input is regressed on the
others in the same frame and its neighbours (least squares) and judged on frames that were not used for the fit.

Any input equals the mix minus the other inputs, so it is explained as well; but there large terms cancel, while in a
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
"""Fraction of the power that must be explained in the median bin (design choice, as the next three: of 69
mixes made from takes in modelled rooms all but one have 0.91 and more, the takes' own inputs 0.84 and less)."""
LEAST_EXPLAINED_ANYWHERE = 0.7
"""The same at the 10th percentile of the bins (mixes 0.72 and more, inputs 0.60 and less)."""
MOST_PARTS = 1.6
"""Highest sum of the parts' powers relative to the candidate's, in the median frame; more means cancellation (mixes
1.2 and less)."""
LEAST_DELAY_AGREEMENT = 0.76
"""How well one delay must fit all parts (mixes 0.78 and more but for two; microphones with the same inputs in rooms
that decay in 0.15 to 0.6 s, 0.69 and less)."""
MOST_OF_ONE = 0.9
"""Highest fraction of the power in a single part, overall or mean over the bins. An input explained as the mix minus
the others has less power than that mix, and an input recorded twice has as much as its copy."""
LEAST_PART = 0.03
"""Fraction of the power, mean over the bins, from which an input counts as part of the mix."""
LEAST_INPUTS = 3
"""Least number of inputs in a mix: two are a pair of microphones or a direct box with its amplifier."""
MOST_MIXES = 16
"""Design choice: the main mix, and at most a monitor mix for each player."""

_STRETCHES, _STRETCH_S, _WINDOW_S = 12, 4.0, 0.085
_LOWEST_HZ, _HIGHEST_HZ, _BINS = 80.0, 8000.0, 100
_NEIGHBOURS = (-1, 0, 1)
_RIDGE = 1e-3
_DELAYS_S = np.arange(-0.002, 0.020, 2.5e-5)
_ALWAYS_DB = 45.0
_LIKELY, _MOST_ABSENT = 8, 32
"""How many of the explained inputs are tried as a mix, and up to how many are left out in turn (design choice): trying
every pair of 64 would take minutes."""

Spectra = NDArray[np.complex64]


@dataclass(frozen=True, slots=True)
class _Excerpts:
    """Spectra of the chosen stretches and their products; a row is a channel of an input, shifted by some frames."""

    owner: NDArray[np.intp]
    """Input of each row."""
    shift: NDArray[np.intp]
    bins_hz: NDArray[np.float64]
    new: Spectra
    """Frames that fits are judged on: ``(bins, rows, frames)``."""
    known_gram: NDArray[np.complex128]
    """Products of all pairs of rows, summed over the training frames: ``(bins, rows, rows)``."""
    new_gram: NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class _Known:
    """Inverse of the products of some inputs, from which each of them is regressed on the rest.

    With M the inverse and d some rows, their regression on all others is -(M_dd)^-1 M_do (block inversion).
    """

    rows: NDArray[np.intp]
    inverse: NDArray[np.complex128]


@dataclass(frozen=True, slots=True)
class _Fit:
    """How well an input is explained by others."""

    explained: float
    explained_anywhere: float
    parts: float
    delay_agreement: float
    largest: float
    fractions: Mapping[int, float]

    @property
    def whole(self) -> bool:
        return self.explained >= LEAST_EXPLAINED and self.explained_anywhere >= LEAST_EXPLAINED_ANYWHERE

    @property
    def of(self) -> tuple[int, ...]:
        return tuple(sorted(index for index, fraction in self.fractions.items() if fraction >= LEAST_PART))

    @property
    def has_parts(self) -> bool:
        return self.whole and self.largest <= MOST_OF_ONE and len(self.of) >= LEAST_INPUTS

    @property
    def is_sum(self) -> bool:
        return self.has_parts and self.parts <= MOST_PARTS and self.delay_agreement >= LEAST_DELAY_AGREEMENT


def measure_desk_mixes(take: Take, measured: Measurements, inputs: Sequence[int]) -> Mapping[int, SumOfOthers]:
    """The inputs among `inputs` that carry the sum of others of them; known mixes must not be among them.

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
    excerpts = _read_excerpts(take, measured, parts)
    found: dict[int, SumOfOthers] = {}
    while len(found) < MOST_MIXES and (fits := _sums(excerpts, candidates, parts)):
        best = min(fits, key=lambda index: fits[index].parts)
        found[best] = SumOfOthers(explained=fits[best].explained, of=fits[best].of)
        # Some inputs only look like a sum because of the mix, and no longer do without it.
        candidates = [index for index in candidates if index != best]
        parts = [index for index in parts if index != best]
    return found


def _sums(excerpts: _Excerpts, candidates: Sequence[int], parts: Sequence[int]) -> Mapping[int, _Fit]:
    """The candidates that are the sum of others, or would be if one of the explained inputs were absent.

    The two sides of a mix in two files explain each other.
    """
    known = _learn(excerpts, parts)
    fits: dict[int, _Fit] = {}
    alone = {index: _fit(excerpts, known, index, index) for index in candidates}
    explained = [index for index in candidates if alone[index].whole]
    # In a mix the parts add up; any other input is explained by cancellation.
    likely = sorted(sorted(explained, key=lambda index: sum(alone[index].fractions.values()))[:_LIKELY])
    for index in likely:
        for absent in (
            index,
            *(twin for twin in (explained if len(explained) <= _MOST_ABSENT else likely) if twin != index),
        ):
            fit = alone[index] if absent == index else _fit(excerpts, known, index, absent)
            if fit.has_parts:
                fit = _added_up(fit, excerpts, known, index, absent)
            if fit.is_sum and (index not in fits or fit.parts < fits[index].parts):
                fits[index] = fit
    return fits


def _always_there(index: int, parts: Sequence[int], measured: Measurements) -> bool:
    """Whether the input sounds whenever anybody plays, as a mix does."""
    powers = [track.slots.powers.astype(np.float64) for track in measured.tracks]
    own = powers[index] / max(float(np.percentile(powers[index], 95)), 1e-15)
    others = [powers[other] / max(float(np.percentile(powers[other], 95)), 1e-15) for other in parts if other != index]
    if not others:
        return False
    somebody = np.max(others, axis=0) > 0.1
    return bool(somebody.any()) and float(np.percentile(own[somebody], 10)) > 10.0 ** (-_ALWAYS_DB / 10.0)


def _read_excerpts(take: Take, measured: Measurements, inputs: Sequence[int]) -> _Excerpts:
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
    # Alternate seconds are used for the fit and for judging it.
    quarters = np.array_split(spectra, 4, axis=3)
    known, new = (_flat(np.concatenate(pieces, axis=3)) for pieces in (quarters[0::2], quarters[1::2]))
    return _Excerpts(
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
    # Stretches must not overlap, or frames would be judged that were used for the fit.
    edges = np.linspace(0, len(playing), count + 1).astype(int)
    return [
        (start + int(np.argmax(held[start : max(stop - long, start) + 1]))) * measured.slot_s
        for start, stop in pairwise(edges.tolist())
    ]


def _spectra(recording: Recording, rate_hz: int, start_s: float, size: int, bins: NDArray[np.intp]) -> Spectra:
    """Spectra of one stretch: ``(bins, channels, frames)``."""
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


def _learn(excerpts: _Excerpts, parts: Sequence[int]) -> _Known:
    rows = np.flatnonzero(np.isin(excerpts.owner, parts))
    gram = excerpts.known_gram[:, rows[:, None], rows]
    diagonal = np.einsum("bii->bi", gram)
    diagonal += _RIDGE * diagonal.real + 1e-9 * diagonal.real.max(axis=1, keepdims=True) + 1e-15
    inverse: NDArray[np.complex128] = np.linalg.inv(gram).astype(np.complex128, copy=False)
    return _Known(rows, inverse)


def _weights(excerpts: _Excerpts, known: _Known, target: int, absent: int) -> NDArray[np.complex128]:
    """Weight of each row in the target's channels, 0 for the target itself and the absent input.

    The shape is ``(bins, channels, rows)``, in the rows of `known`.
    """
    owner = excerpts.owner[known.rows]
    without = np.flatnonzero((owner == target) | (owner == absent))
    wanted = (owner[without] == target) & (excerpts.shift[known.rows][without] == 0)
    across = known.inverse[:, without]
    solved = np.linalg.solve(across[:, :, without], across)[:, wanted]
    weights: NDArray[np.complex128] = (-solved).astype(np.complex128, copy=False)
    weights[:, :, without] = 0.0
    return weights


def _fit(excerpts: _Excerpts, known: _Known, target: int, absent: int) -> _Fit:
    """Fit of one input by all known ones except itself and the absent one, judged on frames not used for the fit."""
    weights = _weights(excerpts, known, target, absent)
    wanted = np.flatnonzero((excerpts.owner == target) & (excerpts.shift == 0))
    power = np.einsum("bii->b", excerpts.new_gram[:, wanted[:, None], wanted]).real + 1e-15
    met = np.einsum("bij,bij->b", weights.conj(), excerpts.new_gram[:, wanted[:, None], known.rows]).real
    new = (
        excerpts.new_gram[:, known.rows[:, None], known.rows]
        if len(known.rows) < len(excerpts.owner)
        else excerpts.new_gram
    )
    left = power - 2.0 * met + np.einsum("bij,bij->b", weights @ new, weights.conj()).real
    explained = 1.0 - left / power
    fit = _Fit(float(np.median(explained)), float(np.percentile(explained, 10)), np.inf, 0.0, np.inf, {})
    return _with_fractions(fit, excerpts, known, weights, power) if fit.whole else fit


def _with_fractions(
    fit: _Fit, excerpts: _Excerpts, known: _Known, weights: NDArray[np.complex128], power: NDArray[np.float64]
) -> _Fit:
    """The fit with each part's fraction of the power."""
    owner = excerpts.owner[known.rows]
    fractions: dict[int, float] = {}
    largest = 0.0
    for part in np.unique(owner).tolist():
        own, rows = owner == part, np.flatnonzero(excerpts.owner == part)
        gram = excerpts.new_gram[:, rows[:, None], rows]
        powers = np.einsum("bij,bij->b", weights[:, :, own] @ gram, weights[:, :, own].conj()).real
        fractions[part] = float(np.mean(powers / power))
        largest = max(largest, fractions[part], float(powers.sum() / power.sum()))
    return replace(fit, largest=largest, fractions=fractions)


def _added_up(fit: _Fit, excerpts: _Excerpts, known: _Known, target: int, absent: int) -> _Fit:
    """The fit with the sum of the parts' powers and, where they cancel little, how well one delay fits all."""
    weights = _weights(excerpts, known, target, absent)
    owner = excerpts.owner[known.rows]
    wanted = (excerpts.owner == target) & (excerpts.shift == 0)
    per_frame = np.zeros(excerpts.new.shape[2])
    for part in fit.fractions:
        sound = weights[:, :, owner == part].astype(np.complex64) @ excerpts.new[:, excerpts.owner == part]
        per_frame += np.sum(sound.real**2 + sound.imag**2, axis=(0, 1), dtype=np.float64)
    whole = np.sum(np.abs(excerpts.new[:, wanted]) ** 2, axis=(0, 1), dtype=np.float64)
    fit = replace(fit, parts=float(np.median(per_frame / (whole + 1e-15))))
    return (
        replace(fit, delay_agreement=_delay_agreement(excerpts, weights, owner, fit.of))
        if fit.parts <= MOST_PARTS
        else fit
    )


def _delay_agreement(
    excerpts: _Excerpts, weights: NDArray[np.complex128], owner: NDArray[np.intp], of: Sequence[int]
) -> float:
    """How well a single delay explains the phase of every part over all bins, 0..1."""
    turns = np.exp(2j * np.pi * _DELAYS_S[:, None] * excerpts.bins_hz)
    agreement = np.zeros(len(_DELAYS_S))
    for part in of:
        rows, own = excerpts.owner == part, owner == part
        direct = rows & (excerpts.shift == 0)
        # Cross-spectrum of part and input, so that two equal channels may contribute in any proportion.
        cross = weights[:, :, own] @ excerpts.new_gram[:, rows][:, :, direct]
        cross *= np.abs(cross) / (
            np.einsum("bii->bi", excerpts.new_gram[:, direct][:, :, direct]).real[:, None] + 1e-15
        )
        agreement += np.abs(np.einsum("db,btr->dtr", turns, cross)).sum(axis=(1, 2)) / (np.abs(cross).sum() + 1e-15)
    return float(agreement.max()) / max(len(of), 1)
