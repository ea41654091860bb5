"""Two versions of a song side by side, at the same loudness: how long, how loud what is in it, how bright.

Reads what was written: mix, stems and recall sheets. Writes nothing.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.dsp.bands import BandMeter, band_edges_hz, band_hop_frames
from morningmix.dsp.control import loudness_hop_frames
from morningmix.dsp.meter import KWeighting, LoudnessMeter
from morningmix.errors import RecordingsError, UsageError
from morningmix.files.recall import Recall, read_sheets, unsaid
from morningmix.laws.track_power import spans_to_mask
from morningmix.model.names import plain
from morningmix.report.words import loudness_in_words
from morningmix.storage.home import MIXES, RECALL, RECIPE
from morningmix.storage.song_folders import finish_swaps, song_sheets
from morningmix.storage.text import read_text
from morningmix.units import powers_db

HOP_S = 0.1
HEARD_LU = 1.0
"""About the just noticeable difference (AES TD1008.1.21-9, 2021)."""
OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
_BLOCK_HOPS = 20

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Version:
    """A song folder, measured."""

    folder: Path
    recall: Recall
    loudness_lufs: float | None
    seconds: float
    balance_lu: Mapping[str, float]
    """Loudness of each family re the mix, over the stretches in which the plan judges it."""
    octaves_db: Mapping[float, float]
    """Level of each octave band re the loudness of the mix."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Differences between two versions of a song."""

    title: str
    before: Version
    after: Version
    balance_lu: tuple[tuple[str, float | None], ...]
    """Family, and how much louder it is in the second at the same loudness of the whole; None: only in one."""
    octaves_db: tuple[tuple[float, float], ...]
    """Octave, and how much louder it is in the second."""
    planned: tuple[str, ...]
    """Decisions that differ, in words."""

    @property
    def says(self) -> str:
        """The first line: what differs most."""
        in_both = [(family, by) for family, by in self.balance_lu if by is not None]
        most = max(in_both, key=lambda each: abs(each[1]), default=None)
        if most is not None and abs(most[1]) >= HEARD_LU:
            more = "louder" if most[1] > 0.0 else "quieter"
            clearly = "clearly" if abs(most[1]) >= 2.0 * HEARD_LU else "a little"
            are = "is" if most[0] in ("bass", "playback") else "are"
            return f'"{self.title}": in the second mix the {most[0]} {are} {clearly} {more} ({abs(most[1]):.1f} dB).'
        lone = [family for family, by in self.balance_lu if by is None]
        if lone:
            return f'"{self.title}": only one of the mixes has {", ".join(lone)}; the balance of the rest is the same.'
        bright = max(self.octaves_db, key=lambda each: abs(each[1]), default=None)
        if bright is not None and abs(bright[1]) >= 2.0 * HEARD_LU:
            more = "louder" if bright[1] > 0.0 else "quieter"
            where = f"around {bright[0]:.0f} Hz the second mix is {more} ({abs(bright[1]):.1f} dB)"
            return f'"{self.title}": the balance is the same, but {where}.'
        return f'"{self.title}": no audible difference (under {HEARD_LU:.0f} dB in every stem, at the same loudness).'


def compare(first: Path, second: Path, skipped: Callable[[str], None] = unsaid) -> tuple[list[Compared], list[str]]:
    """Songs that are in both, and lines about those that are in one only.

    Each argument is a mix folder, its recipe, a song folder or a recall sheet. `skipped` receives a line about each
    song whose sheet cannot be read. Raises `UsageError`, `RecipeError`, `RecordingsError`.
    """
    unread: list[str] = []
    firsts, seconds = (
        {plain(recall.title): (folder, recall) for folder, recall in _songs(path, unread.append)}
        for path in (first, second)
    )
    for line in unread:
        skipped(line)
    if len(firsts) == len(seconds) == 1 and not unread:
        pairs = [(next(iter(firsts.values())), next(iter(seconds.values())))]
        alone: list[str] = []
    else:
        pairs = [(firsts[title], seconds[title]) for title in firsts if title in seconds]
        alone = [
            f'"{recall.title}" is only in {where}.'
            for where, mine, others in ((first, firsts, seconds), (second, seconds, firsts))
            for title, (_, recall) in mine.items()
            if title not in others
        ]
    if not pairs:
        raise UsageError(f"No song is in both {first} and {second}. " + " ".join(alone))
    return [differences(measure(*before), measure(*after)) for before, after in pairs], alone


def _songs(path: Path, skipped: Callable[[str], None]) -> list[tuple[Path, Recall]]:
    """Song folders and their sheets."""
    finish_swaps(path)
    if not path.exists():
        raise UsageError(f"There is no {path}.")
    folder = path if path.is_dir() else path.parent
    is_song = (folder / RECALL).exists()
    sheets = [folder / RECALL] if is_song else song_sheets(folder / MIXES) or song_sheets(folder)
    if not sheets:
        raise UsageError(f"{path} holds no mix. Give a mix folder, its recipe, or one song's folder.")
    return [(sheet.parent, recall) for sheet, recall in read_sheets(sheets, skipped)]


def recipe_lines(first: Path, second: Path) -> list[str]:
    """Lines that differ between the recipes of two mix folders, without comments; none where both share a recipe."""
    texts = []
    for path in (first, second):
        folder = path if path.is_dir() else path.parent
        recipe = next((above / RECIPE for above in (folder, *folder.parents[:3]) if (above / RECIPE).exists()), None)
        if recipe is None:
            return []
        texts.append((recipe, read_text(recipe).splitlines()))
    (old_recipe, before), (new_recipe, after) = texts
    if old_recipe.samefile(new_recipe):
        return []
    ours, theirs = _with_content(before), _with_content(after)
    differing = []
    matcher = difflib.SequenceMatcher(None, [line for _, line in ours], [line for _, line in theirs], autojunk=False)
    for tag, a, b, c, d in matcher.get_opcodes():
        if tag != "equal":
            differing += [f"first, line {number}: {line}" for number, line in ours[a:b]]
            differing += [f"second, line {number}: {line}" for number, line in theirs[c:d]]
    return differing


def _with_content(lines: Sequence[str]) -> list[tuple[int, str]]:
    """Number and text of every line with content, followed by the name of what it belongs to."""
    found: list[tuple[int, int, str]] = []
    names: dict[int, str] = {}
    table = 0
    for number, line in enumerate(lines, 1):
        content = line.split(" #")[0].strip()
        if content.startswith("["):
            table = number
        elif name := re.match(r'(?:name|title)\s*=\s*"(.*)"', content):
            names[table] = name[1]
        if content and not content.startswith("#"):
            found.append((number, table, content))
    return [
        (number, f"{content}  ({names[table]})" if table in names and not content.startswith("[") else content)
        for number, table, content in found
    ]


# ---------------------------------------------------------------- reading


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
        loudness_lufs=loudness,
        seconds=recording.frames / rate_hz,
        balance_lu=balance,
        octaves_db=_octaves(spectrum, rate_hz, recording.frames, loudness),
    )


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


# ---------------------------------------------------------------- comparing


def differences(before: Version, after: Version) -> Compared:
    """Differences, the second less the first."""
    families = dict.fromkeys((*before.balance_lu, *after.balance_lu))
    return Compared(
        title=before.recall.title,
        before=before,
        after=after,
        balance_lu=tuple(
            (
                family,
                round(after.balance_lu[family] - before.balance_lu[family], 2)
                if family in before.balance_lu and family in after.balance_lu
                else None,
            )
            for family in families
        ),
        octaves_db=tuple(
            (hz, round(after.octaves_db[hz] - level, 2))
            for hz, level in before.octaves_db.items()
            if hz in after.octaves_db
        ),
        planned=_planned(before.recall, after.recall),
    )


def _planned(before: Recall, after: Recall) -> tuple[str, ...]:
    """Decisions about inputs of the same name that differ."""
    changes = []
    if before.master.target_lufs != after.master.target_lufs:
        targets = (loudness_in_words(sheet.master.target_lufs) for sheet in (before, after))
        changes.append(f"aims at: {', then '.join(targets)}")
    others = {plain(track.name): track for track in after.plan.tracks}
    for track in before.plan.tracks:
        other = others.pop(plain(track.name), None)
        if other is None:
            changes.append(f"{track.name}: only in the first")
            continue
        if track.role != other.role:
            changes.append(f"{track.name}: {track.role}, then {other.role}")
        if track.sounds != other.sounds:
            changes.append(f"{track.name}: {'left out of' if track.sounds else 'only in'} the second")
        elif track.sounds:
            for what, was, now, unit in (
                ("fader", track.fader_db + track.gain_db, other.fader_db + other.gain_db, " dB"),
                ("pan", track.pan, other.pan, ""),
            ):
                if abs(now - was) >= 0.05:
                    changes.append(f"{track.name}: {what} {was:+.1f}{unit}, then {now:+.1f}{unit}")
    changes += [f"{track.name}: only in the second" for track in others.values()]
    return tuple(changes)


def in_words(compared: Compared, *, with_plans: bool) -> list[str]:
    """The comparison in words, the main point first."""
    versions = (compared.before, compared.after)
    lengths = [f"{version.seconds // 60:.0f}:{version.seconds % 60:04.1f}" for version in versions]
    lines = [
        compared.says,
        f"  Length: {lengths[0]}, then {lengths[1]}",
        f"  As mixed: {', then '.join(loudness_in_words(version.loudness_lufs) for version in versions)}",
        "  The second mix against the first, both at the same loudness:",
    ]
    lines += [
        f"    {family:10} only in one of them" if by is None else f"    {family:10} {by:+5.1f} dB"
        for family, by in compared.balance_lu
    ]
    octaves = "  ".join(f"{_hertz(hz)} {by:+.1f}" for hz, by in compared.octaves_db)
    lines.append(f"    from lows to highs (Hz, dB): {octaves}")
    if with_plans:
        lines += [f"  {line}" for line in compared.planned]
    return [line.replace("\N{MINUS SIGN}", "-") for line in lines]


def _hertz(hz: float) -> str:
    return f"{hz / 1000:g}k" if hz >= 1000.0 else f"{hz:g}"


def as_facts(compared: Sequence[Compared]) -> list[dict[str, object]]:
    """The comparison for programs."""
    return [
        {
            "title": song.title,
            "says": song.says,
            "first": str(song.before.folder),
            "second": str(song.after.folder),
            "loudness_lufs": [song.before.loudness_lufs, song.after.loudness_lufs],
            "seconds": [round(song.before.seconds, 3), round(song.after.seconds, 3)],
            "balance_lu": dict(song.balance_lu),
            "octaves_db": {f"{hz:g}": by for hz, by in song.octaves_db},
            "planned": list(song.planned),
        }
        for song in compared
    ]
