"""Settings of the recipe. None means not set, so decided by the program."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Literal

from morningmix.model.band import NOTHING_USUAL, Band, Usual
from morningmix.model.presets import TargetPreset

BleedMethod = Literal["full", "mask", "gate", "off"]
Switch = Literal["auto", "off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputWish:
    """Settings of one input in the recipe, in band.toml and in [defaults]. None means not set."""

    files: tuple[str, ...]
    called: str | None = None
    """What the recipe's songs call it; None: the recipe does not list it."""
    name: str | None = None
    role: str | None = None
    role_is_guess: bool = False
    """The role is written with a question mark behind it."""
    player: str | None = None
    level_db: float = 0.0
    low_db: float = 0.0
    high_db: float = 0.0
    room_db: float = 0.0
    pan: float | None = None
    mute: bool = False
    flip: bool | None = None
    delay_ms: float | None = None
    high_pass_hz: float | None = None
    bleed: BleedMethod = "full"
    compress: Switch = "auto"
    eq: Switch = "auto"
    high_pass: Switch = "auto"
    align: Switch = "auto"
    repair: Switch = "auto"
    feedback: Switch = "auto"
    usual: tuple[Usual, ...] = ()
    """Those of its settings that are not the recipe's, but usual for the band; after `decide.wishes.with_added` also
    what is usual for its family."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Defaults:
    """The recipe's [defaults]: settings for every input that has none of its own."""

    level_db: float = 0.0
    bleed: BleedMethod = "full"
    compress: Switch = "auto"
    eq: Switch = "auto"
    high_pass: Switch = "auto"
    align: Switch = "auto"
    repair: Switch = "auto"
    feedback: Switch = "auto"

    def fill(self, wish: InputWish) -> InputWish:
        """An input that says nothing of its own about any of these; what is usual for the band comes before them."""
        usual = {one.key for one in wish.usual}
        return replace(wish, **{key: value for key, value in asdict(self).items() if key not in usual})


@dataclass(frozen=True, slots=True, kw_only=True)
class SongInputWish:
    """The recipe's [[song.input]]: settings of one input for one song."""

    name: str
    level_db: float = 0.0
    low_db: float = 0.0
    high_db: float = 0.0
    room_db: float = 0.0
    role: str | None = None
    pan: float | None = None
    mute: bool | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FamilyWish:
    """The recipe's [[family]] and [[song.family]]: what is added to the settings of every input of a family."""

    name: str
    """One of `plan.FAMILIES`."""
    level_db: float = 0.0
    low_db: float = 0.0
    high_db: float = 0.0
    room_db: float = 0.0
    usual: tuple[Usual, ...] = ()
    """Those of its settings that are not the recipe's, but usual for the band."""


ADDED = ("level_db", "low_db", "high_db", "room_db")
"""Settings of an input, a song's input and a family that add up."""


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveWish:
    """The recipe's [[song.move]]: a level change for a stretch of one song; times from the song's start."""

    name: str
    from_s: float
    to_s: float
    level_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SongNote:
    """What somebody of the band has noted about a moment of a song."""

    at_s: float
    who: str
    says: str


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
    families: tuple[FamilyWish, ...] = ()
    moves: tuple[MoveWish, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Recipe:
    """Contents of a recipe file, with what is usual for the band and then defaults filled in."""

    path: Path | None
    """The recipe's file; None while there is none yet."""
    tracks: Path
    """Folder with the raw tracks, absolute."""
    title: str
    target: TargetPreset
    band: str | None = None
    date: str | None = None
    """Date of the rehearsal, ISO 8601. Band and date are for shared files."""
    defaults: Defaults = field(default_factory=Defaults)
    inputs: tuple[InputWish, ...] = ()
    families: tuple[FamilyWish, ...] = ()
    songs: tuple[SongWish, ...] = ()
    usual: Band = NOTHING_USUAL
    """What the band has taught."""
