"""Where a rehearsal lives, and that its outputs appear whole or not at all."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.errors import BusyError, OutputError, UsageError
from morningmix.home import (
    Home,
    begin_song,
    finish_song,
    home_of,
    locked,
    output_errors,
    recover,
    refuse_full,
    refuse_inside,
    safe_name,
)

# ---------------------------------------------------------------- where


def folder(path: Path) -> Path:
    path.mkdir(parents=True)
    return path


def test_home_is_in_the_current_folder(tmp_path: Path) -> None:
    tracks, cwd = folder(tmp_path / "card" / "Thursday"), folder(tmp_path / "band")
    home = home_of(tracks, cwd, None)
    assert home.root == cwd / "Thursday mix"
    assert home.mixes == home.root / "mixes"
    assert home.recipe == home.root / "recipe.toml"
    assert home.cache == home.root / ".cache"
    assert not home.root.exists()


@pytest.mark.parametrize(("source", "cwd"), [(".", "Thursday"), ("..", "Thursday/inner"), ("../Thursday", "Thursday")])
def test_home_is_beside_the_tracks_when_one_stands_in_them(tmp_path: Path, source: str, cwd: str) -> None:
    folder(tmp_path / "Thursday" / "inner")
    assert home_of(Path(source), tmp_path / cwd, None).root == tmp_path / "Thursday mix"


def test_out_is_home_for_a_folder_and_mixes_for_a_recipe(tmp_path: Path) -> None:
    tracks = folder(tmp_path / "Thursday")
    recipe = folder(tmp_path / "Thursday mix") / "my.toml"
    recipe.touch()
    assert home_of(tracks, tmp_path, Path("there")).root == tmp_path / "there"
    home = home_of(recipe, tmp_path, Path("there"))
    assert (home.root, home.mixes, home.recipe) == (recipe.parent, tmp_path / "there", recipe)
    assert home_of(recipe, tmp_path, None).mixes == recipe.parent / "mixes"


@pytest.mark.parametrize("out", ["Thursday", "Thursday/mixed", "there/../Thursday/x"])
def test_home_is_never_inside_the_tracks(tmp_path: Path, out: str) -> None:
    tracks = folder(tmp_path / "Thursday")
    with pytest.raises(UsageError, match="inside the folder of the raw tracks"):
        home_of(tracks, tmp_path, Path(out))
    assert list(tracks.iterdir()) == []


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_link_into_the_tracks_is_inside_the_tracks(tmp_path: Path) -> None:
    tracks = folder(tmp_path / "Thursday")
    (tmp_path / "link").symlink_to(tracks)
    with pytest.raises(UsageError, match="inside"):
        home_of(tracks, tmp_path, Path("link/x"))


def test_a_recipe_among_the_tracks_is_refused(tmp_path: Path) -> None:
    tracks = folder(tmp_path / "Thursday")
    (tracks / "recipe.toml").touch()
    home = home_of(tracks / "recipe.toml", tmp_path, None)
    with pytest.raises(UsageError, match="inside"):
        refuse_inside(home, tracks)


def test_a_source_that_is_not_there(tmp_path: Path) -> None:
    (tmp_path / "a.wav").touch()
    with pytest.raises(UsageError, match=r"There is no .*nowhere"):
        home_of(Path("nowhere"), tmp_path, None)
    with pytest.raises(UsageError, match="neither a folder"):
        home_of(Path("a.wav"), tmp_path, None)


# ---------------------------------------------------------------- one run at a time


def home_in(tmp_path: Path) -> Home:
    return Home(root=tmp_path, mixes=tmp_path / "mixes", recipe=tmp_path / "recipe.toml", cache=tmp_path / ".cache")


def test_a_second_run_is_told_and_a_later_one_is_not(tmp_path: Path) -> None:
    home = home_in(tmp_path)
    with (
        locked(home),
        pytest.raises(BusyError, match=r"[Aa]nother run is working in") as caught,
        locked(home),
    ):
        pass
    assert caught.value.exit_code == 7
    with locked(home):
        pass


def test_a_killed_run_leaves_no_lock(tmp_path: Path) -> None:
    home = home_in(tmp_path)
    code = (
        "import sys, time; from pathlib import Path; from morningmix.home import Home, locked\n"
        "r = Path(sys.argv[1])\n"
        "with locked(Home(root=r, mixes=r, recipe=r, cache=r / '.cache')):\n"
        "    print('in', flush=True); time.sleep(60)\n"
    )
    with subprocess.Popen([sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE) as run:
        assert run.stdout is not None
        assert run.stdout.readline().strip() == b"in"
        with pytest.raises(BusyError), locked(home):
            pass
        run.kill()
        run.wait()
    with locked(home):
        pass


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(
    ("title", "name"),
    [
        ("Copper Rain Gauge", "Copper Rain Gauge"),
        ("", "untitled"),
        (" .. ", "untitled"),
        ("../../etc", "-..-etc"),
        ("AM/FM: why?", "AM-FM- why"),
        ("CON", "_CON"),
        ("nul.txt", "_nul.txt"),
        ("com¹", "_com¹"),
        ("Conny", "Conny"),
        ("dots...", "dots"),
        ("a\tb\nc\x00d", "a b cd"),
        ("Cafe\u0301", "Caf\u00e9"),
        ("🥁 loud 👩‍🎤", "🥁 loud 👩‍🎤"),
        ("\ud800x", "x"),
    ],
)
def test_safe_names(title: str, name: str) -> None:
    assert safe_name(title) == name


@given(st.text(st.characters(), max_size=300) | st.text("CONPRNAUX.COM1 /\\:🥁é ", max_size=40))
@settings(max_examples=200, deadline=None)
def test_any_title_gives_a_name_that_any_system_takes(title: str) -> None:
    """Rules: Microsoft, "Naming Files, Paths, and Namespaces" (from memory); 255 bytes: common practice, no source."""
    name = safe_name(title)
    assert name
    assert len(name.encode("utf-8")) <= 121
    assert not set(name) & set('/\\:*?"<>|')
    assert all(unicodedata.category(sign) != "Cc" for sign in name)
    assert name == name.strip()
    assert not name.startswith(".")
    assert not name.endswith(".")
    assert name.split(".")[0].rstrip().upper() not in {"CON", "PRN", "AUX", "NUL", "COM1", "LPT1"}
    assert unicodedata.is_normalized("NFC", name)
    assert safe_name(name) == name


def test_long_titles_are_cut_between_signs() -> None:
    name = safe_name("🥁" * 200)
    assert name == "🥁" * 30


# ---------------------------------------------------------------- errors of the disk


@pytest.mark.parametrize(
    ("number", "says"),
    [(errno.ENOSPC, "The disk is full: "), (errno.EACCES, "No permission"), (errno.EROFS, "cannot be written")],
)
def test_errors_of_the_disk_are_one_clear_line(number: int, says: str) -> None:
    with pytest.raises(OutputError, match=says) as caught, output_errors(Path("mixes") / "a.wav"):
        raise OSError(number, os.strerror(number))
    assert "a.wav" in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 5
    assert isinstance(caught.value.__cause__, OSError)


def test_other_errors_pass() -> None:
    with pytest.raises(ZeroDivisionError), output_errors(Path("x")):
        raise ZeroDivisionError


# ---------------------------------------------------------------- whole or not at all

Tree = dict[str, bytes]


def tree(root: Path) -> Tree:
    return {file.relative_to(root).as_posix(): file.read_bytes() for file in root.rglob("*") if file.is_file()}


def plant(root: Path, files: Tree) -> None:
    for name, content in files.items():
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_bytes(content)


def song(version: bytes, *names: str) -> Tree:
    sheet = json.dumps({"files": [*names, "recall.json"]}).encode()
    return {**{name: version + name.encode() for name in names}, "recall.json": sheet}


FIRST = song(b"1", "mix.wav", "stems/drums.wav")
SECOND = song(b"2", "mix.wav", "stems/drums.wav", "stems/bass.wav")
THIRD = song(b"3", "mix.wav", "stems/drums.wav", "stems/bass.wav", "notes.txt")
MINE = {"notes.txt": b"mine", "stems/drums edited.wav": b"mine too"}


def put(mixes: Path, name: str, files: Tree, replaces: str | None = None) -> None:
    partial = begin_song(mixes, name)
    plant(partial, files)
    finish_song(partial, mixes, name, replaces=replaces)


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


def test_files_of_ones_own_are_carried_over_and_never_overwrite_nor_get_lost(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    plant(tmp_path / "01 Song", MINE)
    put(tmp_path, "01 Song", SECOND)
    assert tree(tmp_path / "01 Song") == SECOND | MINE
    put(tmp_path, "01 Song", THIRD)
    renamed = {"notes (2).txt": MINE["notes.txt"], "stems/drums edited.wav": MINE["stems/drums edited.wav"]}
    assert tree(tmp_path / "01 Song") == THIRD | renamed


@pytest.mark.parametrize("sheet", [None, b"{", b"[]", b'{"files": 3}', b"\xff"])
def test_without_a_readable_recall_sheet_everything_else_counts_as_ones_own(
    tmp_path: Path, sheet: bytes | None
) -> None:
    plant(tmp_path / "01 Song", {"old.wav": b"old"} | ({} if sheet is None else {"recall.json": sheet}))
    put(tmp_path, "01 Song", FIRST)
    assert tree(tmp_path / "01 Song") == FIRST | {"old.wav": b"old"}


def test_a_retitled_song_takes_its_folder_along(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    put(tmp_path, "01 Song", SECOND)
    plant(tmp_path / "01 Song", MINE)
    put(tmp_path, "01 New Name", THIRD, replaces="01 Song")
    assert not (tmp_path / "01 Song").exists()
    assert tree(tmp_path / "01 New Name") == THIRD | {
        "notes (2).txt": b"mine",
        "stems/drums edited.wav": b"mine too",
    }
    assert tree(tmp_path / "earlier" / "01 New Name") == SECOND | MINE
    assert [entry.name for entry in (tmp_path / "earlier").iterdir()] == ["01 New Name"]


def test_a_retitled_song_that_lands_on_another_one(tmp_path: Path) -> None:
    put(tmp_path, "01 Song", FIRST)
    put(tmp_path, "01 Other", SECOND)
    plant(tmp_path / "01 Other", {"other.txt": b"other"})
    put(tmp_path, "01 Other", THIRD, replaces="01 Song")
    assert tree(tmp_path / "01 Other") == THIRD | {"other.txt": b"other"}
    assert tree(tmp_path / "earlier" / "01 Song") == FIRST
    assert tree(tmp_path / "earlier" / "01 Other") == SECOND | {"other.txt": b"other"}


class Killed(BaseException):
    """What a killed process does: nothing more."""


class Reaper:
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


REAPER = Reaper()


@pytest.mark.parametrize("replaces", [None, "01 Song"], ids=["same title", "retitled"])
def test_a_kill_at_any_step_leaves_the_old_or_the_new_whole(tmp_path: Path, replaces: str | None) -> None:
    """Every step Python reports (audit events, PEP 578) is the last one once; then recovery is killed at every step."""
    name = "01 Song" if replaces is None else "01 New Name"
    new = SECOND | MINE
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
        REAPER.left = steps
        try:
            run()  # type: ignore[operator]
        except Killed:
            return True
        finally:
            REAPER.left = None
        return False

    def check(home: Home) -> str:
        recover(home)
        songs = {entry.name: tree(entry) for entry in home.mixes.iterdir() if entry.name != "earlier"}
        earlier = {entry.name: tree(entry) for entry in (home.mixes / "earlier").iterdir()}
        if songs == {"01 Song": old}:
            assert earlier == {"01 Song": before}
            return "old"
        assert songs == {name: new}
        assert earlier == {name: old}
        return "new"

    step = 0
    killed = True
    while killed:
        home = fresh(step, 0)
        killed = die_after(step, lambda home=home: put(home.mixes, name, SECOND, replaces))
        outcomes.add(check(home))
        step += 1
    assert outcomes == {"old", "new"}
    assert step > 30

    for first in range(0, step, 7):
        second = 0
        killed = True
        while killed:
            home = fresh(first, second + 1)
            assert die_after(first, lambda home=home: put(home.mixes, name, SECOND, replaces))
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

    monkeypatch.setattr("morningmix.home.shutil.copy2", full)
    with pytest.raises(OutputError, match="The disk is full"):
        put(home.mixes, "01 Song", SECOND)
    recover(home)
    assert tree(home.mixes) == {f"01 Song/{file}": content for file, content in (FIRST | MINE).items()}


def test_what_does_not_fit_is_said_before_anything_is_written(tmp_path: Path) -> None:
    free = shutil.disk_usage(tmp_path).free
    refuse_full(tmp_path / "not" / "yet", free / 2, "Mixing")
    with pytest.raises(OutputError, match=r"Mixing needs about .* GB in .*yet, and its disk has .*GB left\. Make room"):
        refuse_full(tmp_path / "not" / "yet", free * 1000.0, "Mixing")
    assert not (tmp_path / "not").exists()
