"""Reverb: one small room for all tracks.

pedalboard's reverb is linear and time-invariant, so its impulse response is rendered once and sound is convolved with
it by uniformly partitioned convolution (Stockham, AFIPS 1966), which takes half the time. No other module uses its
effects. It is a tail alone, so a few first reflections are added to it, and its highs can be turned down.
"""

from __future__ import annotations

import numpy as np
import pedalboard  # noqa: TID251 - this room is its door
import scipy

from morningmix.dsp.control import loudness_hop_frames
from morningmix.dsp.filter import FilterStage
from morningmix.laws.filters import butterworth_high_pass, high_shelf
from morningmix.model.plan import Reverb
from morningmix.units import Block, db_to_gain

_BUFFER_FRAMES = 8192
_LONGEST_S = 4.0
_INAUDIBLE = 1e-7
"""Fraction of the energy at which the impulse response is cut: 70 dB under the reverb, far under the mix."""
_EARLY_S = ((0.0091, 0.0167, 0.0239, 0.0373, 0.0527), (0.0113, 0.0199, 0.0293, 0.0431, 0.0581))
"""First reflections on the left and on the right, 8 to 60 ms, sparse and never at once (design choice)."""
_SHELF_HZ = 4000.0
_FAINT = 1e-3
"""Upper bins below this fraction of the strongest bin are left out, since highs decay early."""


class ReverbStage:
    """Wet sound only, stereo, of unity power for noise-like sound under the shelf. Latency 0.

    Every block except the last is whole hops long (`dsp.control.loudness_hop_frames`); any such cut gives the same.
    """

    latency_frames = 0

    def __init__(self, plan: Reverb, rate_hz: int) -> None:
        self._hop = loudness_hop_frames(rate_hz)
        self._low_cut = FilterStage(butterworth_high_pass(plan.low_cut_hz, rate_hz), 1)
        response = _impulse_response(plan, rate_hz)
        parts = -(-response.shape[1] // self._hop)
        response = np.pad(response, ((0, 0), (0, parts * self._hop - response.shape[1]))).reshape(2, parts, self._hop)
        spectra = scipy.fft.rfft(response, 2 * self._hop, axis=2)
        audible = np.abs(spectra).max(axis=0) > _FAINT * np.abs(spectra).max()
        self._parts = [spectra[:, part, : np.flatnonzero(audible[part]).max(initial=0) + 1] for part in range(parts)]
        self._last: Block = np.zeros((1, self._hop), np.float32)
        self._past = np.zeros((parts - 1, self._hop + 1), np.complex64)

    def process(self, block: Block) -> Block:
        """The reverb of a block ``(2, frames)``."""
        frames, hop = block.shape[1], self._hop
        hops = -(-frames // hop)
        # The effect sums its two inputs first, so they are summed here and filtered once.
        sent = np.zeros((1, (hops + 1) * hop), np.float32)
        sent[:, :hop] = self._last
        sent[:, hop : hop + frames] = self._low_cut.process((block[:1] + block[1:]) * np.float32(0.5))
        self._last = sent[:, hops * hop :].copy()
        pairs = np.lib.stride_tricks.sliding_window_view(sent[0], 2 * hop)[::hop]
        spectra = np.concatenate([self._past, scipy.fft.rfft(pairs, axis=1)])
        self._past = spectra[hops:].copy()
        wet = np.empty((2, hops * hop), np.float32)
        for channel in range(2):
            total = np.zeros((hops, hop + 1), np.complex64)
            for age, part in enumerate(self._parts):
                first, bins = len(self._parts) - 1 - age, part.shape[1]
                total[:, :bins] += spectra[first : first + hops, :bins] * part[channel]
            wet[channel] = scipy.fft.irfft(total, 2 * hop, axis=1)[:, hop:].reshape(-1)
        return wet[:, :frames]


def impulse_response(plan: Reverb, rate_hz: int) -> Block:
    """What `ReverbStage` makes of a click that is as loud on both sides: ``(2, frames)``, low cut included."""
    stage = ReverbStage(plan, rate_hz)
    click = np.zeros((2, _impulse_response(plan, rate_hz).shape[1] + loudness_hop_frames(rate_hz)), np.float32)
    click[:, 0] = 1.0
    return stage.process(click)


def _impulse_response(plan: Reverb, rate_hz: int) -> Block:
    """Impulse response of the room ``(2, frames)``, with unit energy per channel on average, less what the shelf takes.

    pedalboard silently clears an effect's state when a block is larger than any before, so it is primed with a silent
    block of full size.
    """
    effect = pedalboard.Reverb(room_size=plan.room, damping=plan.damping, wet_level=1.0, dry_level=0.0, width=1.0)
    effect.process(np.zeros((2, _BUFFER_FRAMES), np.float32), rate_hz, buffer_size=_BUFFER_FRAMES, reset=False)
    click = np.zeros((2, round(_LONGEST_S * rate_hz)), np.float32)
    click[:, 0] = 1.0
    response: Block = effect.process(click, rate_hz, buffer_size=_BUFFER_FRAMES, reset=False)
    if plan.early_db is not None:
        response = response + _reflections(plan.early_db, response, rate_hz)
    energy = np.cumsum(np.square(response, dtype=np.float64).sum(axis=0))
    end = int(np.searchsorted(energy, (1.0 - _INAUDIBLE) * energy[-1])) + 1
    response = response[:, :end] * np.float32(np.sqrt(2.0 / energy[-1]))
    if plan.high_db and rate_hz > 2.0 * _SHELF_HZ:
        response = FilterStage(high_shelf(_SHELF_HZ, plan.high_db, rate_hz), 2).process(response)
    return response


def _reflections(early_db: float, tail: Block, rate_hz: int) -> Block:
    """First reflections that fall with distance, of that energy re the tail: as long as it, ``(2, frames)``."""
    early = np.zeros_like(tail)
    for side, times_s in enumerate(_EARLY_S):
        for number, time_s in enumerate(times_s):
            early[side, round(time_s * rate_hz)] = (-1.0) ** number * times_s[0] / time_s
    energy = (float(np.sum(np.square(each, dtype=np.float64))) for each in (tail, early))
    return early * np.float32(db_to_gain(early_db) * np.sqrt(next(energy) / next(energy)))
