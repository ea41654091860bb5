"""One run at a time in a mix folder, one change at a time to a recipe."""

from __future__ import annotations

import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from morningmix.errors import BusyError, OutputError
from morningmix.storage.home import Home
from morningmix.storage.lock import editing, locked


def home_in(tmp_path: Path) -> Home:
    return Home(root=tmp_path, mixes=tmp_path / "mixes", recipe=tmp_path / "recipe.toml", cache=tmp_path / ".cache")


def test_a_second_run_at_a_time_is_refused_and_a_later_one_is_not(tmp_path: Path) -> None:
    home = home_in(tmp_path)
    with (
        locked(home),
        pytest.raises(BusyError, match=r"[Aa]nother run is using") as caught,
        locked(home),
    ):
        pass
    assert caught.value.exit_code == 7
    with locked(home):
        pass


def test_a_killed_run_leaves_no_lock(tmp_path: Path) -> None:
    home = home_in(tmp_path)
    code = (
        "import sys, time; from pathlib import Path\n"
        "from morningmix.storage.home import Home; from morningmix.storage.lock import locked\n"
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


def test_changes_to_a_recipe_wait_for_each_other(tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text("0")

    def add(_: int) -> None:
        with editing(recipe):
            recipe.write_text(str(int(recipe.read_text()) + 1))

    with ThreadPoolExecutor(10) as pool:
        list(pool.map(add, range(50)))
    assert recipe.read_text() == "50"


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_a_recipe_that_is_a_link_is_not_changed(tmp_path: Path) -> None:
    (tmp_path / "recipe.toml").symlink_to(tmp_path / "elsewhere.toml")
    with pytest.raises(OutputError, match="is a link"), editing(tmp_path / "recipe.toml"):
        pass


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights there")
def test_nothing_is_locked_or_kept_in_a_cache_that_is_a_link(tmp_path: Path) -> None:
    root = tmp_path / "mix"
    root.mkdir()
    (root / ".cache").symlink_to("..")
    home = Home(root=root, mixes=root / "mixes", recipe=root / "recipe.toml", cache=root / ".cache")
    with pytest.raises(OutputError, match="is a link"), locked(home):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["mix"]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names there")
@pytest.mark.parametrize("kind", ["link", "dangling link", "pipe", "folder"])
def test_the_lock_is_a_plain_file_of_its_own(tmp_path: Path, kind: str) -> None:
    lock, theirs = tmp_path / ".cache" / "lock", tmp_path / "input-01.wav"
    lock.parent.mkdir()
    if kind == "pipe":
        os.mkfifo(lock)
    elif kind == "folder":
        lock.mkdir()
    else:
        lock.symlink_to(theirs)
    if kind == "link":
        theirs.write_bytes(b"raw")
    with pytest.raises(OutputError, match="not a plain file"), locked(home_in(tmp_path)):
        pass
    assert theirs.exists() == (kind == "link")
