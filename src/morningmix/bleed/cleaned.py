"""Cleaned microphones: measured, read from the cache, and put together from the stretches of a take."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.bleed.stretch import Stretch
from morningmix.errors import OutputError
from morningmix.measure.take import slots_of
from morningmix.model.measured import Cleaned, CleanedStretch
from morningmix.model.recording import Recording
from morningmix.model.slots import Slots
from morningmix.storage.cache import beside, is_whole
from morningmix.storage.records import read_record, write_record


def read_cleaned(path: Path, sound: Recording, *, check_sound: bool) -> CleanedStretch | None:
    """A cleaned microphone from the cache if its entries are intact; the sound only counts with `check_sound`."""
    cleaned = read_record(beside(path, "cleaned"), CleanedStretch, {"sound": sound})
    if cleaned is None or not check_sound:
        return cleaned
    whole = all(is_whole(part.path, 4 * part.channels * part.frames) for part in sound.parts)
    return cleaned if whole else None


def finish_cleaned(
    stretch: Stretch, target: int, *, sources: Mapping[int, float] | None, clear_db: NDArray[np.float32]
) -> CleanedStretch:
    """Measure the cleaned sound of a microphone, and keep the measurements beside it.

    `sources` is the power of the subtracted bleed by input, None where none was subtracted. Raises `OutputError`.
    """
    sound, sounds = stretch.clean(target), stretch.sounds
    cleaned = CleanedStretch(
        sound=sound,
        subtracted=sources is not None,
        bleed_sources=fractions_of_total(sources or {}),
        slots=slots_of(sound, sounds.take, sounds.first_frame, sounds.frames),
        hop_s=stretch.store.hop_s,
        clear_db=clear_db,
    )
    write_record(beside(stretch.path(target), "cleaned"), cleaned, ("sound",))
    # Read back, because what is mixed must be what the next run finds.
    kept = read_cleaned(stretch.path(target), sound, check_sound=True)
    if kept is None:
        raise OutputError(f"What was just written to {stretch.cache} cannot be read back; the disk failed.")
    return kept


def fractions_of_total(powers: Mapping[int, float]) -> tuple[tuple[int, float], ...]:
    """Each power as a fraction of the total, largest first, without zeros."""
    total = sum(powers.values())
    found = sorted(((power / total, other) for other, power in powers.items() if power > 0.0), reverse=True)
    return tuple((other, round(fraction, 4)) for fraction, other in found)


def over_take(
    stretches: Sequence[tuple[tuple[float, float], CleanedStretch]], recorded: Slots, slot_s: float, hops: int
) -> Cleaned:
    """One microphone over its whole take of `hops` hops, from at least one stretch by start and end in seconds."""
    slots = recorded
    clear_db = np.full(hops, -1.0, np.float32)
    hop_s = stretches[0][1].hop_s
    sources: dict[int, float] = {}
    for (start_s, end_s), cleaned in stretches:
        slots = slots.replaced(round(start_s / slot_s), cleaned.slots)
        first = round(start_s / hop_s)
        clear_db[first : first + len(cleaned.clear_db)] = cleaned.clear_db
        for other, fraction in cleaned.bleed_sources:
            sources[other] = sources.get(other, 0.0) + fraction * (end_s - start_s)
    return Cleaned(
        sounds=tuple((stretch_s, cleaned.sound) for stretch_s, cleaned in stretches),
        subtracted=any(cleaned.subtracted for _, cleaned in stretches),
        bleed_sources=fractions_of_total(sources),
        slots=slots,
        hop_s=hop_s,
        clear_db=clear_db,
    )
