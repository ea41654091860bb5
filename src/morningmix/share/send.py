"""Pack a mix folder for sharing: each song as a tagged file and as a page, and a page that lists them."""

from __future__ import annotations

import shutil
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import islice
from pathlib import Path
from typing import Literal

import numpy as np

from morningmix.audio.decode import decoded
from morningmix.audio.encode import encode_mp3
from morningmix.audio.header import read_file
from morningmix.audio.read import open_recording
from morningmix.audio.tags import Tags, tag
from morningmix.audio.write import IntegerWriter
from morningmix.dsp.control import loudness_hop_frames
from morningmix.dsp.dither import Dither
from morningmix.dsp.truepeak import TruePeak
from morningmix.errors import RecordingsError, UsageError
from morningmix.files.notes import notes_in
from morningmix.files.recall import Recall, read_sheets, unsaid
from morningmix.files.recipe import read_recipe
from morningmix.model.names import name_as_text, plain
from morningmix.model.plan import TrackPlan
from morningmix.model.recipe import Recipe, SongNote
from morningmix.model.recording import Recording
from morningmix.render.inputs import HEADROOM_DB
from morningmix.report import pictures
from morningmix.report.numbers import RHYTHM, VOCALS, Array, ridges
from morningmix.share.index_page import Listed, index_page
from morningmix.share.inputs import parts_of
from morningmix.share.packing import INDEX, packing
from morningmix.share.picture import draw
from morningmix.share.pieces import cut
from morningmix.share.song_page import SongToHear, song_page
from morningmix.storage.home import (
    CACHE,
    MIXES,
    RECIPE,
    Home,
    output_errors,
    path_of,
    real_place,
    refuse_inside,
    safe_name,
)
from morningmix.storage.lock import locked
from morningmix.storage.song_folders import recover, song_sheets
from morningmix.storage.text import read_text
from morningmix.units import Block, amplitude_db, db_to_gain

Kind = Literal["mp3", "flac"]
SHARE = "share"
PAGE = ".listen.html"
_AT_A_TIME = 2
"""Songs: while one is encoded, which leaves Python alone, the next is rendered."""
_BLOCK_HOPS = 20
_UNDER_DB = 0.1
_BITS: Literal[16] = 16
"""Bit depth of a FLAC file: enough for listening, at half the size."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shared:
    """One file that is ready to send."""

    title: str
    file: Path
    peak_dbtp: float | None
    """True peak of what a player decodes."""
    lowered_db: float
    """How much it was turned down because encoding raised its peaks over full scale."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Evening:
    """What all songs of a rehearsal share."""

    title: str
    band: str | None
    date: str | None
    songs: int
    recipe_text: str
    cache: Path
    kind: Kind


def share(
    source: Path,
    out: Path | None,
    kind: Kind,
    progress: Callable[[str, float], None],
    skipped: Callable[[str], None] = unsaid,
) -> tuple[Path, list[Shared]]:
    """Fill the folder `share` of a mix folder (or `out`) from scratch. Returns the folder and its files.

    `source` is a mix folder or its recipe. `skipped` receives a line about each song whose recall sheet cannot be
    read, and about each whose page has a fader for each family only.
    Raises `UsageError`, `RecipeError`, `RecordingsError`, `OutputError`, `BusyError`.
    """
    root = real_place(source if source.is_dir() else source.parent)
    home = Home(root=root, mixes=root / MIXES, recipe=root / RECIPE, cache=root / CACHE)
    if not home.mixes.is_dir():
        raise UsageError(_nothing_in(root))
    with locked(home):
        recover(home)
        return _share(root, out, kind, progress, skipped)


def _nothing_in(home: Path) -> str:
    return f"Nothing is mixed yet in {home}. First: morningmix mix FOLDER."


def _share(
    home: Path, out: Path | None, kind: Kind, progress: Callable[[str, float], None], skipped: Callable[[str], None]
) -> tuple[Path, list[Shared]]:
    sheets = song_sheets(home / MIXES)
    if not sheets:
        raise UsageError(_nothing_in(home))
    recipe = read_recipe(home / RECIPE) if (home / RECIPE).exists() else None
    recipe_text = read_text(home / RECIPE) if recipe else ""
    songs = _wanted([(sheet.parent, recall) for sheet, recall in read_sheets(sheets, skipped)], recipe)
    title = recipe.title if recipe else name_as_text(home.name).removesuffix(" mix")
    band, date = (recipe.band, recipe.date) if recipe else (None, None)
    folder = home / SHARE if out is None else out if out.is_symlink() else real_place(out)
    for tracks in [recipe.tracks] if recipe else [path_of(recall.tracks_folder, song) for song, recall in songs]:
        refuse_inside(Home(root=folder, mixes=folder, recipe=folder, cache=folder), tracks)
    evening = _Evening(
        title=title,
        band=band,
        date=date,
        songs=len(songs),
        recipe_text=recipe_text,
        cache=home / CACHE,
        kind=kind,
    )
    shared, listed = [], []
    with packing(folder) as draft, ThreadPoolExecutor(_AT_A_TIME) as pool:
        numbered = enumerate(songs, 1)
        # The first ones only: a program that is stopped still finishes whatever has been handed to its threads.
        begun = deque(pool.submit(_packed, evening, *song, draft) for song in islice(numbered, _AT_A_TIME))
        for done, (_, recall) in enumerate(songs):
            progress(f"packing {recall.title}", done / len(songs))
            one, entry, families_only = begun.popleft().result()
            begun.extend(pool.submit(_packed, evening, *song, draft) for song in islice(numbered, 1))
            for line in families_only:
                skipped(line)
            shared.append(replace(one, file=folder / one.file.name))
            listed.append(entry)
        with output_errors(draft):
            (draft / INDEX).write_text(index_page(title, band, date, listed), encoding="utf-8", newline="\n")
    progress("packing", 1.0)
    return folder, shared


def _packed(evening: _Evening, place: int, mixed: tuple[Path, Recall], draft: Path) -> tuple[Shared, Listed, list[str]]:
    """Write a song's file, page and practice mixes; also a line where the page only has a fader for each family."""
    song, recall = mixed
    mix = song / recall.mix.file
    if not mix.exists():
        raise RecordingsError(f"{mix} is missing. Mix {recall.title} again, or put the file back.")
    hills = ridges_of(song, recall, mix)
    file = draft / f"{place:02d} {safe_name(recall.title)}.{evening.kind}"
    tags = Tags(
        title=recall.title,
        rehearsal=evening.title,
        number=place,
        of=evening.songs,
        band=evening.band,
        date=evening.date,
        tempo_bpm=None if recall.tempo is None else recall.tempo.tempo_bpm,
        picture_png=draw([heights for _, heights in hills]),
    )
    peak_dbtp, lowered_db = _write(mix, file, evening.kind, tags)
    page = file.with_suffix(PAGE)
    with output_errors(page):
        notes = notes_in(evening.recipe_text, recall.title)
        text, families_only = _page(song, recall, evening.title, hills, notes, evening.cache)
        page.write_text(text, encoding="utf-8", newline="\n")
    listed = Listed(
        number=place,
        title=recall.title,
        file=file.name,
        page=page.name,
        seconds=recall.plan.end_s - recall.plan.start_s,
        hills=pictures.hills(hills),
        names=[_with_player(track) for track in recall.plan.tracks if track.sounds],
        practice=_practice(song, recall, draft, tags),
    )
    return Shared(title=recall.title, file=file, peak_dbtp=peak_dbtp, lowered_db=lowered_db), listed, families_only


def _practice(song: Path, recall: Recall, draft: Path, tags: Tags) -> tuple[tuple[str, str], ...]:
    """Copy the practice mixes of a song; for each what it is and the name of its file."""
    found = []
    for source in (song / file for file in recall.files if file.startswith("practice/") and file.endswith(".mp3")):
        if source.exists():
            file = draft / f"{tags.number:02d} {source.name}"
            with output_errors(file):
                shutil.copyfile(source, file)
            says = source.stem.rpartition(" - ")[2]
            tag(file, replace(tags, title=f"{tags.title} - {says}"))
            found.append((says, file.name))
    return tuple(found)


def _wanted(songs: list[tuple[Path, Recall]], recipe: Recipe | None) -> list[tuple[Path, Recall]]:
    """The songs that the recipe lists; all of them if it lists none, or if none of those is mixed."""
    titles = {plain(song.title) for song in recipe.songs if song.keep} if recipe else set()
    return [(folder, recall) for folder, recall in songs if plain(recall.title) in titles] or songs


def _stems(song: Path, recall: Recall) -> list[Path]:
    stems = [song / file for file in recall.stems]
    for stem in stems:
        if not stem.exists():
            raise RecordingsError(f"{stem} is missing. Mix {recall.title} again, or put the file back.")
    return stems


def ridges_of(song: Path, recall: Recall, mix: Path) -> list[tuple[str, Array]]:
    """A mixed song over time, as `report.numbers.ridges` gives it. Raises `RecordingsError` where a stem is missing."""
    stems = {stem.stem: stem for stem in _stems(song, recall)}
    groups = ([stems[family] for family in families if family in stems] for families in (RHYTHM, VOCALS))
    return ridges([_powers([mix]), *(_powers(group) for group in groups)])


def _page(
    song: Path,
    recall: Recall,
    rehearsal: str,
    hills: Sequence[tuple[str, Array]],
    notes: Sequence[SongNote],
    cache: Path,
) -> tuple[str, list[str]]:
    """A song's page, and a line where it has families instead of inputs."""
    said: list[str] = []
    with parts_of(song, recall, _stems(song, recall), cache, said) as parts:
        voices = [part.family in VOCALS for part in parts.parts]
        softer = 1.0 if said else db_to_gain(-HEADROOM_DB)
        page = SongToHear(
            title=recall.title,
            rehearsal=rehearsal,
            mix_id=recall.mix_id,
            seconds=recall.plan.end_s - recall.plan.start_s,
            parts=parts,
            pieces=cut([part.sound for part in parts.parts], softer, voices),
            ridges=hills,
            tempo=recall.tempo,
            notes=notes,
        )
        return song_page(page), said


def _with_player(track: TrackPlan) -> str:
    return f"{track.name} ({track.player})" if track.player else track.name


def _write(mix: Path, file: Path, kind: Kind, tags: Tags) -> tuple[float | None, float]:
    """Encode, decode as a player would, and encode again a little softer if the peaks pass full scale."""
    lowered_db = 0.0
    recording = read_file(mix)
    for _ in range(3):
        gain = np.float32(db_to_gain(-lowered_db))
        if kind == "mp3" and not lowered_db and (coded := mix.with_suffix(".mp3")).exists():
            with output_errors(file):
                shutil.copyfile(coded, file)
        elif kind == "mp3":
            encode_mp3((block * gain for block in _blocks(recording)), file, rate_hz=recording.rate_hz)
        else:
            _write_flac(recording, file, gain)
        peak_dbtp = _peak_dbtp(file)
        if peak_dbtp is None or peak_dbtp <= 0.0:
            break
        lowered_db = round(lowered_db + peak_dbtp + _UNDER_DB, 2)
    tag(file, tags)
    return peak_dbtp, lowered_db


def _peak_dbtp(file: Path) -> float | None:
    meter: TruePeak | None = None
    for block in decoded(file):
        meter = meter or TruePeak(block.shape[0])
        meter.update(block)
    peak = meter.result() if meter else 0.0
    return round(amplitude_db(peak), 2) if peak > 0.0 else None


def _write_flac(recording: Recording, file: Path, gain: np.float32) -> None:
    dither = Dither(1, recording.channels, _BITS)
    with IntegerWriter(
        file,
        rate_hz=recording.rate_hz,
        channels=recording.channels,
        frames=recording.frames,
        bits=_BITS,
        file_format="flac",
    ) as writer:
        for block in _blocks(recording):
            writer.write(dither.process(block * gain))


def _blocks(recording: Recording) -> Iterator[Block]:
    size = _BLOCK_HOPS * loudness_hop_frames(recording.rate_hz)
    with open_recording(recording, recording.rate_hz) as reader:
        for start in range(0, recording.frames, size):
            yield reader.read(min(size, recording.frames - start))


def _powers(files: Sequence[Path]) -> Array:
    """Summed power of files of equal length per 0.1 s; empty without files."""
    return np.sum([_file_powers(file) for file in files], axis=0) if files else np.zeros(0)


def _file_powers(file: Path) -> Array:
    recording = read_file(file)
    hop = loudness_hop_frames(recording.rate_hz)
    parts = []
    for block in _blocks(recording):
        whole = block.shape[1] // hop * hop
        parts.append((block[:, :whole].astype(np.float64) ** 2).sum(axis=0).reshape(-1, hop).mean(axis=1))
    return np.concatenate(parts) if parts else np.zeros(0)
