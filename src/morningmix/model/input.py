"""One input with everything known about it."""

from __future__ import annotations

from dataclasses import dataclass

from morningmix.model.measured import AlignmentFacts, Cleaned, GainStep, TrackFacts
from morningmix.model.names import plain
from morningmix.model.presets import RolePreset
from morningmix.model.recipe import InputWish
from morningmix.model.slots import Slots


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One input: what was recorded, measured, guessed and asked for."""

    index: int
    """Position in `Take.recordings` and `Measurements.tracks`."""
    name: str
    role: str
    role_is_guess: bool
    role_because: str
    role_source: str
    preset: RolePreset
    wish: InputWish
    facts: TrackFacts
    role_place: str | None = None
    """The line of band.toml or inputs.toml that says its role, if one does."""
    alignment: AlignmentFacts | None = None
    gain_step: GainStep | None = None
    only_bleed: bool = False
    """It recorded only the other inputs: an amplifier that nobody played."""
    cleaned: Cleaned | None = None
    """The cleaned sound, which is mixed instead; the slots of `facts` are then measured from it."""
    recorded: Slots | None = None
    """Slots of the recording with bleed, where `facts` holds those of the cleaned sound."""

    def is_called(self, name: str) -> bool:
        """Whether the recipe's songs mean this input by that name: its own there, or else its file's."""
        return self.wish.called is not None and plain(self.wish.called) == plain(name)
