"""What the recipe asks for. None: not said, so decided."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import Literal

from morningmix.model.presets import TargetPreset

BleedMethod = Literal["full", "mask", "gate", "off"]
Switch = Literal["auto", "off"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InputWish:
    """What recipe and input list say of one input, the recipe's [defaults] among it. None: not said, so decided."""

    files: tuple[str, ...]
    called: str | None = None
    """What the recipe's songs call it; None: the recipe does not list it."""
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
    bleed: BleedMethod = "full"
    compress: Switch = "auto"
    eq: Switch = "auto"
    high_pass: Switch = "auto"
    align: Switch = "auto"
    repair: Switch = "auto"


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

    def fill(self, wish: InputWish) -> InputWish:
        """An input that says nothing of its own about any of these."""
        return replace(wish, **asdict(self))


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
