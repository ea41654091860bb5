"""The page driven in Chromium as a person uses it: who is who and songs, with mouse, keys and two windows."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from command_line import digests
from commands.test_songs import FIRST_S, SECOND_S, write_rehearsal

pytestmark = pytest.mark.browser

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    driver = pytest.importorskip("playwright.sync_api")
    if CHROMIUM is None:
        pytest.skip("there is no Chromium here")
    with driver.sync_playwright() as play:
        arguments = ["--no-sandbox", "--autoplay-policy=no-user-gesture-required"]
        yield play.chromium.launch(executable_path=CHROMIUM, args=arguments)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_rehearsal(tmp_path_factory.mktemp("rehearsal") / "Thursday")


@pytest.fixture
def address(folder: Path) -> Iterator[str]:
    """The page of a rehearsal whose mix folder is new."""
    shutil.rmtree(folder.parent / "Thursday mix", ignore_errors=True)
    command = [sys.executable, "-m", "morningmix", "open", "Thursday", "--no-browser"]
    with subprocess.Popen(command, cwd=folder.parent, stdout=subprocess.PIPE, text=True, env=os.environ) as server:
        assert server.stdout is not None
        yield server.stdout.readline().strip()
        server.send_signal(signal.SIGINT)
        assert server.wait(20) == 0


@pytest.fixture
def page(browser: Any, address: str) -> Iterator[Any]:
    """The page, when every input has been listened to; what the browser complains about is a failure."""
    complaints: list[str] = []
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(address)
    page.wait_for_selector("#role-0", timeout=60_000)
    quiet(page)
    yield page
    context.close()
    assert complaints == []


def quiet(page: Any) -> None:
    page.wait_for_timeout(200)
    until(page, "document.body.dataset.working === 'false'")


def recipe(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder.parent / "Thursday mix" / "recipe.toml").read_text(encoding="utf-8"))


def until(page: Any, says: str) -> None:
    """Wait until something is true in the page, which lets no text be run."""
    by = time.monotonic() + 60.0
    while not page.evaluate(f"() => Boolean({says})"):
        assert time.monotonic() < by, says
        page.wait_for_timeout(50)


def test_from_names_to_songs(page: Any, folder: Path) -> None:
    before = digests(folder)
    # The sound of a card comes from its pieces, and the hand moves.
    page.locator("#play-0").click()
    until(page, "document.querySelector('#input-0 .hand').classList.contains('on')")
    assert "Nothing" not in page.locator("#playing").inner_text()
    page.keyboard.press("Escape")
    until(page, "document.getElementById('stop').disabled")

    page.locator("#name-0").fill("the bass")
    page.locator("#name-0").press("Tab")
    until(page, "document.querySelector('#input-0 h3').innerText === 'the bass'")
    page.locator("#player-0").fill("Mara")
    page.locator("#player-0").press("Enter")
    page.wait_for_selector("#players option[value=Mara]", state="attached")
    quiet(page)
    (bass,) = [one for one in recipe(folder)["input"] if one["name"] == "the bass"]
    assert bass["player"] == "Mara"

    # A song's start by keys: one step later, then on to the next place where one may start.
    starts = page.locator("#start-0-0")
    starts.scroll_into_view_if_needed()
    starts.focus()
    was_s = float(starts.get_attribute("aria-valuenow"))
    page.keyboard.press("ArrowRight")
    until(page, f"Number(document.getElementById('start-0-0').ariaValueNow) > {was_s}")
    page.wait_for_selector("#song-0-0 .said")
    assert start_of(folder, 0) == pytest.approx(was_s + 0.1, abs=0.02)
    assert page.evaluate("document.activeElement.id") == "start-0-0"

    # And by dragging its end well into the song.
    page.wait_for_selector("#songs .said", state="detached")
    end = page.locator("#end-0-0").bounding_box()
    page.mouse.move(end["x"] + 22, end["y"] + 40)
    page.mouse.down()
    page.mouse.move(end["x"] - 150, end["y"] + 40, steps=6)
    assert page.locator("#song-0-0 .bubble").is_visible()
    ends_s = float(page.locator("#end-0-0").get_attribute("aria-valuenow"))
    page.mouse.up()
    until(page, "!document.getElementById('songs').dataset.held")
    assert end_of(folder, 0) == pytest.approx(ends_s, abs=0.05)
    assert ends_s < FIRST_S + 30.0

    page.locator("#title-0-1").fill("Rope Swing")
    page.locator("#title-0-1").press("Enter")
    until(page, "document.querySelector('#song-0-1').dataset.title === 'Rope Swing'")
    page.locator("#keep-0-0").click()
    until(page, "document.querySelector('#song-0-0').classList.contains('out')")
    songs = recipe(folder)["song"]
    assert [song["title"] for song in songs] == ["Song 1", "Rope Swing"]
    assert songs[0]["keep"] is False

    # The drawer shows it all, and takes it back.
    page.locator("#drawer-button").click()
    assert page.locator(".changes > li").count() >= 6
    page.locator("#undo").click()
    until(page, "!document.querySelector('#song-0-0').classList.contains('out')")
    assert "keep" not in recipe(folder)["song"][0]
    assert digests(folder) == before


def start_of(folder: Path, song: int) -> float:
    return seconds(recipe(folder)["song"][song]["start"])


def end_of(folder: Path, song: int) -> float:
    return seconds(recipe(folder)["song"][song]["end"])


def seconds(clock: str) -> float:
    minutes, rest = clock.split(":")
    return 60.0 * int(minutes) + float(rest)


def test_a_song_is_split_where_it_plays_and_joined_again(page: Any, folder: Path) -> None:
    page.locator("#play-start-0-1").click()
    until(page, "!document.querySelector('#split-0-1').disabled")
    page.locator("#stop").click()
    page.locator("#split-0-1").click()
    page.wait_for_selector("#song-0-2")
    songs = recipe(folder)["song"]
    assert songs[1]["end"] == songs[2]["start"]
    assert seconds(songs[1]["start"]) < SECOND_S < seconds(songs[2]["end"])
    page.locator("#join-0-1").click()
    until(page, "!document.querySelector('#song-0-2')")
    assert len(recipe(folder)["song"]) == 2


def test_two_windows_show_the_same(page: Any, folder: Path) -> None:
    other = page.context.new_page()
    other.goto(page.url)
    other.wait_for_selector("#title-0-0")
    other.locator("#title-0-0").fill("<img src=x onerror=alert(1)>")
    other.locator("#title-0-0").press("Enter")
    until(page, "document.querySelector('#title-0-0').value === '<img src=x onerror=alert(1)>'")
    assert page.locator("img").count() == 0
    assert json.dumps(recipe(folder)["song"][0]["title"]) == '"<img src=x onerror=alert(1)>"'


@pytest.mark.parametrize("width", [360, 1280])
def test_nothing_reaches_past_the_edge(width: int, page: Any) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
