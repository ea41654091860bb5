"""The command `remember`: what a rehearsal has taught goes into the band's band.toml, for the next one.

It needs the recipe alone: no sound is read, and nothing must be mixed.
"""

from __future__ import annotations

import difflib
import hashlib
from collections.abc import Collection
from dataclasses import dataclass
from pathlib import Path

from morningmix.analysis.fingerprint import KeptFingerprint, kept_fingerprints
from morningmix.commands.order import Order, source_of
from morningmix.errors import BusyError, UsageError
from morningmix.files.band import BAND, INPUT_LIST, folders_looked_in, is_there
from morningmix.files.band_edit import new_band, remembered, titles_given
from morningmix.files.fingerprint import SONGS, read_fingerprints, write_fingerprint
from morningmix.files.recipe import band_of, tracks_of
from morningmix.files.recipe_tables import RecipeFile, SongTable, checked_file
from morningmix.files.toml_lines import parse
from morningmix.model.fingerprint import Fingerprint
from morningmix.model.names import means, plain
from morningmix.storage.home import CACHE, home_of, refuse_link
from morningmix.storage.lock import editing_band
from morningmix.storage.text import read_text, remove_drafts, write_text_whole

_MOSTLY = 0.9
"""How much of a song in the recipe must be what was listened to (design choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Lesson:
    """What a rehearsal has taught, before it is written."""

    path: Path
    """The band.toml that it goes into."""
    before: str | None
    """Its text; None where there is no such file yet."""
    after: str
    songs: tuple[tuple[str, Fingerprint], ...] = ()
    """Songs that will be recognised, by title."""
    replaces: Path | None = None
    """The inputs.toml beside it that a new band.toml takes the place of."""

    @property
    def is_new(self) -> bool:
        """Whether there is anything to write."""
        return self.after != (self.before or "") or bool(self.songs)

    @property
    def mark(self) -> str:
        """Tells one lesson from another."""
        titles = [title for title, _ in self.songs]
        return hashlib.sha256(f"{self.path}\0{self.before}\0{self.after}\0{titles}".encode()).hexdigest()[:12]

    @property
    def lines(self) -> list[str]:
        """The change as a unified diff."""
        before, after = (self.before or "").splitlines(), self.after.splitlines()
        lines = list(difflib.unified_diff(before, after, self.path.name, self.path.name, lineterm=""))
        if self.songs:
            lines += [] if lines else [f"--- {SONGS}", f"+++ {SONGS}"]
            lines += [f'+what "{title}" is recognised by, in the folder {SONGS}' for title, _ in self.songs]
        return lines


def recipe_meant(order: Order) -> Path:
    """The recipe of a mix folder or of a folder of raw tracks, or the recipe itself."""
    recipe = home_of(source_of(order), order.cwd, order.out).recipe
    if not recipe.exists():
        raise UsageError(f"There is no {recipe} yet, so there is nothing to remember. First: morningmix songs FOLDER")
    return recipe


def lesson_of(recipe_file: Path) -> Lesson:
    """What the rehearsal of a recipe has taught. Writes nothing.

    Raises `RecipeError` for a recipe or a band.toml that cannot be read, and `UsageError` and `OutputError` where there
    is no place for a band.toml.
    """
    text = read_text(recipe_file)
    file = checked_file(parse(text, recipe_file.name))
    # What counts now is read first, so that whatever is wrong in it is said with its own name and line.
    band_of(recipe_file, text)
    path = _place(tracks_of(recipe_file, file), recipe_file.parent)
    refuse_link(path)
    before = read_text(path) if path.exists() else None
    beside = path.with_name(INPUT_LIST)
    replaces = beside if before is None and beside.is_file() else None
    known = new_band("" if replaces is None else read_text(replaces)) if before is None else before
    fingerprints = read_fingerprints(path.parent / SONGS, lambda _: None)
    after = remembered(known, file, tuple(fingerprints))
    return Lesson(
        path=path,
        before=before,
        after=(before or "") if after == known else after,
        songs=_learnt(file, fingerprints, recipe_file),
        replaces=replaces,
    )


def write(lesson: Lesson) -> None:
    """Write what was taught, whole or not at all.

    Raises `BusyError` where the file has changed since, and `OutputError`.
    """
    with editing_band(lesson.path):
        now = read_text(lesson.path) if lesson.path.exists() else None
        if now != lesson.before:
            raise BusyError(f"{lesson.path} has changed in the meantime, so nothing was written. Run again.")
        remove_drafts(lesson.path)
        if lesson.after != (lesson.before or ""):
            write_text_whole(lesson.path, lesson.after)
        for title, fingerprint in lesson.songs:
            write_fingerprint(lesson.path.parent / SONGS, title, fingerprint)


def _learnt(file: RecipeFile, known: Collection[str], recipe_file: Path) -> tuple[tuple[str, Fingerprint], ...]:
    """Songs with a title from somebody that the last run has listened to, and that are not known yet."""
    kept = kept_fingerprints(recipe_file.parent / CACHE)
    titles = {plain(title) for title in known}
    learnt: dict[str, tuple[str, Fingerprint]] = {}
    for song in titles_given(file, known):
        of_song = [one for one in kept if song.take is None or means(song.take, one.take, {each.take for each in kept})]
        best = max(of_song, key=lambda one: _shared(one, song), default=None)
        if best is None or best.fingerprint is None or _shared(best, song) < _MOSTLY or plain(song.title) in titles:
            continue
        learnt.setdefault(plain(song.title), (song.title, best.fingerprint))
    return tuple(learnt.values())


def _shared(kept: KeptFingerprint, song: SongTable) -> float:
    """How much of the longer of two stretches they share."""
    both = min(kept.end_s, song.end) - max(kept.start_s, song.start)
    return both / max(kept.end_s - kept.start_s, song.end - song.start, 1e-3)


def _place(tracks: Path, recipe_dir: Path) -> Path:
    """The nearest band.toml; else beside an inputs.toml above the tracks; else above the tracks. Never among them."""
    folders = [
        folder for folder in folders_looked_in(tracks, recipe_dir) if folder != tracks and tracks not in folder.parents
    ]
    known = next((folder for folder in folders if is_there(folder / BAND)), None)
    listed = next((folder for folder in folders if folder in tracks.parents and is_there(folder / INPUT_LIST)), None)
    folder = known or listed or tracks.parent
    if folder == tracks or not folder.is_dir():
        raise UsageError(
            f"There is no folder above the tracks, {tracks}, to keep {BAND} in. "
            "Connect their disk, or correct the tracks line of the recipe."
        )
    return folder / BAND
