"""Song folders: which ones are ours, and how a new version replaces the old one completely or not at all.

A new version is built under ``mixes/.partial/new``. Once it is complete a journal is written, and from then on the
swap is only ever finished: every step can be repeated, so `recover` takes over wherever a killed run stopped. Before
the journal nothing of the old version is touched. This holds for a kill at any moment, not for a power cut that loses
writes the system had already acknowledged.

Only a song folder that this program wrote is ever moved or deleted: a real folder with its number, its title and a
recall sheet for that title. A journal may come from somebody else, so it may name nothing but such folders.
"""

from __future__ import annotations

import filecmp
import json
import os
import re
import shutil
import stat
import unicodedata
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from morningmix.errors import BusyError, OutputError
from morningmix.storage.home import CACHE, EARLIER, MIXES, RECALL, RECIPE, Home, output_errors, refuse_link, safe_name
from morningmix.storage.lock import locked

_PARTIAL, _NEW, _TRASH = ".partial", "new", "trash"
_JOURNAL = "swap.json"
_DRAFT = f"{_JOURNAL}.draft"
_NUMBERED = re.compile(r"\d{2,6} [^/\\\0]+")
_THROWN_AWAY = re.compile(r"\d+")
_LARGEST_JSON_BYTES = 50_000_000


@dataclass(frozen=True, slots=True, kw_only=True)
class _Swap:
    """Contents of a journal: the new folder and its destination, old folders and their names in ``earlier``."""

    new: str
    built: str
    moves: tuple[tuple[str, str | None], ...]
    """None: that one goes away."""
    discard: tuple[str, ...] = ()
    """Folders in ``earlier`` that are replaced."""


# ---------------------------------------------------------------- which folders are ours


def folder_name(number: int, title: str) -> str:
    """Folder name of a song."""
    return f"{number:02d} {safe_name(title)}"


def is_song_folder(folder: Path) -> bool:
    """Whether this program wrote the folder: a real folder, numbered, named after the title in its recall sheet."""
    title = _title(folder)
    if title is None:
        return False
    # Versions that cut names later kept a long title as it is.
    return _nfc(folder.name.partition(" ")[2]) in (safe_name(title), _nfc(title))


def is_earlier_version(folder: Path) -> bool:
    """Whether a folder in ``earlier`` is ours. It has the name of the version that replaced it, under any title."""
    return folder.parent.name == EARLIER and _title(folder) is not None


def _nfc(text: str) -> str:
    return unicodedata.normalize("NFC", text)


def _title(folder: Path) -> str | None:
    if not _NUMBERED.fullmatch(folder.name) or folder.is_symlink() or not folder.is_dir():
        return None
    title = _sheet(folder).get("title")
    return title if isinstance(title, str) else None


def song_folders(mixes: Path) -> list[Path]:
    """The song folders in a folder of mixes, in order. Copies under other names are the user's own and left out."""
    return [folder for folder in _numbered(mixes) if is_song_folder(folder)]


def song_sheets(mixes: Path) -> list[Path]:
    """Recall sheets of the songs in a folder of mixes, in order, including damaged ones."""
    return [folder / RECALL for folder in _numbered(mixes) if is_song_folder(folder) or _is_damaged(folder / RECALL)]


def _numbered(mixes: Path) -> list[Path]:
    """Real folders with a number in front, in order."""
    return [folder for folder in sorted(mixes.glob("[0-9][0-9]* *")) if folder.is_dir() and not folder.is_symlink()]


def _is_damaged(sheet: Path) -> bool:
    return sheet.is_file() and not sheet.is_symlink() and _json_object(sheet) is None


def refuse_in_the_way(mixes: Path, names: Iterable[str]) -> None:
    """Raise `OutputError` if something that is not ours is in the way of a song folder."""
    refuse_link(mixes / EARLIER)
    for name in names:
        for place, is_ours in ((mixes / name, is_song_folder), (mixes / EARLIER / name, is_earlier_version)):
            if os.path.lexists(place) and not is_ours(place):
                raise OutputError(
                    f"{place} is in the way: it is not a song folder with a recall sheet. "
                    "Move or rename it, and run again."
                )


def _sheet(song: Path) -> dict[str, Any]:
    """The recall sheet of a song folder, unchecked; empty if none can be read."""
    return _json_object(song / RECALL) or {}


def _json_object(path: Path) -> dict[str, Any] | None:
    if path.is_symlink() or not path.is_file():
        return None
    with path.open("rb") as file:
        raw = file.read(_LARGEST_JSON_BYTES + 1)
    try:
        value = json.loads(raw) if len(raw) <= _LARGEST_JSON_BYTES else None
    except (ValueError, RecursionError):
        return None
    return value if isinstance(value, dict) else None


def _listed(song: Path) -> set[str]:
    """Files that a song folder's recall sheet lists, and the sheet itself."""
    files = _sheet(song).get("files")
    names = files if isinstance(files, list) else []
    return {_nfc(name) for name in names if isinstance(name, str)} | {RECALL}


# ---------------------------------------------------------------- a new version


def begin_song(mixes: Path, name: str) -> Path:
    """A new, empty folder for a song's outputs, on the file system of their destination.

    Raises `OutputError`.
    """
    partial = mixes / _PARTIAL / _NEW / name
    with output_errors(partial):
        _finish_swap(mixes)
        for place in (mixes / _PARTIAL, mixes / _PARTIAL / _NEW, partial):
            refuse_link(place)
        if partial.exists():
            _delete(partial)
        partial.mkdir(parents=True)
    return partial


def finish_song(
    partial: Path, mixes: Path, name: str, *, replaces: str | None = None, keeps_version: bool = True
) -> bool:
    """Move a complete song folder from `begin_song` to its destination; returns whether anything has changed.

    `replaces` is the folder name the song had before, if its title or number changed. The version that stood there goes
    to ``earlier`` (but for `keeps_version` being False), and the one that was there goes away; where nothing has
    changed, all stays as it is. Files that are not in the old version's recall sheet are somebody's own: they are
    copied into the new folder, under another name where theirs is taken.

    Raises `OutputError`; the old version is then still in place, or the next `recover` finishes the swap.
    """
    with output_errors(mixes / name):
        _finish_swap(mixes)
        if not all((partial / file).is_file() for file in _listed(partial)):
            raise OutputError(f"{partial} was removed or changed while the song was being mixed. Mix it again.")
        names = dict.fromkeys(each for each in (replaces, name) if each is not None)
        old_names = [each for each in names if is_song_folder(mixes / each)]
        refuse_in_the_way(mixes, {name, *old_names})
        if len(old_names) == 2 and (mixes / old_names[0]).samefile(mixes / old_names[1]):
            old_names = old_names[:1]
        if old_names == [name] and _same_outputs(partial, mixes / name):
            # The new sheet may hold more than the old one, but the previous version stays in ``earlier``.
            (partial / RECALL).replace(mixes / name / RECALL)
            _delete(partial)
            return False
        for old in old_names:
            _carry_over(mixes / old, partial)
        kept = [name] if len(old_names) == 1 else old_names
        moves = tuple((old, to if keeps_version else None) for old, to in zip(old_names, kept, strict=True))
        discard = tuple(old for old in old_names if keeps_version and old not in kept)
        _write_journal(mixes, _Swap(new=name, built=partial.name, moves=moves, discard=discard))
        _finish_swap(mixes)
        if not is_song_folder(mixes / name):
            raise OutputError(f"{mixes / name} was removed just after it was written. Mix it again.")
    return True


def retire_songs(mixes: Path, wanted: Iterable[str]) -> None:
    """Move the song folders of a former list of songs to ``earlier``; `wanted` are the folders of today's.

    One that holds files of somebody's own gets a name that no later version takes. Raises `OutputError`.
    """
    keep = set(wanted)
    with output_errors(mixes):
        _finish_swap(mixes)
        for song in song_folders(mixes):
            if song.name in keep:
                continue
            refuse_link(mixes / EARLIER)
            kept = song.name
            if _own_files(song) or os.path.lexists(mixes / EARLIER / kept):
                kept = _free(mixes / EARLIER / f"{song.name} (from a former list of songs)").name
            (mixes / EARLIER).mkdir(exist_ok=True)
            song.rename(mixes / EARLIER / kept)


def _same_outputs(new: Path, old: Path) -> bool:
    """Whether both hold the same files with the same bytes, apart from the recall sheet."""
    names = _listed(new)
    if names != _listed(old):
        return False
    return all(
        (old / name).is_file() and filecmp.cmp(new / name, old / name, shallow=False) for name in names - {RECALL}
    )


def _carry_over(old: Path, new: Path) -> None:
    for source in _own_files(old):
        target = _free(new / source.relative_to(old))
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(source, target, follow_symlinks=False)


def _own_files(song: Path) -> list[Path]:
    """The user's own files and links in a song folder, which its recall sheet does not list."""
    ours = _listed(song)
    found = []
    for above, folders, names in os.walk(song, onerror=_raise):
        links = [name for name in folders if (Path(above) / name).is_symlink()]
        for path in (Path(above) / name for name in (*names, *links)):
            relative = _nfc(path.relative_to(song).as_posix())
            if (path.is_symlink() or path.is_file()) and relative not in ours:
                found.append(path)
    return found


def _raise(error: OSError) -> None:
    raise error


def _free(path: Path) -> Path:
    target = path
    number = 1
    while os.path.lexists(target):
        number += 1
        target = path.with_name(f"{path.stem} ({number}){path.suffix}")
    return target


# ---------------------------------------------------------------- after a run that ended early


def recover(home: Home) -> None:
    """Clean up after a killed run: a swap that was begun is finished, unfinished song folders are removed.

    To be called with the mix folder `locked`. Raises `OutputError`.
    """
    with output_errors(home.mixes):
        _finish_swap(home.mixes)
        _clear(home.mixes / _PARTIAL)


def finish_swaps(path: Path) -> None:
    """Finish the swap of a killed run in the mix folder at or around `path`; for commands that read it.

    A run that is working there finishes it itself. Raises `OutputError`.
    """
    folders = (path, *path.parents[:3])
    for mixes in (*folders, path / MIXES, path.parent / MIXES):
        if os.path.lexists(mixes / _PARTIAL / _JOURNAL):
            root = mixes.parent if mixes.name == MIXES else mixes
            home = Home(root=root, mixes=mixes, recipe=root / RECIPE, cache=root / CACHE)
            with suppress(BusyError), locked(home):
                recover(home)


def _clear(partial: Path) -> None:
    """Remove what this program left there, but none of the user's own files under the same name."""
    if partial.is_symlink() or not partial.is_dir():
        return
    (partial / _DRAFT).unlink(missing_ok=True)
    _remove_folders(partial / _NEW, _NUMBERED)
    _remove_folders(partial / _TRASH, _THROWN_AWAY)
    with suppress(OSError):
        partial.rmdir()


def _remove_folders(above: Path, ours: re.Pattern[str]) -> None:
    """Remove our own folders in `above`, and `above` itself if it is then empty."""
    if above.is_dir() and not above.is_symlink():
        for each in above.iterdir():
            if ours.fullmatch(each.name) and each.is_dir() and not each.is_symlink():
                _delete(each)
        with suppress(OSError):
            above.rmdir()


def _delete(folder: Path) -> None:
    """Delete one of our folders. Files in it may be read-only, which Windows refuses to delete."""
    for above, _, names in os.walk(folder):
        for path in (Path(above) / name for name in names):
            if not path.is_symlink():
                path.chmod(path.stat().st_mode | stat.S_IWRITE)
    shutil.rmtree(folder)


def _write_journal(mixes: Path, swap: _Swap) -> None:
    draft = mixes / _PARTIAL / _DRAFT
    draft.unlink(missing_ok=True)
    with draft.open("x", encoding="utf-8") as file:
        json.dump(asdict(swap), file)
        file.flush()
        os.fsync(file.fileno())
    draft.replace(mixes / _PARTIAL / _JOURNAL)


def _read_journal(mixes: Path) -> _Swap | None:
    """The journal of an unfinished swap. Raises `OutputError` for one that this program would not write."""
    path = mixes / _PARTIAL / _JOURNAL
    if not os.path.lexists(path):
        return None
    swap = None if path.parent.is_symlink() else _swap_of(_json_object(path))
    if swap is None or not _fits(swap, mixes):
        raise OutputError(
            f"{path} was not written by a run in this folder, so it is not trusted. "
            f"Save what you need from {path.parent}, delete that folder, and run again."
        )
    return swap


def _swap_of(journal: dict[str, Any] | None) -> _Swap | None:
    """The journal's swap; None unless it has that shape and only plain names of song folders."""
    if journal is None or set(journal) != {"new", "built", "moves", "discard"}:
        return None
    moves, discard = journal["moves"], journal["discard"]
    if not isinstance(moves, list) or not isinstance(discard, list):
        return None
    if not all(isinstance(move, list) and len(move) == 2 and move[0] is not None for move in moves):
        return None
    moved = [name for move in moves for name in move if name is not None]
    names = [journal["new"], journal["built"], *discard, *moved]
    if not all(isinstance(name, str) and _NUMBERED.fullmatch(name) for name in names):
        return None
    swaps = tuple((old, to) for old, to in moves)
    return _Swap(new=journal["new"], built=journal["built"], moves=swaps, discard=tuple(discard))


def _fits(swap: _Swap, mixes: Path) -> bool:
    """Whether every folder that the swap would change is one of our song folders, or missing."""
    partial, earlier = mixes / _PARTIAL, mixes / EARLIER
    if any(place.is_symlink() for place in (earlier, partial / _NEW, partial / _TRASH)):
        return False
    built, new = partial / _NEW / swap.built, mixes / swap.new
    old = [mixes / name for name, _ in swap.moves]
    gone = [earlier / name for name in (*swap.discard, *(to for _, to in swap.moves if to is not None))]
    if built.exists() and new.exists() and not any(place.exists() and place.samefile(new) for place in old):
        return False
    return all(is_song_folder(place) for place in (built, *old) if os.path.lexists(place)) and all(
        is_earlier_version(place) for place in gone if os.path.lexists(place)
    )


def _finish_swap(mixes: Path) -> None:
    """Do the remaining steps of a journal. Until the new folder has moved, everything in `mixes` is old."""
    swap = _read_journal(mixes)
    if swap is None:
        return
    partial, earlier = mixes / _PARTIAL, mixes / EARLIER
    built, trash = partial / _NEW / swap.built, partial / _TRASH
    if built.is_dir():
        if any(to is not None for _, to in swap.moves):
            earlier.mkdir(exist_ok=True)
        trash.mkdir(exist_ok=True)
        for name in swap.discard:
            _throw_away(earlier / name, trash)
        for old, to in swap.moves:
            if to is None:
                _throw_away(mixes / old, trash)
            elif (mixes / old).is_dir():
                _throw_away(earlier / to, trash)
                (mixes / old).rename(earlier / to)
        built.rename(mixes / swap.new)
    (partial / _JOURNAL).unlink()
    with suppress(OSError):
        _remove_folders(trash, _THROWN_AWAY)


def _throw_away(folder: Path, trash: Path) -> None:
    if folder.exists():
        folder.rename(trash / str(len(list(trash.iterdir()))))
