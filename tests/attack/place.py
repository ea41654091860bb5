"""A place with a rehearsal that was mixed, and all that somebody may keep around it."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import stat
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import soundfile  # noqa: TID251 - an outside writer of the files under attack

from attack.child import run
from synthetic import band

INPUTS = ("guitar 1", "lead vocal", "kick")
TITLES = ("One", "Two")
SECONDS = 3.0
RATE_HZ = 8_000
HOME = "take mix"
MIX = ("--bits", "16", "--workers", "1")
_WISHES = """morningmix wishes
song: Two
from: Mara
vocals +2
guitar 1 -1.5 dB
note 0:01 could it come in later?
"""
_SONGS = """
[[song]]
title = "One"
start = "0:00.0"
end = "0:01.5"

[[song]]
title = "Two"
start = "0:01.5"
end = "0:03.0"
"""

NOBODY = 65_534
"""Who reads and writes where everything is allowed to root."""
OWN = {"mixes/01 One/words.txt": "words that somebody wrote\n", "plans.txt": "plans that somebody made\n"}
"""What somebody put into the home."""

Files = Mapping[str, tuple[object, ...]]
"""Every path in a folder and what it is: kind, permissions, content, and of raw tracks the time."""


@dataclass(slots=True, kw_only=True)
class Course:
    """A scenario as it goes when nothing comes in between."""

    folder: Path
    """The place as the scenario finds it."""
    events: Sequence[str]
    old: dict[str, dict[str, str]]
    new: dict[str, dict[str, str]]
    old_share: dict[str, tuple[object, ...]]
    new_share: dict[str, tuple[object, ...]]
    recipes: frozenset[bytes]
    files: frozenset[str]
    """All that lies in the home when it has ended."""
    renames: list[int] = field(default_factory=list)


class Place:
    """A folder that is as it was made after each `fresh`.

    Raw tracks stay where they are for as long as nobody touches them: what was heard is valid for these files alone.
    ``take`` holds the raw tracks; ``take mix`` its home, mixed twice, so that there is a version before, and packed;
    ``last week mix`` another home; ``beside`` is somebody's own, as are two files in the home.
    """

    def __init__(self, folder: Path) -> None:
        # A child that is somebody else must come in, too.
        folder.chmod(0o755)
        self.root = folder / "place"
        self._master = folder / "as it was made"
        self.courses: dict[str, Course] = {}
        """How scenarios go, as long as the raw tracks are these."""
        self._touched: Files = {}
        self.fresh()

    take = property(lambda self: self.root / "take")
    home = property(lambda self: self.root / HOME)
    recipe = property(lambda self: self.root / HOME / "recipe.toml")
    mixes = property(lambda self: self.root / HOME / "mixes")
    cache = property(lambda self: self.root / HOME / ".cache")
    sheet = property(lambda self: self.root / HOME / "mixes" / "01 One" / "recall.json")

    def lost(self) -> list[str]:
        """What of the user's own can no longer be found anywhere in the home; one line each."""
        kept = {path.read_bytes() for path in self.home.rglob("*.txt") if path.is_file() and not path.is_symlink()}
        return [f"{name} is gone" for name, text in OWN.items() if text.encode() not in kept]

    def fresh(self) -> None:
        """Make everything as it was made."""
        if self._touched and self._touched == _touched(self.take):
            self.restore(self._master)
            return
        _remove(self.root)
        self.courses.clear()
        self._make()
        self._touched = _touched(self.take)
        self.keep(self._master)
        self.restore(self._master)
        heard = files_in(self.cache).keys()
        self._well("check", self.recipe)
        if files_in(self.cache).keys() != heard:
            raise RuntimeError("what was heard before is not found in a copy: damage to it would go unnoticed")

    def restore(self, folder: Path) -> None:
        """Make the place as it was kept with `keep`."""
        for path in self.root.iterdir():
            if path == self.take:
                continue
            if path.is_dir() and not path.is_symlink():
                _remove(path)
            else:
                path.unlink()
        shutil.copytree(folder, self.root, symlinks=True, dirs_exist_ok=True)

    def keep(self, folder: Path) -> None:
        """Keep a copy of the place as it is now, without the raw tracks."""
        _remove(folder)
        shutil.copytree(
            self.root, folder, symlinks=True, ignore=lambda at, _: ["take"] if Path(at) == self.root else []
        )

    def outside(self) -> Files:
        """Everything but the home."""
        return {name: what for name, what in files_in(self.root).items() if not name.startswith(f"{HOME}/")}

    def run(self, *words: str | Path, **how: object) -> object:
        """A command, typed in the place."""
        return run(*words, cwd=self.root, **how)  # type: ignore[arg-type]

    def _make(self) -> None:
        take = self.root / "take"
        take.mkdir(parents=True)
        for name, sound in band(SECONDS, RATE_HZ, seed=1).items():
            if name in INPUTS:
                soundfile.write(take / f"{name}.wav", sound, RATE_HZ, subtype="PCM_16")
        if os.geteuid() == 0:
            for path in (take, *take.iterdir()):
                os.chown(path, NOBODY, NOBODY)
        (self.root / "inputs.toml").write_text('[[input]]\nfile = "kick.wav"\nname = "kick"\nplayer = "Ole"\n')
        beside = self.root / "beside"
        (beside / "inner").mkdir(parents=True)
        (beside / "precious.txt").write_text("nobody touches this\n")
        np.save(beside / "inner" / "precious.npy", np.arange(10))
        (self.root / "mara.txt").write_text(_WISHES)
        self._well("recipe", "take")
        with self.recipe.open("a") as recipe:
            recipe.write(_SONGS)
        self._well("mix", self.recipe, *MIX)
        for name, text in OWN.items():
            (self.home / name).write_text(text)
        shutil.copytree(self.home, self.root / "last week mix")
        self._well("turn", self.recipe, "kick", "up", "1")
        self._well("mix", self.recipe, *MIX)
        self._well("share", self.home)

    def _well(self, *words: str | Path) -> None:
        ended = run(*words, cwd=self.root, limit_s=60)
        if ended.code:
            raise RuntimeError(f"{words}: {ended.err}")


def files_in(folder: Path) -> dict[str, tuple[object, ...]]:
    """Everything under a folder: relative path -> what it is."""
    found: dict[str, tuple[object, ...]] = {}
    for above, folders, names in os.walk(folder):
        for name in (*folders, *names):
            path = Path(above) / name
            state = path.lstat()
            kind, mode = stat.S_IFMT(state.st_mode), stat.S_IMODE(state.st_mode)
            relative = path.relative_to(folder).as_posix()
            if stat.S_ISLNK(state.st_mode):
                found[relative] = (kind, str(path.readlink()))
            elif stat.S_ISREG(state.st_mode):
                time = state.st_mtime_ns if relative.startswith("take/") else 0
                found[relative] = (kind, mode, time, _digest(path))
            else:
                found[relative] = (kind, mode)
    return found


def _touched(folder: Path) -> Files:
    """When files were last changed in any way, which nobody can set back."""
    return {path.name: (path.lstat().st_ctime_ns, path.lstat().st_ino) for path in sorted(folder.glob("*"))}


def _digest(path: Path) -> str:
    mode = path.stat().st_mode
    if not mode & stat.S_IRUSR:
        path.chmod(mode | stat.S_IRUSR)
        try:
            return hashlib.sha256(path.read_bytes()).hexdigest()
        finally:
            path.chmod(mode)
    return hashlib.sha256(path.read_bytes()).hexdigest()


def differences(before: Files, after: Files) -> list[str]:
    """What was there before and is otherwise now, or is new; one line each."""
    gone = [f"{name} is gone" for name in sorted(before.keys() - after.keys())]
    new = [f"{name} is new" for name in sorted(after.keys() - before.keys())]
    return gone + [f"{n} is changed" for n in sorted(before.keys() & after.keys()) if before[n] != after[n]] + new


def songs_in(mixes: Path) -> dict[str, dict[str, str]]:
    """Every song folder with a sheet, under its path: file -> hash."""
    return {
        sheet.parent.relative_to(mixes).as_posix(): {
            path.relative_to(sheet.parent).as_posix(): _digest(path)
            for path in sorted(sheet.parent.rglob("*"))
            if path.is_file()
        }
        for sheet in sorted(mixes.rglob("recall.json"))
        if ".partial" not in sheet.parts
    }


def torn(mixes: Path) -> list[str]:
    """Song folders that lack a file of their own; one line each."""
    lines = []
    for sheet in sorted(mixes.rglob("recall.json")):
        if ".partial" in sheet.parts:
            continue
        listed = json.loads(sheet.read_text())["files"]
        lines += [f"{sheet.parent.name} lacks {name}" for name in listed if not (sheet.parent / name).is_file()]
    return lines


def fits_its_sheet(song: Path) -> bool:
    """Whether every file that a song's sheet has a hash of is there, to the byte."""
    sha256 = json.loads((song / "recall.json").read_text(encoding="utf-8"))["sha256"]
    return all(
        (song / name).is_file() and hashlib.sha256((song / name).read_bytes()).hexdigest() == wanted
        for name, wanted in sha256.items()
    )


def _remove(folder: Path) -> None:
    if not folder.exists():
        return
    folder.chmod(0o755)
    for above, folders, _ in os.walk(folder):
        for name in folders:
            path = Path(above) / name
            if not path.is_symlink():
                path.chmod(0o755)
    shutil.rmtree(folder)
