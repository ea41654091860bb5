"""What a band teaches once for all its rehearsals: its inputs, its usual settings and its set list."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from morningmix.model.names import plain


@dataclass(frozen=True, slots=True, kw_only=True)
class Usual:
    """One setting that is usual for a band, and where that is written."""

    key: str
    """As in the recipe: ``level_db``, ``role``."""
    value: float | str | bool
    whose: str
    """In words: "this input", "the drums"."""
    file: str
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualInput:
    """What is usual for one input, its name, role and player among it."""

    files: tuple[str, ...]
    settings: tuple[Usual, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class UsualFamily:
    """What is usual for one family."""

    name: str
    settings: tuple[Usual, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SetListSong:
    """One song of the set list."""

    title: str
    tempo_bpm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """What a band has taught; empty where it has taught nothing."""

    path: Path | None = None
    """The band.toml that counts."""
    input_list: Path | None = None
    """The inputs.toml that lies nearer, if one does: names, roles and players come from there."""
    name: str | None = None
    inputs: tuple[UsualInput, ...] = ()
    families: tuple[UsualFamily, ...] = ()
    songs: tuple[SetListSong, ...] = ()

    def of_input(self, files: Iterable[str]) -> tuple[Usual, ...]:
        """What is usual for the input with one of these files."""
        return next((one.settings for one in self.inputs if not set(one.files).isdisjoint(files)), ())

    def of_family(self, name: str) -> tuple[Usual, ...]:
        """What is usual for a family."""
        return next((one.settings for one in self.families if one.name == name), ())

    def tempo_of(self, title: str) -> float | None:
        """The tempo in the set list of a song whose title is this, or is guessed to be; None where it says none."""
        titles = {plain(title), plain(title.removesuffix("?"))}
        return next((one.tempo_bpm for one in self.songs if plain(one.title) in titles), None)


NOTHING_USUAL = Band()
