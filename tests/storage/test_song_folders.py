"""Song folders: which are ours, and that a new version replaces the old one completely or not at all."""

from __future__ import annotations

import errno
import json
import os
import sys
from pathlib import Path
from typing import Any

import pytest

from morningmix.errors import OutputError
from morningmix.storage.home import Home
from morningmix.storage.lock import locked
from morningmix.storage.song_folders import (
    begin_song,
    finish_song,
    finish_swaps,
    is_song_folder,
    recover,
    retire_songs,
    song_folders,
    song_sheets,
)

Tree = dict[str, bytes]


def home_in(root: Path) -> Home:
    return Home(root=root, mixes=root / "mixes", recipe=root / "recipe.toml", cache=root / ".cache")


def tree(root: Path) -> Tree:
    return {file.relative_to(root).as_posix(): file.read_bytes() for file in root.rglob("*") if file.is_file()}


def plant(root: Path, files: Tree) -> None:
    for name, content in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(content)


def song(version: bytes, *names: str, title: str = "Song") -> Tree:
    sheet = json.dumps({"title": title, "files": [*names, "recall.json"]}).encode()
    return {**{name: version + name.encode() for name in names}, "recall.json": sheet}


FIRST = song(b"1", "mix.wav", "stems/drums.wav")
SECOND = song(b"2", "mix.wav", "stems/drums.wav", "stems/bass.wav")
RETITLED = song(b"3", "mix.wav", "stems/drums.wav", "stems/bass.wav", "notes.txt", title="New Name")
THIRD = song(b"3", "mix.wav", "stems/drums.wav", "stems/bass.wav", "notes.txt")
MINE = {"notes.txt": b"mine", "stems/drums edited.wav": b"mine too"}


def put(mixes: Path, name: str, files: Tree, replaces: str | None = None, *, keeps_version: bool = True) -> None:
    partial = begin_song(mixes, name)
    plant(partial, files)
    finish_song(partial, mixes, name, replaces=replaces, keeps_version=keeps_version)


def test_the_first_version_of_a_song(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    assert tree(tmp_path / "01 Song") == FIRST
    assert not (tmp_path / "earlier" / "01 Song").exists()


def test_one_earlier_version_is_kept(tmp_path: Path) -> None:
    for version in (FIRST, SECOND, THIRD):
        put(tmp_path, "01 Song", version)
    assert tree(tmp_path / "01 Song") == THIRD
    assert tree(tmp_path / "earlier") == {f"01 Song/{name}": content for name, content in SECOND.items()}
    recover(Home(root=tmp_path, mixes=tmp_path, recipe=tmp_path / "r", cache=tmp_path / "c"))
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["01 Song", "earlier"]


def test_own_files_are_carried_over_and_never_overwrite_or_get_lost(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    plant(tmp_path / "01 Song", MINE)
    put(tmp_path, "01 Song", SECOND)
    assert tree(tmp_path / "01 Song") == SECOND | MINE
    put(tmp_path, "01 Song", THIRD)
    renamed = {"notes (2).txt": MINE["notes.txt"], "stems/drums edited.wav": MINE["stems/drums edited.wav"]}
    assert tree(tmp_path / "01 Song") == THIRD | renamed


@pytest.mark.parametrize("sheet", [None, b"{", b"[]", b'{"title": 3}', b"\xff", b"[" * 100_000, b'{"title": "Other"}'])
@pytest.mark.parametrize("place", ["01 Song", "earlier/01 Song"])
def test_a_folder_without_its_recall_sheet_is_left_alone_and_reported(
    tmp_path: Path, sheet: bytes | None, place: str
) -> None:
    theirs = {"old.wav": b"old"} | ({} if sheet is None else {"recall.json": sheet})
    if sheet == b'{"title": "Other"}' and place.startswith("earlier"):
        theirs = {"old.wav": b"old"}
    plant(tmp_path / place, theirs)
    with pytest.raises(OutputError, match=r"01 Song is in the way"):
        put(tmp_path, "01 Song", FIRST)
    assert tree(tmp_path / place) == theirs


def test_a_retitled_song_takes_its_folder_along(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    put(tmp_path, "01 Song", SECOND)
    plant(tmp_path / "01 Song", MINE)
    put(tmp_path, "01 New Name", RETITLED, replaces="01 Song")
    assert not (tmp_path / "01 Song").exists()
    assert tree(tmp_path / "01 New Name") == RETITLED | {
        "notes (2).txt": b"mine",
        "stems/drums edited.wav": b"mine too",
    }
    assert tree(tmp_path / "earlier" / "01 New Name") == SECOND | MINE
    assert [entry.name for entry in (tmp_path / "earlier").iterdir()] == ["01 New Name"]


def test_a_retitled_song_that_lands_on_another_one(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    second, third = (song(version, "mix.wav", title="Other") for version in (b"2", b"3"))
    put(tmp_path, "01 Other", second)
    plant(tmp_path / "01 Other", {"other.txt": b"other"})
    put(tmp_path, "01 Other", third, replaces="01 Song")
    assert tree(tmp_path / "01 Other") == third | {"other.txt": b"other"}
    assert tree(tmp_path / "earlier" / "01 Song") == FIRST
    assert tree(tmp_path / "earlier" / "01 Other") == second | {"other.txt": b"other"}


class Killed(BaseException):
    """Stands for the kill of a process: no further step runs."""


class Killer:
    """Lets a number of file system steps pass, then none, so that not even clean-up code can do anything."""

    STEPS = ("open", "os.", "shutil.")

    def __init__(self) -> None:
        self.left: int | None = None
        sys.addaudithook(self.hook)

    def hook(self, event: str, _: tuple[object, ...]) -> None:
        if self.left is None or not event.startswith(self.STEPS):
            return
        if self.left == 0:
            raise Killed
        self.left -= 1


KILLER = Killer()


def test_a_version_of_the_same_run_leaves_the_earlier_one_where_it_is(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    put(tmp_path, "01 Song", SECOND)
    plant(tmp_path / "01 Song", {"lyrics.txt": b"mine"})
    put(tmp_path, "01 Song", THIRD, keeps_version=False)
    assert tree(tmp_path / "01 Song") == {**THIRD, "lyrics.txt": b"mine"}
    assert tree(tmp_path / "earlier") == {f"01 Song/{name}": content for name, content in FIRST.items()}


@pytest.mark.parametrize(
    ("replaces", "keeps_version"),
    [(None, True), ("01 Song", True), (None, False)],
    ids=["same title", "retitled", "of the same run"],
)
def test_a_kill_at_any_step_leaves_the_old_or_the_new_whole(
    tmp_path: Path, replaces: str | None, keeps_version: bool
) -> None:
    """Every step Python reports (audit events, PEP 578) is the last one once; then recovery is killed at every step."""
    name = "01 Song" if replaces is None else "01 New Name"
    built = SECOND if replaces is None else song(b"2", "mix.wav", title="New Name")
    new = built | MINE
    old = FIRST | MINE
    before = song(b"0", "mix.wav")
    outcomes = set()

    def fresh(step: int, second: int) -> Home:
        home = home_in(tmp_path / f"{step}-{second}")
        put(home.mixes, "01 Song", before)
        put(home.mixes, "01 Song", FIRST)
        plant(home.mixes / "01 Song", MINE)
        return home

    def die_after(steps: int, run: object) -> bool:
        KILLER.left = steps
        try:
            run()  # type: ignore[operator]
        except Killed:
            return True
        finally:
            KILLER.left = None
        return False

    def check(home: Home) -> str:
        recover(home)
        songs = {entry.name: tree(entry) for entry in home.mixes.iterdir() if entry.name != "earlier"}
        earlier = {entry.name: tree(entry) for entry in (home.mixes / "earlier").iterdir()}
        if songs == {"01 Song": old}:
            assert earlier == {"01 Song": before}
            return "old"
        assert songs == {name: new}
        assert earlier == ({name: old} if keeps_version else {"01 Song": before})
        return "new"

    step = 0
    killed = True
    while killed:
        home = fresh(step, 0)
        killed = die_after(step, lambda home=home: put(home.mixes, name, built, replaces, keeps_version=keeps_version))
        outcomes.add(check(home))
        step += 1
    assert outcomes == {"old", "new"}
    assert step > 30

    for first in range(0, step - 1, 7):
        second = 0
        killed = True
        while killed:
            home = fresh(first, second + 1)
            assert die_after(
                first, lambda home=home: put(home.mixes, name, built, replaces, keeps_version=keeps_version)
            )
            killed = die_after(second, lambda home=home: recover(home))
            check(home)
            second += 5


def test_a_half_written_journal_counts_as_none(tmp_path: Path) -> None:
    home = home_in(tmp_path)
    put(home.mixes, "01 Song", FIRST)
    plant(begin_song(home.mixes, "01 Song"), {"mix.wav": b"half"})
    (home.mixes / ".partial" / "swap.json.draft").write_text('{"new": "01')
    recover(home)
    assert tree(home.mixes) == {f"01 Song/{file}": content for file, content in FIRST.items()}


def test_recover_where_nothing_was_ever_written(tmp_path: Path) -> None:
    recover(home_in(tmp_path))
    assert list(tmp_path.iterdir()) == []


def test_a_fresh_folder_is_empty_even_after_a_failed_try(tmp_path: Path) -> None:
    plant(begin_song(tmp_path, "01 Song"), {"half.wav": b"half"})
    assert tree(begin_song(tmp_path, "01 Song")) == {}


def test_a_disk_that_fails_while_carrying_over_leaves_the_old_version(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    home = home_in(tmp_path)
    put(home.mixes, "01 Song", FIRST)
    plant(home.mixes / "01 Song", MINE)

    def full(*_: object, **__: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("morningmix.storage.song_folders.shutil.copy2", full)
    with pytest.raises(OutputError, match="The disk is full"):
        put(home.mixes, "01 Song", SECOND)
    recover(home)
    assert tree(home.mixes) == {f"01 Song/{file}": content for file, content in (FIRST | MINE).items()}


# ---------------------------------------------------------------- what is not ours


def journal(mixes: Path, **changes: Any) -> Path:
    """A journal of a swap of ``01 Song`` that is ready to be carried out, with changes that an attacker makes."""
    path = mixes / ".partial" / "swap.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    swap = {"new": "01 Song", "built": "01 Song", "moves": [["01 Song", "01 Song"]], "discard": []} | changes
    path.write_text(json.dumps(swap), encoding="utf-8")
    return path


@pytest.mark.parametrize(
    "changes",
    [
        {"discard": ["../../../take"]},
        {"discard": ["TAKE"]},
        {"moves": [["../../take", "01 Song"]]},
        {"moves": [["01 Song", "../../../01 gone"]]},
        {"moves": [["01 Song GOOD", "01 Song"]]},
        {"moves": [["01 Song"]]},
        {"moves": [[1, 2]]},
        {"moves": {"01 Song": "01 Song"}},
        {"new": "../../out"},
        {"new": "earlier"},
        {"new": "02 Theirs"},
        {"built": "../.."},
        {"built": None},
        {"more": 1},
    ],
    ids=str,
)
def test_a_journal_moves_and_deletes_only_song_folders_of_its_mix_folder(
    tmp_path: Path, changes: dict[str, Any]
) -> None:
    home = home_in(tmp_path / "band" / "Thursday mix")
    plant(tmp_path / "band" / "take", {"input-01.wav": b"raw"})
    put(home.mixes, "01 Song", FIRST)
    plant(home.mixes, {"01 Song GOOD/mix.wav": b"mine", "02 Theirs/mix.wav": b"mine too", "earlier/TAKE/x": b"x"})
    plant(begin_song(home.mixes, "01 Song"), SECOND)
    take = str(tmp_path / "band" / "take")
    journal(home.mixes, **({"discard": [take]} if changes == {"discard": ["TAKE"]} else changes))
    before = tree(tmp_path)
    with pytest.raises(OutputError, match=r"swap\.json was not written by a run in this folder"):
        recover(home)
    assert tree(tmp_path) == before


@pytest.mark.parametrize("text", [b"[]", b"{}", b"3", b"{", b"\xff", b"[" * 100_000, b'{"new": 1}'])
def test_a_damaged_journal_is_reported_and_left_alone(tmp_path: Path, text: bytes) -> None:
    home = home_in(tmp_path)
    put(home.mixes, "01 Song", FIRST)
    journal(home.mixes).write_bytes(text)
    before = tree(tmp_path)
    with pytest.raises(OutputError, match="was not written by a run in this folder"):
        recover(home)
    assert tree(tmp_path) == before


def test_a_journal_of_the_version_before_is_finished(tmp_path: Path) -> None:
    """Its text as former versions wrote it."""
    home = home_in(tmp_path)
    put(home.mixes, "01 Song", FIRST)
    plant(begin_song(home.mixes, "01 Song"), SECOND)
    text = '{"new": "01 Song", "built": "01 Song", "moves": [["01 Song", "01 Song"]], "discard": []}'
    (home.mixes / ".partial" / "swap.json").write_text(text)
    recover(home)
    assert tree(home.mixes / "01 Song") == SECOND
    assert tree(home.mixes / "earlier" / "01 Song") == FIRST


def test_a_copy_is_not_a_song_folder(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    for name in ("01 Song GOOD", "Song", "01 Song (copy)", "x01 Song"):
        plant(tmp_path / name, FIRST)
    assert song_folders(tmp_path) == [tmp_path / "01 Song"]
    put(tmp_path, "01 Song", SECOND, replaces="01 Song GOOD")
    retire_songs(tmp_path, ["01 Song"])
    assert tree(tmp_path / "01 Song GOOD") == FIRST
    assert [folder.name for folder in (tmp_path / "earlier").iterdir()] == ["01 Song"]


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
@pytest.mark.parametrize("link", [".partial", ".partial/new", "earlier", "01 Song"])
def test_nothing_goes_through_a_link_in_the_folder_of_mixes(tmp_path: Path, link: str) -> None:
    home, take = home_in(tmp_path), tmp_path / "take"
    mixes = home.mixes
    plant(take, {"01 Song/mix.wav": b"raw", "01 Song/recall.json": FIRST["recall.json"], "new/01 Song/x.wav": b"raw"})
    if link != "01 Song":
        put(mixes, "01 Song", FIRST)
        recover(home)
    (mixes / link).parent.mkdir(parents=True, exist_ok=True)
    target = take / "01 Song" if link == "01 Song" else take
    (mixes / link).symlink_to(target, target_is_directory=True)
    before = tree(take)
    with pytest.raises(OutputError, match=r"is a link|is in the way"):
        put(mixes, "01 Song", SECOND)
    assert tree(take) == before


def test_other_files_in_a_folder_of_the_same_name_stay(tmp_path: Path) -> None:
    home = home_in(tmp_path)
    mine = {"note.txt": b"mine", "new/take/input.wav": b"mine", "trash/letters/a.txt": b"mine"}
    plant(home.mixes / ".partial", mine)
    put(home.mixes, "01 Song", FIRST)
    recover(home)
    assert tree(home.mixes / ".partial") == mine


# ---------------------------------------------------------------- what stays


def test_an_unchanged_mix_keeps_the_previous_version(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    put(tmp_path, "01 Song", SECOND)
    says_more = SECOND | {"recall.json": SECOND["recall.json"].replace(b"{", b'{"made_by": "2", ', 1)}
    plant(tmp_path / "01 Song", MINE)
    put(tmp_path, "01 Song", says_more)
    assert tree(tmp_path / "01 Song") == says_more | MINE
    assert tree(tmp_path / "earlier") == {f"01 Song/{name}": content for name, content in FIRST.items()}
    assert not (tmp_path / ".partial" / "new" / "01 Song").exists()


def test_one_changed_byte_is_a_new_version(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    put(tmp_path, "01 Song", FIRST | {"mix.wav": b"1mix.waw"})
    assert tree(tmp_path / "earlier" / "01 Song") == FIRST


def test_songs_of_a_former_list_go_to_earlier_and_lose_nothing(tmp_path: Path) -> None:
    for name, title in (("01 Song", "Song"), ("02 Old", "Old"), ("03 Mine", "Mine")):
        put(tmp_path, name, song(b"1", "mix.wav", title=title))
    put(tmp_path, "02 Old", song(b"2", "mix.wav", title="Old"))
    plant(tmp_path / "03 Mine", MINE)
    retire_songs(tmp_path, ["01 Song"])
    assert [folder.name for folder in song_folders(tmp_path)] == ["01 Song"]
    former = " (from a former list of songs)"
    assert {folder.name for folder in (tmp_path / "earlier").iterdir()} == {
        "02 Old",
        f"02 Old{former}",
        f"03 Mine{former}",
    }
    assert tree(tmp_path / "earlier" / f"03 Mine{former}") == song(b"1", "mix.wav", title="Mine") | MINE


@pytest.mark.parametrize("at", ["partial", "file", "mixes"])
def test_a_folder_removed_meanwhile_is_reported(tmp_path: Path, at: str) -> None:
    mixes = tmp_path / "mixes"
    put(mixes, "01 Song", FIRST)
    partial = begin_song(mixes, "01 Song")
    plant(partial, SECOND)
    gone = {"partial": mixes / ".partial", "file": partial / "mix.wav", "mixes": mixes}[at]
    gone.rename(tmp_path / "gone")
    with pytest.raises(OutputError, match="was removed or changed while the song was being mixed"):
        finish_song(partial, mixes, "01 Song")


@pytest.mark.parametrize("given", ["root", "recipe", "mixes", "song", "earlier"])
def test_reading_a_mix_folder_finishes_a_begun_swap_first(tmp_path: Path, given: str) -> None:
    home = home_in(tmp_path / "Thursday mix")
    put(home.mixes, "01 Song", FIRST)
    plant(begin_song(home.mixes, "01 Song"), SECOND)
    journal(home.mixes)
    (home.mixes / "earlier").mkdir()
    # Killed between the two renames.
    (home.mixes / "01 Song").rename(home.mixes / "earlier" / "01 Song")
    path = {
        "root": home.root,
        "recipe": home.recipe,
        "mixes": home.mixes,
        "song": home.mixes / "01 Song",
        "earlier": home.mixes / "earlier" / "01 Song",
    }[given]
    with locked(home):
        finish_swaps(path)
        assert not (home.mixes / "01 Song").exists(), "the run that holds the lock does that"
    finish_swaps(path)
    assert tree(home.mixes / "01 Song") == SECOND
    assert tree(home.mixes / "earlier" / "01 Song") == FIRST
    assert not os.path.lexists(home.mixes / ".partial")


def test_reading_writes_nothing_where_nothing_was_begun(tmp_path: Path) -> None:
    home = home_in(tmp_path)
    put(home.mixes, "01 Song", FIRST)
    recover(home)
    before = sorted(tmp_path.rglob("*"))
    finish_swaps(home.root)
    assert sorted(tmp_path.rglob("*")) == before


def test_names_in_other_normal_forms_are_the_same(tmp_path: Path) -> None:
    """macOS may hand back decomposed names (Apple, "File System Basics"; from memory)."""
    plant(tmp_path / "01 Cafe\u0301", song(b"1", "mix.wav", title="Caf\u00e9"))
    assert is_song_folder(tmp_path / "01 Cafe\u0301")


def test_a_song_with_a_damaged_sheet_is_still_listed(tmp_path: Path) -> None:
    for name, title in (("01 Song", "Song"), ("02 Other", "Other")):
        put(tmp_path, name, song(b"1", "mix.wav", title=title))
    (tmp_path / "02 Other" / "recall.json").write_bytes(b'{"title": "Oth')
    plant(tmp_path / "03 Notes", {"recall.json": b'{"title": "Else"}'})
    assert song_sheets(tmp_path) == [tmp_path / "01 Song" / "recall.json", tmp_path / "02 Other" / "recall.json"]
    retire_songs(tmp_path, ["01 Song"])
    assert (tmp_path / "02 Other").is_dir()
