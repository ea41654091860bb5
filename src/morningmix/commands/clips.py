"""Where clips of a camera lie in a rehearsal: `film --find`, and the first half of `film`. Nothing is written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from threadpoolctl import threadpool_limits

from morningmix.analysis.analyse import look
from morningmix.audio.header import read_file
from morningmix.audio.takes import take_of
from morningmix.commands.order import Callbacks, Order, source_of
from morningmix.film.arrivals import between
from morningmix.film.clip import Clip, open_clip
from morningmix.film.line_up import WORTH_A_CLOSER_LOOK, by_the_clock, envelope_of, line_up
from morningmix.film.room import Room, room_of
from morningmix.film.sounds import of_clip, together
from morningmix.model.film import Lined
from morningmix.model.recipe import Recipe
from morningmix.model.recording import Recording, Take
from morningmix.storage.home import Home, home_of, real_place

_MOST_INPUTS = 10
"""That are added up to be compared with a clip: more take longer and say no more."""
_NOT_IN_THE_ROOM = {"click", "desk mix", "playback"}
"""Roles that tell nothing about the evening: a click is in headphones, and playback is the same every time."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filmed:
    """What clips are compared with: the takes of a rehearsal, or a mix alone."""

    home: Home | None
    """None for a mix alone."""
    takes: tuple[Take, ...]
    recipe: Recipe | None = None

    def heard(self, take: Take) -> tuple[Recording, ...]:
        """Inputs that a camera in the room hears too, `_MOST_INPUTS` at most, from all over the desk."""
        wishes = self.recipe.inputs if self.recipe else ()
        silent = {file for wish in wishes if wish.role in _NOT_IN_THE_ROOM for file in wish.files}
        inputs = [recording for recording in take.recordings if not silent.intersection(recording.files)]
        inputs = inputs or list(take.recordings)
        return tuple(inputs[:: -(-len(inputs) // _MOST_INPUTS)])


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """A clip, and where it lies in which take."""

    clip: Clip
    take: Take
    lined: Lined


def filmed(order: Order) -> Filmed:
    """What the order's source means: a mix folder, a recipe, a folder of raw tracks, or a mix (a sound file).

    Raises `UsageError`, `RecipeError`, `RecordingsError`.
    """
    place = real_place(order.cwd / order.source)
    if place.is_file() and place.suffix.lower() not in (".toml", ".json"):
        return Filmed(home=None, takes=(take_of(place.parent, (read_file(place),)),))
    source = source_of(order)
    home = home_of(source, order.cwd, order.out)
    recipe, takes = look(source, home)
    return Filmed(home=home, takes=takes, recipe=recipe)


def find_clips(what: Filmed, clips: Sequence[Path], callbacks: Callbacks) -> list[Found]:
    """Where each clip lies, in the take that it fits best.

    Raises `RecordingsError` for a clip that cannot be read, `UsageError` without PyAV.
    """
    opened = [open_clip(path) for path in clips]
    sounds = []
    for take in what.takes:
        callbacks.progress("listening to the take", 0.0)
        sound = together(take, what.heard(take))
        sounds.append((take, sound, envelope_of(sound)))
    rooms: dict[str, Room | None] = {}
    found = []
    for place, clip in enumerate(opened):
        callbacks.progress(f"looking for {clip.name}", (place + 1) / (len(opened) + 1))
        sound = of_clip(clip)
        lined = [(take, line_up(str(clip.path), sound, of_take, envelope)) for take, of_take, envelope in sounds]
        take, best = max(lined, key=lambda each: each[1].confidence)
        if best.confidence >= WORTH_A_CLOSER_LOOK:
            inputs = [together(take, (recording,)) for recording in what.heard(take)]
            with threadpool_limits(1):
                if take.name not in rooms:
                    rooms[take.name] = room_of(between(inputs))
                best = by_the_clock(best, sound, inputs, rooms[take.name])
        found.append(Found(clip=clip, take=take, lined=best))
    return found


def place_facts(found: Found) -> dict[str, object]:
    """A clip's place for a program to read."""
    return {**asdict(found.lined), "take": found.take.name}
