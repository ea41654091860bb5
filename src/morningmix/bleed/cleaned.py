"""Cleaned microphones in the cache: their sound, and what was measured of it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from morningmix.model.measured import Cleaned
from morningmix.model.recording import Part, Recording, Take
from morningmix.storage.cache import beside, is_whole
from morningmix.storage.records import read_record


def read_all_cleaned(paths: Mapping[int, Path], take: Take, *, sound: bool = True) -> dict[int, Cleaned] | None:
    """Cleaned microphones from the cache; None unless all of them are there."""
    found = {target: _kept(path, take, take.recordings[target].channels, sound=sound) for target, path in paths.items()}
    kept = {target: one for target, one in found.items() if one is not None}
    return kept if len(kept) == len(found) else None


def sound_recording(path: Path, take: Take, channels: int) -> Recording:
    """Plain float32 samples, no header."""
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
    """Shares of a total, the largest first, without those that are nothing."""
    total = sum(powers.values())
    found = sorted(((power / total, other) for other, power in powers.items() if power > 0.0), reverse=True)
    return tuple((other, round(share, 4)) for share, other in found)


def _kept(path: Path, take: Take, channels: int, *, sound: bool) -> Cleaned | None:
    """What was made before, where it can be believed: what was measured of it, and the `sound` if that is wanted."""
    cleaned = read_record(beside(path, "cleaned"), Cleaned, {"sound": sound_recording(path, take, channels)})
    return cleaned if not sound or is_whole(path, 4 * channels * take.frames) else None
