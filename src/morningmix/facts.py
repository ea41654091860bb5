"""What was recorded, measured and asked for. Frozen data; no behaviour beyond simple derived values.

Unknown is ``None``, never NaN or an infinity. Times are seconds from the start of the take unless a name says frames.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from morningmix.slots import Slots

# ---------------------------------------------------------------- what was recorded


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One file on disk, as its header (or what could be saved of it) describes it."""

    path: Path
    rate_hz: int
    channels: int
    frames: int
    subtype: str
    """libsndfile's name of the sample format: PCM_16, PCM_24, FLOAT, ..."""
    embedded_name: str | None = None
    """Track name inside the file (iXML, bext description, INFO), if any."""
    time_reference: int | None = None
    """BWF time reference in frames since midnight."""
    data_offset_bytes: int | None = None
    """Set when the header cannot be trusted: the samples start here, as raw little-endian `subtype`."""
    damage: str | None = None
    """What is wrong with the file and what was saved of it, in words; None for a sound file."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recording:
    """One input of the desk: one file, a stereo pair in two files, each possibly continued in further files."""

    lanes: tuple[tuple[Part, ...], ...]
    """Lanes are side by side (left and right of a pair); the parts of a lane follow one another."""

    @property
    def files(self) -> tuple[str, ...]:
        """How a recipe names it: file name of each lane's first part."""
        return tuple(lane[0].path.name for lane in self.lanes)

    @property
    def parts(self) -> tuple[Part, ...]:
        """Every file of the input, lane after lane."""
        return tuple(part for lane in self.lanes for part in lane)

    @property
    def channels(self) -> int:
        """1 or 2."""
        return sum(lane[0].channels for lane in self.lanes)

    @property
    def rate_hz(self) -> int:
        """The rate it was recorded at."""
        return self.lanes[0][0].rate_hz

    @property
    def frames(self) -> int:
        """Length at the recording's own rate; the longest lane counts."""
        return max(sum(part.frames for part in lane) for lane in self.lanes)

    @property
    def embedded_name(self) -> str | None:
        """Track name inside the first file."""
        return self.lanes[0][0].embedded_name

    @property
    def damage(self) -> tuple[str, ...]:
        """What is wrong with its files, in words."""
        return tuple(part.damage for part in self.parts if part.damage)


@dataclass(frozen=True, slots=True, kw_only=True)
class Take:
    """All inputs of one recording run, on one clock."""

    folder: Path
    recordings: tuple[Recording, ...]
    rate_hz: int
    """Most common rate; other inputs are resampled to it while they are read."""
    frames: int
    """Longest input, at `rate_hz`; shorter ones are silent after their end."""
    left_out: tuple[str, ...] = ()
    """Files in the folder that are not used, each with its reason, in words."""

    @property
    def duration_s(self) -> float:
        """Length of the longest input."""
        return self.frames / self.rate_hz


# ---------------------------------------------------------------- what was asked for

BleedMethod = Literal["full", "mask", "gate", "off"]
Switch = Literal["auto", "off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputWish:
    """What the recipe (or input list) says of one input. None: not said, so decided."""

    files: tuple[str, ...]
    name: str | None = None
    role: str | None = None
    role_is_guess: bool = False
    """The role is written with a question mark behind it."""
    player: str | None = None
    level_db: float = 0.0
    pan: float | None = None
    mute: bool = False
    flip: bool | None = None
    delay_ms: float | None = None
    high_pass_hz: float | None = None
    bleed: BleedMethod | None = None
    compress: Switch | None = None
    eq: Switch | None = None
    high_pass: Switch | None = None
    align: Switch | None = None
    repair: Switch | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Defaults:
    """The recipe's [defaults]: what counts for every input that does not say otherwise."""

    level_db: float = 0.0
    bleed: BleedMethod = "full"
    compress: Switch = "auto"
    eq: Switch = "auto"
    high_pass: Switch = "auto"
    align: Switch = "auto"
    repair: Switch = "auto"


@dataclass(frozen=True, slots=True, kw_only=True)
class SongInputWish:
    """The recipe's [[song.input]]: what is different for one input in one song."""

    name: str
    level_db: float = 0.0
    role: str | None = None
    pan: float | None = None
    mute: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveWish:
    """The recipe's [[song.move]]: a level change for a stretch of one song; times from the song's start."""

    name: str
    from_s: float
    to_s: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SongWish:
    """The recipe's [[song]]; start and end in the take."""

    title: str
    start_s: float
    end_s: float
    take: str | None = None
    """Name of the take's folder, where a rehearsal has several."""
    keep: bool = True
    reason: str | None = None
    inputs: tuple[SongInputWish, ...] = ()
    moves: tuple[MoveWish, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Sourced:
    """A number and where it comes from: a publication, "common practice" or "design choice"."""

    value: float
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TargetPreset:
    """presets/targets/NAME.toml, with the recipe's own [target] numbers already in place."""

    name: str
    loudness_lufs: Sourced
    ceiling_dbtp: Sourced
    max_limiting_db: Sourced
    """Most the limiter may take at the 99th percentile before the whole rehearsal aims lower."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CompressorBounds:
    """What the published formulas may ask for, per role."""

    ratio_max: Sourced
    mean_reduction_db: Sourced
    max_reduction_db: Sourced
    attack_s: Sourced
    release_s: Sourced


@dataclass(frozen=True, slots=True, kw_only=True)
class RolePreset:
    """presets/roles/NAME.toml."""

    role: str
    family: str
    """The stem: drums, bass, guitars, keys, vocals, playback, other; "" for roles that are left out of the mix."""
    words: tuple[str, ...]
    """Lower-case words in track names that mean this role, in several languages."""
    level_lu: Sourced | None
    """Loudness re the whole mix while it plays; None for roles that fill what remains or are left out."""
    quiet_level_lu: Sourced | None
    """The same where neither a drum kit nor an electric guitar plays; None: no other than `level_lu`."""
    high_pass_hz: Sourced | None
    gate_floor_db: Sourced | None
    """How far a closed gate turns this role down; None: never gated."""
    compressor: CompressorBounds | None
    pan: Literal["centre", "spread", "keep"]
    send_lu: Sourced | None
    """Reverb send re the track's own fader, dB; None: stays dry."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """Everything a recipe file says, defaults filled in."""

    path: Path | None
    """The recipe's file; None while there is none yet."""
    tracks: Path
    """Folder with the raw tracks, absolute."""
    title: str
    target: TargetPreset
    band: str | None = None
    date: str | None = None
    """When it was, ISO 8601; both for what is sent round."""
    defaults: Defaults = field(default_factory=Defaults)
    inputs: tuple[InputWish, ...] = ()
    songs: tuple[SongWish, ...] = ()
    input_list: Path | None = None
    """The inputs.toml whose names and roles filled the gaps, if one was found."""


# ---------------------------------------------------------------- what was measured


Spans = tuple[tuple[float, float], ...]
"""Stretches in seconds, in order, not overlapping."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """Mains hum in an input."""

    mains_hz: float
    level_dbfs: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Howl:
    """Feedback through a loudspeaker."""

    start_s: float
    end_s: float
    hz: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
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
    howls: tuple[Howl, ...]
    """Steady tones as feedback makes them, in order; in an instrument they may be meant."""
    dropouts: int
    """Stretches of digital silence in the middle of loud sound."""
    broken_samples: int
    """Samples that are not numbers; they count and sound as silence."""
    side_share: float
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
    excess_db: NDArray[np.float32]
    """Recorded level over predicted bleed, mean over the bands, all other inputs counted: ``(hops,)``."""
    excess_of_instruments_db: NDArray[np.float32]
    """The same with the other voices not counted as bleed: ``(hops,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaned:
    """A microphone without its bleed, and what was measured of it."""

    sound: Recording
    """In the cache; as long as the take, at its rate."""
    subtracted: bool
    """The bleed was predicted and subtracted before what was left was masked."""
    heard_of: tuple[tuple[int, float], ...]
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
    excess_db: NDArray[np.float32]
    """Level over what inputs of other families leak into it at most: ``(inputs, bands, frames)``."""
    hop_s: float
    rises_db: NDArray[np.float32]
    """How much louder than just before, mean over all fine bands: ``(inputs, hops)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Boundary:
    """Where a song begins or ends, and how that was told."""

    at_s: float
    because: str
    sure: float
    """0..1; a judgement of how good the evidence is, not a measured probability."""

    @property
    def unsure(self) -> bool:
        """Somebody ought to listen."""
        return self.sure < 0.6


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundSong:
    """A stretch of a take in which the band plays."""

    start: Boundary
    end: Boundary
    keep: bool
    reason: str | None
    """Why it is not to be kept."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AlignmentFacts:
    """A close drum microphone against the overhead, or a bass's line against its microphone."""

    other: str
    """What hears the same from further away."""
    delay_s: float
    """How much later that is, as it stands; negative where this input is late."""
    likeness: float
    """How alike they are at that delay, 0..1."""
    flipped_delay_s: float
    """The same with the close microphone upside down."""
    flipped_likeness: float


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
    key_db: NDArray[np.float32]
    """Larger of the sum's true peak and each stem's sample peak, dBFS: ``(steps,)``."""
    powers: NDArray[np.float32]
    """K-weighted power of the sum: ``(steps,)``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input with everything that is known of it: what was recorded, measured, guessed and asked for."""

    index: int
    """Place in `Take.recordings` and `Measurements.tracks`."""
    name: str
    role: str
    role_is_guess: bool
    role_because: str
    role_source: str
    preset: RolePreset
    wish: InputWish
    facts: TrackFacts
    alignment: AlignmentFacts | None = None
    turned: Turned | None = None
    cleaned: Cleaned | None = None
    """What is mixed in its place; the slots of `facts` are then those of the cleaned sound."""
    recorded: Slots | None = None
    """The slots with the bleed, where `facts` holds those without."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Singing:
    """Where a microphone hears its own source, and how that was told."""

    open_s: Spans
    """Where a gate stays open: generous, with look-ahead and hold."""
    sings_s: Spans
    """Where the own source is clearly there: for statistics."""
    because: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing to know, about one input or about the whole take."""

    name: str
    """Input, or "" for the take."""
    kind: str
    says: str
    weight: float
    """Worse is larger."""


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
