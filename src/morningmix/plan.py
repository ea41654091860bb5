"""What was decided. Frozen numbers and the reason of each; the renderer executes them and decides nothing.

A plan says everything that is needed to render the same bytes again from the same recordings, so it is also what the
recall sheet keeps. Times are seconds from the start of the song.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from morningmix.facts import Spans

FAMILIES = ("drums", "bass", "guitars", "keys", "vocals", "playback", "other")
"""The stems, each a stereo bus that tracks are summed on."""


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
    corner_hz: float
    """Of a peak its centre."""
    gain_db: float = 0.0
    q: float = 0.0
    """Both of a peak only."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Gate:
    """Stretches in which the microphone stays open; outside them it is turned down to the floor."""

    open_s: Spans
    floor_db: float
    ramp_s: float
    """Length of the way down and of the way up; both lie outside the open stretch."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compressor:
    """Feed-forward, detector in dB after the gain computer, smooth decoupled (Giannoulis et al., JAES 60(6) 2012)."""

    threshold_db: float
    ratio: float
    knee_db: float
    attack_s: float
    release_s: float
    max_reduction_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class DeEsser:
    """What lies above a corner is compressed by itself; the rest passes."""

    corner_hz: float
    compressor: Compressor


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A level change for a stretch, with ramps of `ramp_s` outside it."""

    from_s: float
    to_s: float
    level_db: float
    ramp_s: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Cleaning:
    """Which microphones of a take are cleaned of bleed before anything else, and by which other inputs."""

    ears: tuple[tuple[int, bool], ...]
    """Input, and whether its bleed is predicted and subtracted; what is left is masked anyway."""
    references: tuple[int, ...]
    """All inputs that play, the ears among them."""
    turned: tuple[tuple[int, float, float], ...] = ()
    """Gains that were turned in mid-take: input, when (s), by how much (dB)."""
    repaired: tuple[tuple[int, float], ...] = ()
    """Ears that clipped, and the longest run (s) that is interpolated before anything is learnt from them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TrackPlan:
    """One input on its way to its family: gain, filters, de-esser, gate, compressor, fader, moves, ride, pan, send."""

    files: tuple[str, ...]
    name: str
    role: str
    role_is_guess: bool
    family: str
    """One of `FAMILIES`; "" for an input that is left out."""
    player: str | None = None
    cleaned: bool = False
    """What is mixed is the input without its bleed (`SongPlan.cleaning`)."""
    flip: bool = False
    delay_s: float = 0.0
    """May be negative: the input is then heard earlier."""
    repair_s: float = 0.0
    """Clipped runs up to this long are interpolated; 0: none."""
    turned: tuple[float, float] | None = None
    """Where a gain was turned in mid-take, and what makes up for it from there on, dB."""
    ducked_s: Spans = ()
    """Pops and howls, turned down."""
    gain_db: float = 0.0
    filters: tuple[Filter, ...] = ()
    gate: Gate | None = None
    de_esser: DeEsser | None = None
    compressor: Compressor | None = None
    fader_db: float = 0.0
    moves: tuple[Move, ...] = ()
    ride: tuple[tuple[float, float], ...] = ()
    """A hand on the fader: (s, dB), straight lines between, 0 dB without any."""
    pan: float = 0.0
    send_db: float | None = None
    """Reverb send after the fader; None: dry."""
    reasons: tuple[Reason, ...] = ()

    @property
    def sounds(self) -> bool:
        """Whether the input takes part in the mix."""
        return self.family != ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reverb:
    """One small room for all; unity send returns the same power as the dry sound."""

    room: float
    damping: float
    low_cut_hz: float
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Goal:
    """How loud one family is wanted in the whole, and where that is judged."""

    family: str
    level_lu: float | None
    """Loudness re the whole mix over `where_s`; None: it fills what remains."""
    where_s: Spans
    wishes_db: float
    """What the recipe's level wishes do to the family over `where_s`; a trim never undoes a wish."""
    because: str
    source: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SongPlan:
    """Everything up to the families of one song."""

    title: str
    start_s: float
    end_s: float
    rate_hz: int
    tracks: tuple[TrackPlan, ...]
    reverb: Reverb | None
    target_lufs: float
    ceiling_dbtp: float
    max_limiting_db: float
    played_lufs: float | None = None
    """How loud it comes with all faders where they rest in the take: what songs keep of their own relation."""
    tilt_db: float = 0.0
    """Of the whole: lows up, highs down by as much."""
    reasons: tuple[Reason, ...] = ()
    goals: tuple[Goal, ...] = ()
    cleaning: Cleaning | None = None
    fade_in_s: float = 0.0
    """Only where the song is cut out of a longer take, and so its end."""
    fade_out_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Trims:
    """What is done to the families of one song before they are summed."""

    trims_db: tuple[tuple[str, float], ...]
    drum_peak_dbfs: float | None
    """The drums' own peaks are held to this level before the sum; None: left alone."""
    drum_lookahead_s: float
    drum_release_s: float
    gain_db: float
    """What brings the sum to the target, not counting the limiter."""
    reasons: tuple[Reason, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class MasterPlan:
    """What happens to the sum of one song: one gain and one limiter curve for all families."""

    trims: Trims
    gain_db: float
    target_lufs: float
    """What the mix aims at, possibly lower than what the recipe asks for."""
    ceiling_dbfs: float
    """What the limiter holds; a little under the true-peak ceiling that is promised."""
    lookahead_s: float
    release_s: float
    dither_seed: int
    reasons: tuple[Reason, ...] = ()
