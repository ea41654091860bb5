"""True peak: the largest value of the waveform between the samples, Recommendation ITU-R BS.1770-5 (11/2023), Annex 2.

Four points are interpolated in every interval between two samples by the Annex's 48-tap filter. Most of them need no
computing: no point can exceed the largest sample under the filter times the filter's sum of magnitudes (2.02), so
only segments that could matter are evaluated. The result is that of evaluating everything.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from morningmix.dsp.control import step_peaks
from morningmix.units import Block

PHASES = np.array(
    [
        [0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
         0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500],
        [-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
         0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375],
        [-0.0189208984375, 0.0330810546875, -0.0582275390625, 0.1015625000000, -0.2003173828125, 0.7797851562500,
         0.4650878906250, -0.1665039062500, 0.0891113281250, -0.0517578125000, 0.0292968750000, -0.0291748046875],
        [-0.0083007812500, 0.0148925781250, -0.0266113281250, 0.0476074218750, -0.1022949218750, 0.9721679687500,
         0.1373291015625, -0.0594482421875, 0.0332031250000, -0.0196533203125, 0.0109863281250, 0.0017089843750],
    ]
)  # fmt: skip
"""The four phases of twelve taps, ``(4, 12)``; phase 3 is phase 0 backwards, phase 2 is phase 1 backwards."""

_TAPS = 12
_BEFORE = 6
"""Samples under the filter before the interval whose points it gives; as many come after."""

_SEGMENT = 16
_WINDOW = _SEGMENT + _TAPS - 1
_BATCH = 1024
_CACHED_FRAMES = 16_384

_BOUND = np.float32(np.abs(PHASES).sum(axis=1).max() * (1.0 + 1e-5))
"""Largest possible ratio of a point to the samples under the filter; the margin covers float32 rounding."""

_EVEN = ((PHASES[:2, :6] + PHASES[:2, :5:-1]) / 2.0).astype(np.float32)
_ODD = ((PHASES[:2, :6] - PHASES[:2, :5:-1]) / 2.0).astype(np.float32)


class TruePeak:
    """A meter: largest magnitude of sample or interpolated point over all channels so far."""

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._held = np.zeros((channels, _TAPS - 1), dtype=np.float32)
        self._peak = 0.0
        self.sample_peak = 0.0
        """Largest sample magnitude so far, linear."""

    def update(self, block: Block) -> None:
        """Takes in a block, ``(channels, frames)``. Raises ValueError for samples that are not finite."""
        for start in range(0, block.shape[1], _CACHED_FRAMES):
            samples = np.concatenate((self._held, block[:, start : start + _CACHED_FRAMES]), axis=1)
            segments = (samples.shape[1] - _TAPS + 1) // _SEGMENT
            low, high = float(samples.min()), float(samples.max())
            if not (math.isfinite(low) and math.isfinite(high)):
                raise ValueError("a sample is not a finite number and has no level")
            self.sample_peak = max(self.sample_peak, high, -low)
            self._peak = _largest_point(samples, segments, max(self._peak, self.sample_peak))
            self._held = samples[:, segments * _SEGMENT :].copy()

    def result(self) -> float:
        """The true peak so far, linear, with silence after the last sample; never under the sample peak."""
        samples = np.concatenate((self._held, np.zeros((self._channels, _WINDOW), dtype=np.float32)), axis=1)
        segments = (samples.shape[1] - _TAPS + 1) // _SEGMENT
        return _largest_point(samples, segments, max(self._peak, self.sample_peak))


class TruePeakEnvelope:
    """A meter: largest magnitude over all channels in every step of `step_frames`, a limiter's sidechain signal.

    Interpolated points count where they exceed `threshold` (linear); a step without any gives its largest sample.
    The points between two steps count in both. `threshold` infinity gives sample peaks alone. `frames` is the length
    of the sound.
    """

    def __init__(self, channels: int, step_frames: int, threshold: float, frames: int) -> None:
        self._step_frames = step_frames
        self._threshold = np.float32(threshold)
        self._held = np.zeros((channels, _BEFORE), dtype=np.float32)
        # Preallocated to avoid memory fragmentation.
        self._peaks = np.zeros(-(-frames // step_frames), np.float32)
        self._done = 0

    def update(self, block: Block) -> None:
        """Takes in a block, ``(channels, frames)``."""
        for start in range(0, block.shape[1], _CACHED_FRAMES):
            samples = np.concatenate((self._held, block[:, start : start + _CACHED_FRAMES]), axis=1)
            steps = max(0, samples.shape[1] - 2 * _BEFORE) // self._step_frames
            if steps:
                self._peaks[self._done : self._done + steps] = self._step_peaks(samples, steps)
                self._done += steps
            self._held = samples[:, steps * self._step_frames :].copy()

    def result(self) -> NDArray[np.float32]:
        """``(steps,)`` linear peaks, the last step possibly a part of one, with silence after what was taken in."""
        steps = -(-(self._held.shape[1] - _BEFORE) // self._step_frames)
        tail = np.zeros((self._held.shape[0], steps * self._step_frames + 2 * _BEFORE), dtype=np.float32)
        tail[:, : self._held.shape[1]] = self._held
        if steps:
            self._peaks[self._done : self._done + steps] = self._step_peaks(tail, steps)
        return self._peaks

    def _step_peaks(self, samples: Block, steps: int) -> NDArray[np.float32]:
        frames = steps * self._step_frames
        peaks = step_peaks(samples[:, _BEFORE : _BEFORE + frames], self._step_frames)
        segments = frames // _SEGMENT + 1
        padded, loudest = _padded_with_loudest(samples[:, : frames + 2 * _BEFORE], segments)
        chosen = np.flatnonzero(loudest * _BOUND > self._threshold)
        if not chosen.size:
            return peaks
        points = np.zeros((loudest.size, _SEGMENT), dtype=np.float32)
        for first in range(0, chosen.size, _BATCH):
            batch = chosen[first : first + _BATCH]
            points[batch] = _points(padded, batch, segments).T
        between = points.reshape(len(samples), -1).max(axis=0)[: frames + 1]
        starts = np.arange(0, frames, self._step_frames)
        highest = np.maximum(np.maximum.reduceat(between[:-1], starts), between[starts + self._step_frames])
        return np.where(highest > self._threshold, np.maximum(highest, peaks), peaks)


def _largest_point(samples: Block, segments: int, peak: float) -> float:
    padded, loudest = _padded_with_loudest(samples, segments)
    chosen = np.flatnonzero(loudest * _BOUND > peak)
    chosen = chosen[np.argsort(-loudest[chosen], kind="stable")]
    for first in range(0, chosen.size, _BATCH):
        batch = chosen[first : first + _BATCH]
        if loudest[batch[0]] * _BOUND <= peak:
            break
        peak = max(peak, float(_points(padded, batch, segments).max()))
    return peak


def _padded_with_loudest(samples: Block, segments: int) -> tuple[Block, NDArray[np.float32]]:
    """Samples padded to whole segments plus one, and the largest under the filter per channel and segment, flat."""
    frames = (segments + 1) * _SEGMENT
    padded = np.zeros((len(samples), frames), dtype=np.float32)
    padded[:, : samples.shape[1]] = samples[:, :frames]
    loudest = np.abs(padded)
    # Halving four times is several times faster than a maximum over short rows.
    for _ in range(4):
        loudest = np.maximum(loudest[:, 0::2], loudest[:, 1::2])
    return padded, np.maximum(loudest[:, :-1], loudest[:, 1:]).ravel()


def _points(padded: Block, chosen: NDArray[np.intp], segments: int) -> NDArray[np.float32]:
    """Largest magnitude of the four points in every interval of the chosen segments: ``(_SEGMENT, chosen)``.

    Two phases that mirror each other are E + O and E - O of an even and an odd filter; the larger magnitude of the
    two is |E| + |O|.
    """
    channel, segment = np.divmod(chosen, segments)
    starts = channel * padded.shape[1] + segment * _SEGMENT
    window = padded.ravel()[np.arange(_WINDOW)[:, None] + starts]
    largest = np.zeros((_SEGMENT, chosen.size), dtype=np.float32)
    mirrored = [(window[k : k + _SEGMENT], window[_TAPS - 1 - k :][:_SEGMENT]) for k in range(_TAPS // 2)]
    sums = [early + late for early, late in mirrored]
    differences = [early - late for early, late in mirrored]
    for even, odd in zip(_EVEN, _ODD, strict=True):
        magnitude = np.abs(_weighted_sum(even, sums)) + np.abs(_weighted_sum(odd, differences))
        np.maximum(largest, magnitude, out=largest)
    return largest


def _weighted_sum(weights: NDArray[np.float32], terms: list[NDArray[np.float32]]) -> NDArray[np.float32]:
    total: NDArray[np.float32] = weights[0] * terms[0]
    weighted = np.empty_like(total)
    for weight, term in zip(weights[1:], terms[1:], strict=True):
        total += np.multiply(weight, term, out=weighted)
    return total
