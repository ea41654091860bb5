"""One input with everything that is known of it."""

from __future__ import annotations

from dataclasses import dataclass

from morningmix.model.measured import AlignmentFacts, Cleaned, GainStep, TrackFacts
from morningmix.model.names import plain
from morningmix.model.presets import RolePreset
from morningmix.model.recipe import InputWish
from morningmix.model.slots import Slots


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
    gain_step: GainStep | None = None
    cleaned: Cleaned | None = None
    """What is mixed in its place; the slots of `facts` are then those of the cleaned sound."""
    recorded: Slots | None = None
    """The slots with the bleed, where `facts` holds those without."""

    def is_called(self, name: str) -> bool:
        """Whether a song of the recipe means this input by that name.

        Where the recipe gives it no name, that is its file's name, whatever it is called in the mix.
        """
        return self.wish.called is not None and plain(self.wish.called) == plain(name)
