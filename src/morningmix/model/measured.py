"""What was measured.

Unknown is ``None``, never NaN or an infinity. Times are seconds from the start of the take unless a name says frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from morningmix.model.recording import Recording
from morningmix.model.slots import Slots

Spans = tuple[tuple[float, float], ...]
"""Stretches in seconds, in order, not overlapping."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Mains hum in an input."""

    mains_hz: float
    level_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AcousticFeedback:
    """Feedback through a loudspeaker."""

    start_s: float
    end_s: float
    hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GainStep:
    """A gain that was turned in mid-take."""

    at_s: float
    step_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackFacts:
    """What one input's samples say, over the whole take, after resampling to the take's rate."""

    files: tuple[str, ...]
    channels: int
    peak_dbfs: float
    """Largest sample; `units.SILENCE_DB` where nothing was recorded."""
    clipped_runs: int
    """Runs of three or more successive samples within 0.01 dB of full scale."""
    dc: float
    """Mean sample value, its magnitude."""
    hum: Hum | None
    pops_s: Spans
    """Stretches with a pop; statistics and peaks leave them out."""
    feedback: tuple[AcousticFeedback, ...]
    """Steady tones as feedback makes them, in order; in an instrument they may be meant."""
    dropouts: int
    """Stretches of digital silence in the middle of loud sound."""
    broken_samples: int
    """Samples that are not numbers; they count and sound as silence."""
    side_fraction: float
    """Share of the power that is in the difference of left and right; 0 for a single channel."""
    slots: Slots

    @property
    def silent(self) -> bool:
        """Nothing was recorded: not even a preamp's hiss passes -75 dBFS peak."""
        return self.peak_dbfs < -75.0

    def momentary(self, slot_s: float) -> bool:
        """Too short a sound to measure: less than the 0.4 s of a block of BS.1770, in a stretch that is longer."""
        sounding = int(np.count_nonzero(self.slots.peaks)) * slot_s
        return not self.silent and sounding < 0.39 < len(self.slots) * slot_s


@dataclass(frozen=True, slots=True, kw_only=True)
class BleedFacts:
    """How far an input stands above what the other inputs predict as bleed."""

    hop_s: float
    over_bleed_db: NDArray[np.float32]
    """Recorded level over predicted bleed, mean over the bands, all other inputs counted: ``(hops,)``."""
    over_instrument_bleed_db: NDArray[np.float32]
    """The same with the other voices not counted as bleed: ``(hops,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaned:
    """A microphone without its bleed, and what was measured of it."""

    sound: Recording
    """In the cache; as long as the take, at its rate."""
    subtracted: bool
    """The bleed was predicted and subtracted before what was left was masked."""
    bleed_sources: tuple[tuple[int, float], ...]
    """Whose bleed it was: other inputs and their shares of what was subtracted, the largest first."""
    slots: Slots
    hop_s: float
    clear_db: NDArray[np.float32]
    """By how much it stands clear of the bleed expected in it, per hop, mean over the bands of vowels: ``(hops,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Activity:
    """Who plays when, coarsely, over a whole take; inputs in the order of `Take.recordings`."""

    frame_s: float
    powers: NDArray[np.float32]
    """Mean power in broad bands: ``(inputs, bands, frames)``."""
    over_bleed_db: NDArray[np.float32]
    """Level over what inputs of other families leak into it at most: ``(inputs, bands, frames)``."""
    hop_s: float
    rises_db: NDArray[np.float32]
    """How much louder than just before, mean over all fine bands: ``(inputs, hops)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentFacts:
    """A close drum microphone against the overhead, or a bass's line against its microphone."""

    other: str
    """What hears the same from further away."""
    delay_s: float
    """How much later that is, as it stands; negative where this input is late."""
    correlation: float
    """How alike they are at that delay, 0..1."""
    flipped_delay_s: float
    """The same with the close microphone upside down."""
    flipped_correlation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SumOfOthers:
    """An input that carries other inputs' sum."""

    explained: float
    """Share of its power that the others explain, 0..1."""
    of: tuple[int, ...]
    """The inputs that are part of it, places in the take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticking:
    """An input that holds the same short sound again and again, in time."""

    shortest_s: float
    """From one to the next where the time is fastest."""
    longest_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Measurements:
    """A whole take, measured in slots of 0.1 s."""

    rate_hz: int
    frames: int
    slot_s: float
    band_hz: NDArray[np.float64]
    """Edges of the bands: ``(bands + 1,)``."""
    tracks: tuple[TrackFacts, ...]
    """In the order of `Take.recordings`."""

    @property
    def slots(self) -> int:
        """How many the take has."""
        return len(self.tracks[0].slots) if self.tracks else 0

    @property
    def band_centres_hz(self) -> NDArray[np.float64]:
        """Geometric middle of each band: ``(bands,)``."""
        centres: NDArray[np.float64] = np.sqrt(self.band_hz[:-1] * self.band_hz[1:])
        return centres


@dataclass(frozen=True, slots=True, kw_only=True)
class SumFacts:
    """What was measured of a song's sum at unity gain, per control step of about a millisecond."""

    step_s: float
    steps_per_hop: int
    """Steps in 0.1 s."""
    sidechain_db: NDArray[np.float32]
    """Larger of the sum's true peak and each stem's sample peak, dBFS: ``(steps,)``."""
    powers: NDArray[np.float32]
    """K-weighted power of the sum: ``(steps,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Singing:
    """Where a microphone hears its own source, and how that was told."""

    open_s: Spans
    """Where a gate stays open: generous, with look-ahead and hold."""
    sings_s: Spans
    """Where the own source is clearly there: for statistics."""
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SongFacts:
    """What was measured of one song while it was rendered and written, for people to look at. Hops are 0.1 s."""

    hop_s: float
    reduction_db: tuple[tuple[str, NDArray[np.float32]], ...]
    """Per input with a compressor: its gain, 0 or less, mean per hop."""
    limiter_db: NDArray[np.float32]
    """Gain of the master's limiter, 0 or less, lowest per hop."""
    short_term_lufs: NDArray[np.float32]
    """Loudness of the mix over every 3 s, a value a hop; the first is over 0 to 3 s. At least -120."""
    band_hz: NDArray[np.float64]
    """Edges of the spectrum's bands: ``(bands + 1,)``."""
    spectrum_db: NDArray[np.float32]
    """Mean level of the mix per band, dBFS: ``(bands,)``."""
    meters_differ_lu: float | None = None
    """Loudness less the reading of a second meter; None where there is too little sound to compare."""
