"""Paths of a mix folder and names of its files."""

from __future__ import annotations

import errno
import os
import shutil
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from morningmix.errors import OutputError, UsageError
from morningmix.storage.home import home_of, output_errors, refuse_full, refuse_inside, safe_name


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
def test_home_is_beside_the_tracks_when_run_from_inside_them(tmp_path: Path, source: str, cwd: str) -> None:
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
    with pytest.raises(UsageError, match="inside the folder with the raw tracks"):
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
        ("kick\x1b[31m\x9b", "kick[31m"),
        ("a\u202eb\u2066c\u200ed\ufeff", "abcd"),
        ("\u200dkick\u200d. ", "kick"),
        ("CON\u200d", "_CON"),
        ("نمی\u200cخواهم", "نمی\u200cخواهم"),
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
    assert all(unicodedata.category(sign) not in ("Cc", "Cf") or sign in "\u200c\u200d" for sign in name)
    assert name == name.strip()
    assert not name.startswith(".")
    assert not name.endswith(".")
    assert name.split(".")[0].rstrip().upper() not in {"CON", "PRN", "AUX", "NUL", "COM1", "LPT1"}
    assert unicodedata.is_normalized("NFC", name)
    assert safe_name(name) == name


def test_long_titles_are_cut_between_characters() -> None:
    name = safe_name("🥁" * 200)
    assert name == "🥁" * 30


# ---------------------------------------------------------------- errors of the disk


@pytest.mark.parametrize(
    ("number", "says"),
    [(errno.ENOSPC, "The disk is full, so "), (errno.EACCES, "No permission"), (errno.EROFS, "read-only disk")],
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


def test_a_full_disk_is_refused_before_anything_is_written(tmp_path: Path) -> None:
    free = shutil.disk_usage(tmp_path).free
    refuse_full(tmp_path / "not" / "yet", free / 2, "Mixing")
    with pytest.raises(OutputError, match=r"Mixing needs about .* GB in .*yet, but the disk has only .*GB left\."):
        refuse_full(tmp_path / "not" / "yet", free * 1000.0, "Mixing")
    assert not (tmp_path / "not").exists()
