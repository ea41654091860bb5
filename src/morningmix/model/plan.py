"""Plans: the decided numbers and their reasons. The renderer executes them and decides nothing.

A plan holds everything needed to render the same bytes again from the same recordings, so the recall sheet stores it.
Times are seconds from the start of the song.

The range in a type is what a recall sheet may hold there (`files.recall`): wider than any decision, and narrow enough
for the renderer to handle every value in it. All ranges are design choices.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Literal, get_args

from annotated_types import Interval, MaxLen, MinLen

Family = Literal["drums", "bass", "guitars", "keys", "vocals", "playback", "horns", "strings", "extras"]
FAMILIES: tuple[str, ...] = get_args(Family)
"""The stems, each a stereo bus that tracks are summed on."""
READABLE_FAMILIES = (*FAMILIES, "other")
"""Those that a recall sheet may name: earlier versions had one stem for horns, strings and extras."""

Decibels = Annotated[float, Interval(ge=-300.0, le=200.0)]
Hertz = Annotated[float, Interval(ge=5.0, le=500_000.0)]
"""Also below half the plan's sample rate."""
Seconds = Annotated[float, Interval(ge=-1e6, le=1e6)]
Position = Annotated[float, Interval(ge=0.0, le=1e6)]
"""Seconds from the start."""
Ramp = Annotated[float, Interval(ge=0.001, le=10.0)]
"""Seconds."""
TimeConstant = Annotated[float, Interval(ge=0.001, le=60.0)]
"""Seconds."""
LookAhead = Annotated[float, Interval(ge=0.0001, le=0.1)]
"""Seconds."""
ClippedRun = Annotated[float, Interval(ge=0.0, le=0.01)]
"""Seconds."""
Fraction = Annotated[float, Interval(ge=0.0, le=1.0)]
Index = Annotated[int, Interval(ge=0, le=9_999)]
"""Index of an input in the take."""
Spans = tuple[tuple[Position, Position], ...]
"""Stretches, in order, not overlapping."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """The reason for a number."""

    what: str
    """The plan's field, for instance ``gain_db``."""
    because: str
    """The measurement or wish behind it, in words a musician reads."""
    source: str
    """Publication, "common practice", "design choice", "recipe", "band.toml" or "inputs.toml"."""
    place: str | None = field(default=None, compare=False)
    """The line of band.toml or inputs.toml that asks for it. A line that moves makes no other plan."""

    @property
    def in_full(self) -> str:
        """Because of what, and where that is written."""
        return self.because if self.place is None else f"{self.because} ({self.place})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """One second-order filter."""

    kind: Literal["high_pass", "low_pass", "peak", "low_shelf", "high_shelf"]
    """Shelves are the recipe's tone: they come after the compressor, which does not react to them."""
    corner_hz: Hertz
    """Centre frequency of a peak; where a shelf reaches half its gain in dB."""
    gain_db: Annotated[float, Interval(ge=-60.0, le=24.0)] = 0.0
    q: Annotated[float, Interval(ge=0.0, le=100.0)] = 0.0
    """`q` applies to a peak only, `gain_db` to a peak and to shelves."""

    @property
    def is_shelf(self) -> bool:
        """Whether it is the recipe's tone."""
        return self.kind in ("low_shelf", "high_shelf")


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """Stretches in which the microphone stays open; outside them it is turned down to the floor."""

    open_s: Spans
    floor_db: Decibels
    ramp_s: Ramp
    """Length of the ramps; both lie outside the open stretch."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressor:
    """Feed-forward, detector in dB after the gain computer, smooth decoupled (Giannoulis et al., JAES 60(6) 2012)."""

    threshold_db: Decibels
    ratio: Annotated[float, Interval(ge=1.0, le=100.0)]
    knee_db: Annotated[float, Interval(ge=0.0, le=60.0)]
    attack_s: Annotated[float, Interval(ge=0.0, le=60.0)]
    release_s: TimeConstant
    max_reduction_db: Annotated[float, Interval(ge=0.0, le=100.0)]


@dataclass(frozen=True, slots=True, kw_only=True)
class DeEsser:
    """Compresses only what lies above a corner frequency."""

    corner_hz: Hertz
    compressor: Compressor


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A level change for a stretch, with ramps of `ramp_s` outside it."""

    from_s: Position
    to_s: Annotated[float, Interval(ge=0.0, le=1e9)]
    level_db: Decibels
    ramp_s: Ramp


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaning:
    """Which microphones are cleaned of bleed before anything else, and by which inputs."""

    targets: tuple[tuple[Index, bool], ...]
    """Target microphones, and whether predicted bleed is subtracted; the residual is masked in any case."""
    references: tuple[Index, ...]
    """All inputs that play, including the targets."""
    gain_steps: tuple[tuple[Index, Seconds, Decibels], ...] = ()
    """Gain steps in mid-take: input, time (s), step (dB)."""
    repaired: tuple[tuple[Index, ClippedRun], ...] = ()
    """Targets and drum microphones that clipped, and the longest run (s) that is interpolated before the filters are
    learnt."""
    kit: tuple[Index, ...] = ()
    """Drum microphones, cleaned of what is not the kit once the targets are clean."""
    kit_references: tuple[tuple[Index, Hertz], ...] = ()
    """Inputs that are not the kit, and the frequency from which on they count; targets as they were cleaned."""
    stretch_s: tuple[Seconds, Seconds] | None = None
    """The song and some room around it, where bleed is learnt and removed; None: the whole take."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackPlan:
    """One input on its way to its family: gain, filters, de-esser, gate, compressor, shelves, fader, moves, ride, pan,
    send."""

    files: Annotated[tuple[str, ...], MinLen(1), MaxLen(2)]
    name: str
    role: str
    role_is_guess: bool
    family: str
    """One of `FAMILIES`, in an old sheet of `READABLE_FAMILIES`; "" for an input that is left out."""
    player: str | None = None
    cleaned: bool = False
    """Whether the input is mixed without its bleed (`SongPlan.cleaning`)."""
    flip: bool = False
    delay_s: Annotated[float, Interval(ge=-10.0, le=10.0)] = 0.0
    """A negative delay plays the input earlier."""
    repair_s: ClippedRun = 0.0
    """Clipped runs up to this long are interpolated; 0: none."""
    gain_step: tuple[Seconds, Decibels] | None = None
    """Time of a gain step in mid-take, and the make-up gain from there on, dB."""
    ducked_s: Spans = ()
    """Pops and acoustic feedback, turned down."""
    gain_db: Decibels = 0.0
    filters: Annotated[tuple[Filter, ...], MaxLen(20)] = ()
    gate: Gate | None = None
    de_esser: DeEsser | None = None
    compressor: Compressor | None = None
    fader_db: Decibels = 0.0
    moves: Annotated[tuple[Move, ...], MaxLen(1_000)] = ()
    ride: tuple[tuple[Seconds, Decibels], ...] = ()
    """Fader automation: (s, dB) with linear interpolation; 0 dB if empty."""
    pan: Annotated[float, Interval(ge=-1.0, le=1.0)] = 0.0
    send_db: Annotated[float, Interval(ge=-300.0, le=60.0)] | None = None
    """Reverb send after the fader; None: dry."""
    reasons: tuple[Reason, ...] = ()

    @property
    def sounds(self) -> bool:
        """Whether the input is in the mix."""
        return self.family != ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reverb:
    """One small room for all tracks; a send at unity returns the power of the dry sound."""

    room: Fraction
    damping: Fraction
    low_cut_hz: Hertz
    early_db: Annotated[float, Interval(ge=-60.0, le=20.0)] | None = None
    """Energy of the first reflections re the tail; None: there is only the tail."""
    high_db: Annotated[float, Interval(ge=-24.0, le=0.0)] = 0.0
    """Shelf over 4 kHz on all of it."""
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """Target level of a family in the mix, and the stretches in which it is measured."""

    family: str
    level_lu: Decibels | None
    """Loudness re the whole mix over `where_s`; None: it fills what remains."""
    where_s: Spans
    wishes_db: Decibels
    """What the recipe's wishes for level, tone and room do to the family over `where_s`; a trim never undoes a wish."""
    because: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SongPlan:
    """Plan of a song up to the sums of its families."""

    title: str
    start_s: Position
    end_s: Position
    rate_hz: Annotated[int, Interval(ge=8_000, le=1_000_000)]
    tracks: Annotated[tuple[TrackPlan, ...], MinLen(1)]
    reverb: Reverb | None
    target_lufs: Decibels
    ceiling_dbtp: Annotated[float, Interval(ge=-60.0, le=0.0)]
    max_limiting_db: Annotated[float, Interval(ge=0.0, le=100.0)]
    played_lufs: Decibels | None = None
    """Loudness with all faders as set for the take; it keeps the songs' levels relative to each other."""
    tilt_db: Annotated[float, Interval(ge=-24.0, le=24.0)] = 0.0
    """Tilt of the whole mix: lows up and highs down by as much. Only plans of earlier versions have one."""
    mono_below_hz: Hertz | None = None
    """Under this, left and right are the same; None: they stay as they are."""
    reasons: tuple[Reason, ...] = ()
    goals: tuple[Goal, ...] = ()
    cleaning: Cleaning | None = None
    fade_in_s: Annotated[float, Interval(ge=0.0, le=60.0)] = 0.0
    """Fades are only used where the song is cut out of a longer take."""
    fade_out_s: Annotated[float, Interval(ge=0.0, le=60.0)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trims:
    """Gains of the families of a song before they are summed."""

    trims_db: tuple[tuple[str, Annotated[float, Interval(ge=-60.0, le=60.0)]], ...]
    drum_peak_dbfs: Decibels | None
    """Ceiling of the drums' peaks before the sum; None: no limiting."""
    drum_lookahead_s: LookAhead
    drum_release_s: TimeConstant
    gain_db: Decibels
    """Gain that brings the sum to the target, without the limiter."""
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterPlan:
    """Plan for the sum of a song: one gain and one limiter curve for all families."""

    trims: Trims
    gain_db: Decibels
    target_lufs: Decibels
    """Target of the mix, possibly lower than the recipe asks for."""
    ceiling_dbfs: Annotated[float, Interval(ge=-61.0, le=-0.1)]
    """Ceiling of the limiter, a little under the promised true-peak ceiling."""
    lookahead_s: LookAhead
    release_s: TimeConstant
    dither_seed: Annotated[int, Interval(ge=0, le=2**32)]
    reasons: tuple[Reason, ...] = ()
