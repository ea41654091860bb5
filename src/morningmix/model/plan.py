"""What was decided. Frozen numbers and the reason of each; the renderer executes them and decides nothing.

A plan says everything that is needed to render the same bytes again from the same recordings, so it is also what the
recall sheet keeps. Times are seconds from the start of the song.

A range in a type is what a recall sheet may hold there (`files.recall`): wider than anything that is decided, and
narrow enough for the renderer to cope with every value in it. All of them are design choices.
"""

from __future__ import annotations

from dataclasses import dataclass
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
"""Place of an input in the take."""
Spans = tuple[tuple[Position, Position], ...]
"""Stretches, in order, not overlapping."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reason:
    """Why a number is what it is."""

    what: str
    """The plan's field, for instance ``gain_db``."""
    because: str
    """The measurement or wish behind it, in words a musician reads."""
    source: str
    """Publication, "common practice", "design choice", "recipe" or "input list"."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filter:
    """One second-order filter."""

    kind: Literal["high_pass", "low_pass", "peak"]
    corner_hz: Hertz
    """Of a peak its centre."""
    gain_db: Annotated[float, Interval(ge=-60.0, le=24.0)] = 0.0
    q: Annotated[float, Interval(ge=0.0, le=100.0)] = 0.0
    """Both of a peak only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """Stretches in which the microphone stays open; outside them it is turned down to the floor."""

    open_s: Spans
    floor_db: Decibels
    ramp_s: Ramp
    """Length of the way down and of the way up; both lie outside the open stretch."""


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
    """What lies above a corner is compressed by itself; the rest passes."""

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
    """Which microphones of a take are cleaned of bleed before anything else, and by which other inputs."""

    targets: tuple[tuple[Index, bool], ...]
    """Input, and whether its bleed is predicted and subtracted; what is left is masked anyway."""
    references: tuple[Index, ...]
    """All inputs that play, the ears among them."""
    gain_steps: tuple[tuple[Index, Seconds, Decibels], ...] = ()
    """Gains that were turned in mid-take: input, when (s), by how much (dB)."""
    repaired: tuple[tuple[Index, ClippedRun], ...] = ()
    """Ears that clipped, and the longest run (s) that is interpolated before anything is learnt from them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackPlan:
    """One input on its way to its family: gain, filters, de-esser, gate, compressor, fader, moves, ride, pan, send."""

    files: Annotated[tuple[str, ...], MinLen(1), MaxLen(2)]
    name: str
    role: str
    role_is_guess: bool
    family: str
    """One of `FAMILIES`, in an old sheet of `READABLE_FAMILIES`; "" for an input that is left out."""
    player: str | None = None
    cleaned: bool = False
    """What is mixed is the input without its bleed (`SongPlan.cleaning`)."""
    flip: bool = False
    delay_s: Annotated[float, Interval(ge=-10.0, le=10.0)] = 0.0
    """May be negative: the input is then heard earlier."""
    repair_s: ClippedRun = 0.0
    """Clipped runs up to this long are interpolated; 0: none."""
    gain_step: tuple[Seconds, Decibels] | None = None
    """Where a gain was turned in mid-take, and what makes up for it from there on, dB."""
    ducked_s: Spans = ()
    """Pops and howls, turned down."""
    gain_db: Decibels = 0.0
    filters: Annotated[tuple[Filter, ...], MaxLen(20)] = ()
    gate: Gate | None = None
    de_esser: DeEsser | None = None
    compressor: Compressor | None = None
    fader_db: Decibels = 0.0
    moves: Annotated[tuple[Move, ...], MaxLen(1_000)] = ()
    ride: tuple[tuple[Seconds, Decibels], ...] = ()
    """A hand on the fader: (s, dB), straight lines between, 0 dB without any."""
    pan: Annotated[float, Interval(ge=-1.0, le=1.0)] = 0.0
    send_db: Annotated[float, Interval(ge=-300.0, le=24.0)] | None = None
    """Reverb send after the fader; None: dry."""
    reasons: tuple[Reason, ...] = ()

    @property
    def sounds(self) -> bool:
        """Whether the input takes part in the mix."""
        return self.family != ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reverb:
    """One small room for all; unity send returns the same power as the dry sound."""

    room: Fraction
    damping: Fraction
    low_cut_hz: Hertz
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """How loud one family is wanted in the whole, and where that is judged."""

    family: str
    level_lu: Decibels | None
    """Loudness re the whole mix over `where_s`; None: it fills what remains."""
    where_s: Spans
    wishes_db: Decibels
    """What the recipe's level wishes do to the family over `where_s`; a trim never undoes a wish."""
    because: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SongPlan:
    """Everything up to the families of one song."""

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
    """How loud it comes with all faders where they rest in the take: what songs keep of their own relation."""
    tilt_db: Annotated[float, Interval(ge=-24.0, le=24.0)] = 0.0
    """Of the whole: lows up, highs down by as much."""
    reasons: tuple[Reason, ...] = ()
    goals: tuple[Goal, ...] = ()
    cleaning: Cleaning | None = None
    fade_in_s: Annotated[float, Interval(ge=0.0, le=60.0)] = 0.0
    """Only where the song is cut out of a longer take, and so its end."""
    fade_out_s: Annotated[float, Interval(ge=0.0, le=60.0)] = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trims:
    """What is done to the families of one song before they are summed."""

    trims_db: tuple[tuple[str, Annotated[float, Interval(ge=-60.0, le=60.0)]], ...]
    drum_peak_dbfs: Decibels | None
    """The drums' own peaks are held to this level before the sum; None: left alone."""
    drum_lookahead_s: LookAhead
    drum_release_s: TimeConstant
    gain_db: Decibels
    """What brings the sum to the target, not counting the limiter."""
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterPlan:
    """What happens to the sum of one song: one gain and one limiter curve for all families."""

    trims: Trims
    gain_db: Decibels
    target_lufs: Decibels
    """What the mix aims at, possibly lower than what the recipe asks for."""
    ceiling_dbfs: Annotated[float, Interval(ge=-61.0, le=-0.1)]
    """What the limiter holds; a little under the true-peak ceiling that is promised."""
    lookahead_s: LookAhead
    release_s: TimeConstant
    dither_seed: Annotated[int, Interval(ge=0, le=2**32)]
    reasons: tuple[Reason, ...] = ()
