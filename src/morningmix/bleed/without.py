"""Turn down what microphones still pick up of somebody who is left out of a practice mix.

In the mix that bleed lies under its source; without it, it can be heard. To subtract a prediction takes more of other
players than of the bleed (measured). So each frame and bin is turned down as far as it is that player's bleed: as
power, from the player's own tracks. How much of them a microphone picks up is measured by bin, as the smaller of two
estimates that both err upwards: a low quantile of the ratio of powers, too high where both always play together, and
what is coherent in the recording, too high by chance.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np
import scipy
from numpy.typing import NDArray

from morningmix.audio.read import read_stretch
from morningmix.audio.scratch import Scratch, ScratchWriter
from morningmix.bleed.filters import WINDOW_S, smooth_power
from morningmix.dsp.stft import OVERLAP, Spectrum, Synthesis, analyse, size_for
from morningmix.model.plan import Spans
from morningmix.model.recording import Recording

Array = NDArray[np.float32]
Stretch = tuple[int, int]
"""First frame, and the one after the last."""

_CHUNK_S, _AROUND = 2.0, 16
"""Length of a chunk, and frames of context on either side: four time constants of the room."""
_MEASURED_CHUNKS = 12
"""Leaks are measured in this many chunks, the player's loudest."""
_EVERY = 2
_ACTIVE, _LEAST_FRAMES = np.float32(1e-2), 20
"""A player plays within 20 dB of loud moments."""
_TOP = 0.25
"""The fraction of these moments, by bin the loudest, in which powers are compared."""
_QUANTILE, _QUANTILE_SUNG = 0.1, 0.5
"""A gated microphone is compared while it is open, where its bleed was masked already: it varies more (measured)."""
_COHERENT, _COHERENT_SUNG = 2.0, 1.0
"""A room adds 4 to 7 dB to the coherent part (measured), but more than 3 dB takes too much of two who play the same. A
gated microphone was cleaned: less is left than was recorded."""
_MOST = np.float32(10.0)
_SMOOTH_BINS = 9
_ROOM_S, _DIRECT = 0.08, np.float32(0.5)
_OVERSUBTRACT = np.float32(3.0)
_FLOOR = np.float32(10.0 ** (-20.0 / 20.0))
_TINY = np.float32(1e-20)


@dataclass(frozen=True, slots=True, kw_only=True)
class Microphone:
    """A microphone that stays in the practice mix."""

    sound: Recording
    """As it is mixed."""
    recorded: Recording
    """With all of its bleed."""
    open_s: Spans | None
    """Where its gate is open, in seconds from the first frame of the stretch; None without a gate."""


@dataclass(frozen=True, slots=True)
class Leak:
    """How much of one input a microphone picks up."""

    ratio: Array
    """Power ratio by bin: ``(bins,)``."""
    of_all: float
    """The same of all bins together, by the input's power."""


def measure_leaks(
    microphones: Mapping[int, Microphone], absent: Sequence[Recording], rate_hz: int, stretch: Stretch
) -> dict[int, list[Leak]]:
    """The leak of each input in `absent` into each microphone. Raises `RecordingsError`."""
    chunks = _loudest(absent, rate_hz, stretch)
    players = [_spectra(sound, rate_hz, chunks) for sound in absent]
    powers = [smooth_power(spectrum) for spectrum in players]
    at_s = np.concatenate([_middles_s(start - stretch[0], stop - stretch[0], rate_hz) for start, stop in chunks])
    found = {}
    for index, microphone in microphones.items():
        sound = smooth_power(_spectra(microphone.sound, rate_hz, chunks))
        recorded = _spectra(microphone.recorded, rate_hz, chunks)
        is_open, quantile, most = np.ones(len(at_s), bool), _QUANTILE, _COHERENT
        if microphone.open_s is not None:
            is_open = np.logical_or.reduce(
                [is_open & False, *((at <= at_s) & (at_s < to) for at, to in microphone.open_s)]
            )
            quantile, most = _QUANTILE_SUNG, _COHERENT_SUNG
        found[index] = [
            leak(power, sound, most * coherent(spectrum, recorded), is_open, quantile)
            for spectrum, power in zip(players, powers, strict=True)
        ]
    return found


def leak(player: Array, sound: Array, most: Array, is_open: NDArray[np.bool_], quantile: float) -> Leak:
    """A leak from powers ``(bins, frames)``; `most` is what it cannot exceed, ``(bins,)``."""
    total = player.sum(axis=0)
    frames = np.flatnonzero((total > _ACTIVE * np.quantile(total, 0.99)) & is_open)
    if len(frames) < _LEAST_FRAMES:
        return Leak(np.zeros(len(player), np.float32), 0.0)
    count = max(_LEAST_FRAMES, round(_TOP * len(frames)))
    player, sound = player[:, frames], sound[:, frames]
    loudest = np.argpartition(player, -count, axis=1)[:, -count:]
    ratio = np.take_along_axis(sound, loudest, axis=1) / (np.take_along_axis(player, loudest, axis=1) + _TINY)
    smaller = np.minimum(np.quantile(ratio, quantile, axis=1), most)
    smooth: Array = scipy.ndimage.median_filter(np.minimum(smaller, _MOST).astype(np.float32), _SMOOTH_BINS)
    power = player.sum(axis=1)
    return Leak(smooth, float(smooth @ power / (power.sum() + _TINY)))


def coherent(player: Spectrum, recorded: Spectrum) -> Array:
    """Power ratio of what a recording has linearly of a player, by bin; its own loud moments count less."""
    power = smooth_power(recorded)
    weight = 1.0 / (power + np.float32(1e-3) * power.mean(axis=1, keepdims=True) + _TINY)
    total = np.zeros(len(player), np.float32)
    for late in (0, 1):
        early = player if not late else np.roll(player, late, axis=1)
        common = np.einsum("bf,bf,bf->b", weight, recorded, early.conj())
        total += np.square(np.abs(common / (np.einsum("bf,bf->b", weight, np.square(np.abs(early))) + _TINY)))
    return total


def _loudest(absent: Sequence[Recording], rate_hz: int, stretch: Stretch) -> list[Stretch]:
    """The chunks in which a player is loudest, in order of time."""
    chunks = list(_chunks(stretch, round(_CHUNK_S * rate_hz)))
    energies = np.zeros(len(chunks))
    for sound in absent:
        of_sound = [float(np.square(read_stretch(sound, rate_hz, *chunk)).sum()) for chunk in chunks]
        energies += np.array(of_sound) / (max(of_sound) + _TINY)
    return [chunks[place] for place in sorted(np.argsort(-energies, kind="stable")[:_MEASURED_CHUNKS])]


def _chunks(stretch: Stretch, length: int) -> Iterator[Stretch]:
    for start in range(*stretch, length):
        yield start, min(start + length, stretch[1])


def _spectra(sound: Recording, rate_hz: int, chunks: Sequence[Stretch]) -> Spectrum:
    """Every other spectrum of these chunks: ``(bins, frames)``."""
    size = size_for(WINDOW_S, rate_hz)
    of_chunks = [_mono(sound, size, rate_hz, (start, max(stop, start + size))) for start, stop in chunks]
    return np.concatenate([spectrum[:, ::_EVERY] for spectrum in of_chunks], axis=1)


def _mono(sound: Recording, size: int, rate_hz: int, stretch: Stretch) -> Spectrum:
    return analyse(read_stretch(sound, rate_hz, *stretch).mean(axis=0), size)


def _middles_s(start: int, stop: int, rate_hz: int) -> NDArray[np.float64]:
    """The middles of the spectra of a chunk."""
    size = size_for(WINDOW_S, rate_hz)
    starts = np.arange(start, max(stop - size, start) + 1, size // OVERLAP)[::_EVERY]
    return (starts + size / 2) / np.float64(rate_hz)


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """A microphone that is written without a player."""

    sound: Recording
    ratios: tuple[Array, ...]
    """How much it picks up of each of the player's inputs, `Leak.ratio`."""
    scratch: Scratch


def write_without(microphones: Sequence[Turned], absent: Sequence[Recording], stretch: Stretch) -> None:
    """Write microphones over a stretch without what they pick up of `absent`.

    Raises `RecordingsError` and `OutputError`.
    """
    rate_hz = microphones[0].scratch.rate_hz
    size = size_for(WINDOW_S, rate_hz)
    hop = size // OVERLAP
    first, last = stretch[0] // hop, -(-stretch[1] // hop) + OVERLAP - 1
    here = slice(_AROUND, -_AROUND)
    with ExitStack() as stack:
        writers = [stack.enter_context(ScratchWriter(one.scratch)) for one in microphones]
        stages = [[Synthesis(size) for _ in range(one.sound.channels)] for one in microphones]
        for at, to in _chunks((first, last), round(_CHUNK_S * rate_hz / hop)):
            begin, end = (at - _AROUND + 1) * hop - size, (to + _AROUND) * hop
            powers = [
                reverberant(smooth_power(_mono(sound, size, rate_hz, (begin, end))), hop / rate_hz) for sound in absent
            ]
            start = (at + 1) * hop - size
            kept = slice(max(0, stretch[0] - start), max(0, stretch[1] - start))
            for one, writer, synthesis in zip(microphones, writers, stages, strict=True):
                bleed = np.add.reduce([ratio[:, None] * power for ratio, power in zip(one.ratios, powers, strict=True)])
                spectra = [analyse(samples, size) for samples in read_stretch(one.sound, rate_hz, begin, end)]
                done = [
                    stage.process((spectrum * remaining(spectrum, bleed))[:, here])
                    for stage, spectrum in zip(synthesis, spectra, strict=True)
                ]
                writer.write(np.stack(done)[:, kept])


def reverberant(power: Array, hop_s: float) -> Array:
    """A player's power ``(bins, frames)`` as it lasts in a room: at least what decays of it."""
    left = np.float32(np.exp(-hop_s / _ROOM_S))
    lasting: Array = scipy.signal.lfilter([np.float32(1.0) - left], [np.float32(1.0), -left], power, axis=1)
    lasts: Array = np.maximum(_DIRECT * power, lasting)
    return lasts


def remaining(spectrum: Spectrum, bleed: Array) -> Array:
    """Gain ``(bins, frames)`` of a spectrum that contains bleed of this power."""
    gain: Array = np.float32(1.0) - _OVERSUBTRACT * bleed / (smooth_power(spectrum) + _TINY)
    return np.maximum(gain, _FLOOR, out=gain)
