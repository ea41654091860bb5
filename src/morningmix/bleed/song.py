"""Clean the microphones of a song: first those in front of people, then the kit's, by what is left of them."""

from __future__ import annotations

from collections.abc import Sequence

from morningmix.bleed.clean import VOICE_COST, clean_voices
from morningmix.bleed.cleaned import read_cleaned
from morningmix.bleed.kit import KIT_COST, clean_kit
from morningmix.bleed.stretch import Stretch
from morningmix.model.measured import CleanedStretch
from morningmix.model.plan import Cleaning
from morningmix.workers.jobs import Lane


def cleaning_cost(cleaning: Cleaning) -> float:
    """Seconds of one core per second of a song."""
    return VOICE_COST * len(cleaning.targets) + KIT_COST * len(cleaning.kit)


def clean_song(stretches: Sequence[Stretch], lane: Lane) -> dict[int, CleanedStretch]:
    """Cleaned microphones by `Input.index`, made now unless the cache has them; `stretches` in order.

    Raises `RecordingsError` and `OutputError`.
    """
    found: dict[int, CleanedStretch] = {}
    for stretch in stretches:
        cleaned = _read(stretch, check_sound=True)
        if cleaned is not None:
            cost = KIT_COST if stretch.is_kit else VOICE_COST
            lane.run.meter.did(cost * stretch.seconds * len(stretch.targets))
        else:
            cleaned = (clean_kit if stretch.is_kit else clean_voices)(stretch, lane)
        found |= cleaned
    return found


def read_song(stretches: Sequence[Stretch]) -> dict[int, CleanedStretch] | None:
    """Cleaned microphones by `Input.index`; None unless the cache has all of them. Their sound is not checked."""
    found: dict[int, CleanedStretch] = {}
    for stretch in stretches:
        cleaned = _read(stretch, check_sound=False)
        if cleaned is None:
            return None
        found |= cleaned
    return found


def _read(stretch: Stretch, *, check_sound: bool) -> dict[int, CleanedStretch] | None:
    found: dict[int, CleanedStretch] = {}
    for target, _ in stretch.targets:
        cleaned = read_cleaned(stretch.path(target), stretch.clean(target), check_sound=check_sound)
        if cleaned is None:
            return None
        found[target] = cleaned
    return found
