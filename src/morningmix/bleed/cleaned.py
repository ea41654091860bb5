"""Read cleaned microphones from the cache: their sound and its measurements."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from morningmix.model.measured import Cleaned
from morningmix.model.recording import Part, Recording, Take
from morningmix.storage.cache import beside, is_whole
from morningmix.storage.records import read_record


def read_all_cleaned(paths: Mapping[int, Path], take: Take, *, sound: bool = True) -> dict[int, Cleaned] | None:
    """Cleaned microphones from the cache; None unless all are there."""
    found = {
        target: _cached(path, take, take.recordings[target].channels, sound=sound) for target, path in paths.items()
    }
    cached = {target: cleaned for target, cleaned in found.items() if cleaned is not None}
    return cached if len(cached) == len(found) else None


def sound_recording(path: Path, take: Take, channels: int) -> Recording:
    """The cached sound as a recording: raw float32 samples without a header."""
    part = Part(
        path=path,
        rate_hz=take.rate_hz,
        channels=channels,
        frames=take.frames,
        subtype="FLOAT",
        embedded_name=None,
        data_offset_bytes=0,
    )
    return Recording(lanes=((part,),))


def fractions_of_total(powers: Mapping[int, float]) -> tuple[tuple[int, float], ...]:
    """Each power as a fraction of the total, largest first, without zeros."""
    total = sum(powers.values())
    found = sorted(((power / total, other) for other, power in powers.items() if power > 0.0), reverse=True)
    return tuple((other, round(fraction, 4)) for fraction, other in found)


def _cached(path: Path, take: Take, channels: int, *, sound: bool) -> Cleaned | None:
    """The cached microphone if its entries are intact; the sound itself is only checked if `sound` is true."""
    cleaned = read_record(beside(path, "cleaned"), Cleaned, {"sound": sound_recording(path, take, channels)})
    return cleaned if not sound or is_whole(path, 4 * channels * take.frames) else None
