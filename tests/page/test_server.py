"""The server as a person starts it: the address on the first line, nothing for others, and an end."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from http.cookiejar import CookieJar
from pathlib import Path

import pytest

from morningmix.commands.order import settings_of
from morningmix.page import server
from morningmix.storage.lock import locked
from page.made import RECIPE, opened, wait


def started(folder: Path, *arguments: str) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "morningmix", *arguments]
    return subprocess.Popen(command, cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)


@pytest.mark.skipif(sys.platform == "win32", reason="a test cannot press Ctrl-C there")
def test_it_says_its_address_answers_only_there_and_ends_by_ctrl_c(tmp_path: Path) -> None:
    wait(opened(tmp_path))
    process = started(tmp_path, "open", "--no-browser")
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    assert address.startswith("http://127.0.0.1:")
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor(CookieJar()))
    with browser.open(address) as page:
        assert b"Who plays what" in page.read()
    with pytest.raises(urllib.error.HTTPError, match="403"):
        urllib.request.urlopen(address.partition("?")[0])
    # A page that is open and listens to what happens does not hold it up.
    with browser.open(address.partition("?")[0] + "events") as events:
        assert events.readline() == b"retry: 1000\n"
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=20)
    assert (process.returncode, err) == (0, ""), err
    assert "closed" in out


def test_it_ends_when_nobody_has_looked_for_a_while(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(server, "ALONE_S", 0.5)
    rehearsal = opened(tmp_path)
    addresses: list[str] = []
    began_s = time.monotonic()
    thread = threading.Thread(target=_quietly, args=(rehearsal, addresses))
    thread.start()
    thread.join(20)
    assert not thread.is_alive()
    assert time.monotonic() - began_s >= 0.5
    assert rehearsal.heard is not None, "it does not end in the middle of something"
    assert len(addresses) == 1


def _quietly(rehearsal: server.Rehearsal, addresses: list[str]) -> None:
    server.serve(rehearsal, addresses.append)


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a test cannot press Ctrl-C there")
@pytest.mark.parametrize("inside", ["take", "."])
def test_the_program_alone_opens_the_folder_it_is_in(inside: str, tmp_path: Path) -> None:
    wait(opened(tmp_path))
    place = tmp_path / inside
    environment = {**os.environ, "BROWSER": "true"}
    command = [sys.executable, "-m", "morningmix"]
    with subprocess.Popen(command, cwd=place, stdout=subprocess.PIPE, text=True, env=environment) as process:
        assert process.stdout is not None
        assert process.stdout.readline().startswith("http://127.0.0.1:")
        process.send_signal(signal.SIGINT)
        assert process.wait(20) == 0


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="a test cannot press Ctrl-C there")
def test_where_there_are_no_recordings_it_is_the_demo(tmp_path: Path) -> None:
    process = started(tmp_path, "open", "--no-browser")
    assert process.stdout is not None
    assert process.stdout.readline().startswith("http://127.0.0.1:")
    assert "demo" in process.stdout.readline()
    process.send_signal(signal.SIGINT)
    _, err = process.communicate(timeout=20)
    assert (process.returncode, err) == (0, ""), err
    assert [path.name for path in tmp_path.iterdir()] in ([], ["shed-night mix"])


@pytest.mark.slow
def test_where_a_folder_holds_nothing_to_open_one_line_says_so(tmp_path: Path) -> None:
    process = started(tmp_path, "open", ".", "--no-browser")
    out, err = process.communicate(timeout=60)
    assert (process.returncode, out) == (4, "")
    assert err.count("\n") == 1


def problems(rehearsal: server.Rehearsal) -> list[str]:
    """Receives what the pages are told to have gone wrong."""
    told: list[str] = []

    def tell(_kind: str, **facts: object) -> None:
        told.append(str(facts.get("problem")))

    rehearsal.events.tell = tell  # type: ignore[method-assign]
    return told


def test_a_mix_in_a_terminal_is_not_disturbed(tmp_path: Path) -> None:
    rehearsal = opened(tmp_path, heard=True)
    told = problems(rehearsal)
    with locked(rehearsal.home):
        rehearsal.listen()
        wait(rehearsal)
    assert any("Another run is using" in says for says in told)
    assert rehearsal.heard is not None


@pytest.mark.skipif(sys.platform == "win32", reason="counts what the system is asked to do")
@pytest.mark.parametrize("number", [pytest.param(1, marks=pytest.mark.slow), 40])
def test_a_disk_that_is_full_in_mid_mix_is_one_line(number: int, tmp_path: Path) -> None:
    """From an event of the mix on, which has a process of its own, there is no room on the disk."""
    rehearsal = opened(tmp_path, heard=True)
    recipe = rehearsal.home.recipe.read_text(encoding="utf-8")
    told = problems(rehearsal)
    mixing = """
import sys
from pathlib import Path
from attack.events import full_from, watch
from morningmix.commands.order import settings_of
from page.made import opened, wait
from page.test_server import problems
rehearsal = opened(Path(sys.argv[1]), heard=True)
told = problems(rehearsal)
watch(full_from(int(sys.argv[2])))
rehearsal.mix(settings_of(rehearsal.order))
wait(rehearsal)
print([says for says in told if says != "None"])
"""
    command = [sys.executable, "-c", mixing, str(tmp_path), str(number)]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False, env=environment)
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    assert "disk is full" in done.stdout, done.stdout
    assert done.stdout.lower().count("free some space") == 1, done.stdout
    assert "mistake" not in done.stdout
    assert rehearsal.home.recipe.read_text(encoding="utf-8") == recipe
    assert not any(rehearsal.home.mixes.glob("0*"))
    # With room again it goes on.
    rehearsal.mix(settings_of(rehearsal.order))
    wait(rehearsal)
    assert set(told) == {"None"}
    assert len([*rehearsal.home.mixes.glob("01*/*.wav")]) == 1


def test_a_folder_that_has_moved_away_is_named(tmp_path: Path) -> None:
    rehearsal = opened(tmp_path, heard=True)
    told = problems(rehearsal)
    shutil.move(tmp_path / "take", tmp_path / "elsewhere")
    rehearsal.listen()
    wait(rehearsal)
    assert any(str(tmp_path / "take") in says for says in told)
    assert (tmp_path / "recipe.toml").read_text(encoding="utf-8") == RECIPE
