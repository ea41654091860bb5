"""Text files are read with clear errors and written atomically."""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest

from files.made import written
from morningmix.errors import OutputError, RecipeError
from morningmix.storage.text import read_bytes, read_text, remove_drafts, write_text_new, write_text_whole


def test_a_text_is_written_byte_for_byte(tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    for text in ("a\r\nb\n", "🥁"):
        write_text_whole(path, text)
        assert path.read_bytes() == text.encode()
    assert list(tmp_path.iterdir()) == [path]


def test_a_disk_that_fills_up_leaves_the_old_text(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = written(tmp_path, "old")

    def full(_: int) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("morningmix.storage.text.os.fsync", full)
    with pytest.raises(OutputError, match=r"recipe\.toml cannot be written: No space left"):
        write_text_whole(path, "new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_that_is_not_there(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written"):
        write_text_whole(tmp_path / "nowhere" / "recipe.toml", "x")


def test_a_new_file_is_not_written_over_one_that_has_appeared(tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    write_text_new(recipe, "ours")
    with pytest.raises(OutputError, match=r"recipe\.toml appeared during this run"):
        write_text_new(recipe, "again")
    assert [path.name for path in tmp_path.iterdir()] == ["recipe.toml"]
    assert recipe.read_text() == "ours"


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_link_is_replaced_by_a_file(tmp_path: Path) -> None:
    (tmp_path / "input.wav").write_text("raw")
    (tmp_path / "report.html").symlink_to(tmp_path / "input.wav")
    (tmp_path / f".report.html.{os.getpid()}.partial").symlink_to(tmp_path / "input.wav")
    write_text_whole(tmp_path / "report.html", "page")
    assert (tmp_path / "input.wav").read_text() == "raw"
    assert not (tmp_path / "report.html").is_symlink()
    assert (tmp_path / "report.html").read_text() == "page"


@pytest.mark.skipif(sys.platform == "win32", reason="rights are others there")
def test_the_permissions_of_the_old_file_stay(tmp_path: Path) -> None:
    (tmp_path / "recipe.toml").touch(mode=0o640)
    write_text_whole(tmp_path / "recipe.toml", "new")
    assert (tmp_path / "recipe.toml").stat().st_mode & 0o777 == 0o640


def test_drafts_that_killed_runs_left_are_removed_and_nothing_else(tmp_path: Path) -> None:
    others = (".recipe.toml.partial", ".x.partial", "recipe.toml", ".other.toml.7.partial")
    for name in (".recipe.toml.12.partial", *others):
        (tmp_path / name).touch()
    remove_drafts(tmp_path / "recipe.toml")
    assert {path.name for path in tmp_path.iterdir()} == set(others)
    remove_drafts(tmp_path / "nowhere" / "recipe.toml")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names there")
def test_only_plain_files_are_read(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", Path("/dev/zero"), tmp_path):
        with pytest.raises(RecipeError, match="is not a plain file"):
            read_text(path)


def test_a_file_that_is_too_big_is_not_read_completely(tmp_path: Path) -> None:
    (tmp_path / "big").write_bytes(b"x" * 2_000_001)
    with pytest.raises(RecipeError, match="bigger than 2 MB"):
        read_bytes(tmp_path / "big", 2_000_000)
