"""One mix of a song as it was written: mix, stems and recall sheet, measured to be compared with another."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.dsp.bands import BandMeter, band_edges_hz, band_hop_frames
from morningmix.dsp.control import loudness_hop_frames
from morningmix.dsp.meter import KWeighting, LoudnessMeter
from morningmix.errors import RecordingsError
from morningmix.files.findings import FINDINGS, read_findings
from morningmix.files.recall import Recall
from morningmix.files.role_names import GUESS
from morningmix.laws.track_power import spans_to_mask
from morningmix.model.names import plain
from morningmix.report.two_mixes import Played
from morningmix.units import powers_db

HOP_S = 0.1
OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
_BLOCK_HOPS = 20

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """A song folder, measured."""

    folder: Path
    recall: Recall
    when: str | None
    """When it was played, ISO 8601; None if unknown."""
    loudness_lufs: float | None
    seconds: float
    balance_lu: Mapping[str, float]
    """Loudness of each family re the mix, over the stretches in which the plan judges it."""
    octaves_db: Mapping[float, float]
    """Level of each octave band re the loudness of the mix."""

    @property
    def played(self) -> Played:
        """What a band compares."""
        recall = self.recall
        return Played(
            plan=recall.plan,
            tempo=recall.tempo,
            seconds=self.seconds,
            balance_lu=self.balance_lu,
            levels_lu=recall.levels_lu,
        )


def title_key(title: str) -> str:
    """What songs of the same title have in common; a title that nobody has confirmed yet counts too."""
    return plain(title.removesuffix(GUESS))


def measure(folder: Path, recall: Recall) -> Version:
    """Measure a song folder. Raises `RecordingsError` where a file of it is missing or cannot be read."""
    files = [folder / file for file in (recall.mix.file, *recall.stems)]
    for file in files:
        if not file.exists():
            raise RecordingsError(f"{file} is missing. Mix {recall.title} again, or put the file back.")
    mix, stems = files[0], files[1:]
    recording = read_file(mix)
    rate_hz = recording.rate_hz
    meter, bands = LoudnessMeter(rate_hz, recording.channels), BandMeter(rate_hz, recording.channels)
    spectrum = np.zeros(len(band_edges_hz(rate_hz)) - 1)
    with open_recording(recording, rate_hz) as reader:
        for start in range(0, recording.frames, _BLOCK_HOPS * loudness_hop_frames(rate_hz)):
            block = reader.read(min(_BLOCK_HOPS * loudness_hop_frames(rate_hz), recording.frames - start))
            meter.update(block)
            spectrum += bands.update(block).sum(axis=1, dtype=np.float64)
    spectrum += bands.finish().sum(axis=1, dtype=np.float64)
    whole = _powers(mix)
    goals = {goal.family: goal.where_s for goal in recall.plan.goals}
    balance = {}
    for stem in stems:
        powers = _powers(stem)
        where = spans_to_mask(goals.get(stem.stem, ()), len(powers), HOP_S)
        where = where if where.any() else np.ones(len(powers), np.bool_)
        of_stem, of_whole = float(powers[where].sum()), float(whole[: len(powers)][where].sum())
        if of_stem > 0.0 and of_whole > 0.0:
            balance[stem.stem] = 10.0 * float(np.log10(of_stem / of_whole))
    loudness = meter.result().integrated_lufs
    return Version(
        folder=folder,
        recall=recall,
        when=_when(folder),
        loudness_lufs=loudness,
        seconds=recording.frames / rate_hz,
        balance_lu=balance,
        octaves_db=_octaves(spectrum, rate_hz, recording.frames, loudness),
    )


def _when(song: Path) -> str | None:
    """When the rehearsal of a song folder was."""
    found = next((place / FINDINGS for place in song.parents[:3] if (place / FINDINGS).exists()), None)
    then = None if found is None else read_findings(found)
    return None if then is None else then.when


def _powers(path: Path) -> Array:
    """K-weighted power of a file per 0.1 s, channels added."""
    recording = read_file(path)
    rate_hz = recording.rate_hz
    hop = loudness_hop_frames(rate_hz)
    weighting = KWeighting(rate_hz, recording.channels)
    parts = []
    with open_recording(recording, rate_hz) as reader:
        for start in range(0, recording.frames // hop * hop, _BLOCK_HOPS * hop):
            count = min(_BLOCK_HOPS * hop, recording.frames // hop * hop - start)
            weighted = weighting.process(reader.read(count))
            parts.append((weighted**2).sum(axis=0).reshape(-1, hop).mean(axis=1))
    return np.concatenate(parts) if parts else np.zeros(0)


def _octaves(spectrum: Array, rate_hz: int, frames: int, loudness_lufs: float | None) -> dict[float, float]:
    """Octave levels of a summed spectrum ``(bands,)`` re the loudness, each band counted where its middle lies."""
    if loudness_lufs is None or not frames:
        return {}
    edges = band_edges_hz(rate_hz)
    octave = np.floor(np.log2(np.sqrt(edges[:-1] * edges[1:]) / OCTAVES_HZ[0]) + 0.5)
    mean = spectrum / (frames / band_hop_frames(rate_hz))
    levels = {hz: float(mean[octave == place].sum()) for place, hz in enumerate(OCTAVES_HZ)}
    return {hz: float(powers_db(np.array([power]))[0]) - loudness_lufs for hz, power in levels.items() if power > 0.0}
