"""Measurements of a take and of a song.

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
    """Acoustic feedback through a loudspeaker."""

    start_s: float
    end_s: float
    hz: float
    rise_db: float
    """How far it rose out of what was there before."""
    also_in: int = 0
    """Number of other inputs with the same tone at the same time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GainStep:
    """A preamp gain that was turned in mid-take."""

    at_s: float
    step_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackFacts:
    """Measurements of one input over the whole take, at the take's rate."""

    files: tuple[str, ...]
    channels: int
    peak_dbfs: float
    """Largest sample; `units.SILENCE_DB` where nothing was recorded."""
    clipped_runs: int
    """Runs of three or more successive samples within 0.01 dB of full scale."""
    dc: float
    """Magnitude of the mean sample value."""
    hum: Hum | None
    pops_s: Spans
    """Stretches with a pop; statistics and peaks leave them out."""
    feedback: tuple[AcousticFeedback, ...]
    """Acoustic feedback in order, if it was looked for: in an instrument a steady tone is intended."""
    dropouts: int
    """Stretches of digital silence in the middle of loud sound."""
    broken_samples: int
    """Samples that are not finite numbers; they are read as silence."""
    side_fraction: float
    """Fraction of the power in the side signal (left minus right); 0 for a single channel."""
    slots: Slots

    @property
    def silent(self) -> bool:
        """Whether nothing was recorded: not even a preamp's hiss exceeds -75 dBFS peak."""
        return self.peak_dbfs < -75.0

    def momentary(self, slot_s: float) -> bool:
        """Whether the sound is too short to measure: under 0.4 s, one block of BS.1770, in a longer stretch."""
        sounding = int(np.count_nonzero(self.slots.peaks)) * slot_s
        return not self.silent and sounding < 0.39 < len(self.slots) * slot_s


@dataclass(frozen=True, slots=True, kw_only=True)
class BleedFacts:
    """Level of an input over the bleed predicted from the other inputs."""

    hop_s: float
    over_bleed_db: NDArray[np.float32]
    """Level over predicted bleed of all other inputs, mean over the bands: ``(hops,)``."""
    over_instrument_bleed_db: NDArray[np.float32]
    """Level over predicted bleed of the instruments alone, without other voices: ``(hops,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CleanedStretch:
    """A microphone cleaned of bleed in a stretch of a take, and its measurements."""

    sound: Recording
    """The sound in the cache, at the rate of the take; it begins where the stretch does."""
    subtracted: bool
    """Whether predicted bleed was subtracted before the residual was masked."""
    bleed_sources: tuple[tuple[int, float], ...]
    """Sources of the bleed: other inputs and their fractions of the subtracted power, largest first."""
    slots: Slots
    hop_s: float
    clear_db: NDArray[np.float32]
    """Level over the residual bleed, less 6 dB, at least 0, mean over the vowel bands: ``(hops,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaned:
    """A microphone cleaned of bleed wherever something of a take is kept."""

    sounds: tuple[tuple[tuple[float, float], Recording], ...]
    """The sound of each stretch, by its start and end in seconds of the take."""
    subtracted: bool
    """Whether predicted bleed was subtracted anywhere."""
    bleed_sources: tuple[tuple[int, float], ...]
    """Sources of the bleed: other inputs and their fractions of the subtracted power, largest first."""
    slots: Slots
    """Of the whole take: those of the recording where nothing is kept."""
    hop_s: float
    clear_db: NDArray[np.float32]
    """Level over the residual bleed, as in `CleanedStretch`; -1 where nothing is kept: ``(hops,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Activity:
    """Coarse activity of all inputs over a whole take, in the order of `Take.recordings`."""

    frame_s: float
    powers: NDArray[np.float32]
    """Mean power in broad bands: ``(inputs, bands, frames)``."""
    over_bleed_db: NDArray[np.float32]
    """Level over the bleed of inputs of other families: ``(inputs, bands, frames)``."""
    hop_s: float
    rises_db: NDArray[np.float32]
    """Rise over the two hops before, mean over all fine bands: ``(inputs, hops)``."""

    @property
    def hops_in_frame(self) -> int:
        """Hops of a frame."""
        return round(self.frame_s / self.hop_s)


@dataclass(frozen=True, slots=True, kw_only=True)
class Onsets:
    """How strongly sounds start, over a stretch of a take."""

    hop_s: float
    first_s: float
    """Start of the first hop, seconds from the start of the stretch."""
    strength: NDArray[np.float32]
    """At least 0, in broad bands, the lowest first: ``(inputs, bands, hops)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Notes:
    """What sounds between successive times of a song, in pitch classes of ten cents from C on."""

    edges_s: NDArray[np.float64]
    """``(stretches + 1,)``, seconds from the start of the song."""
    strength: NDArray[np.float32]
    """Mean amplitude in the bass and above it: ``(2, 120, stretches)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentFacts:
    """Alignment of a close drum microphone with the overhead, or of a bass DI with its microphone."""

    other: str
    """Name of the microphone further away."""
    delay_s: float
    """How much later the far microphone is; negative where this input is late."""
    correlation: float
    """Their correlation at that delay, 0..1."""
    flipped_delay_s: float
    """Delay and correlation with the opposite polarity."""
    flipped_correlation: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SumOfOthers:
    """An input that carries the sum of other inputs."""

    explained: float
    """Fraction of its power that the others explain, 0..1."""
    of: tuple[int, ...]
    """Indices of the inputs that are part of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Ticking:
    """An input that repeats a short sound in time: a metronome."""

    shortest_s: float
    """Shortest period, where the tempo is fastest."""
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
        """Number of slots in the take."""
        return len(self.tracks[0].slots) if self.tracks else 0

    @property
    def band_centres_hz(self) -> NDArray[np.float64]:
        """Geometric centre of each band: ``(bands,)``."""
        centres: NDArray[np.float64] = np.sqrt(self.band_hz[:-1] * self.band_hz[1:])
        return centres


@dataclass(frozen=True, slots=True, kw_only=True)
class SumFacts:
    """Measurements of a song's sum at unity gain, per control step of about a millisecond."""

    step_s: float
    steps_per_hop: int
    """Steps in 0.1 s."""
    sidechain_db: NDArray[np.float32]
    """Limiter sidechain: larger of the sum's true peak and each stem's sample peak, dBFS: ``(steps,)``."""
    powers: NDArray[np.float32]
    """K-weighted power of the sum: ``(steps,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Singing:
    """Where the target source of a microphone sounds, and the evidence."""

    open_s: Spans
    """Stretches in which the gate is open, with look-ahead and hold."""
    sings_s: Spans
    """Stretches in which the target source clearly sounds, for statistics."""
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SongFacts:
    """Measurements of a song from rendering and writing it, for the report. Hops are 0.1 s."""

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
    """Loudness minus the reading of a second meter; None if there is too little sound to compare."""
