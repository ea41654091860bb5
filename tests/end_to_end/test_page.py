"""The page driven in Chromium as a person uses it: who plays what and songs, with mouse, keys and two windows."""

from __future__ import annotations

import json
import shutil
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from command_line import digests
from commands.test_songs import FIRST_S, SECOND_S, write_rehearsal
from end_to_end.made import barriers, says, served, settled, shown, until

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_rehearsal(tmp_path_factory.mktemp("rehearsal") / "Thursday")


@pytest.fixture
def page(chromium: Any, folder: Path) -> Iterator[Any]:
    """The page of a rehearsal whose mix folder is new, when every input has been listened to."""
    shutil.rmtree(folder.parent / "Thursday mix", ignore_errors=True)
    with served("Thursday", folder.parent) as address, shown(chromium, address) as page:
        page.wait_for_selector("#role-0")
        settled(page)
        yield page


def recipe(folder: Path) -> dict[str, Any]:
    return tomllib.loads((folder.parent / "Thursday mix" / "recipe.toml").read_text(encoding="utf-8"))


def test_from_names_to_songs(page: Any, folder: Path) -> None:
    before = digests(folder)
    # The sound of a card comes from its pieces, and the hand moves.
    page.locator("#play-0").click()
    until(page, "!document.getElementById('stop').disabled")
    until(page, "document.querySelector('#input-0 .hand').classList.contains('on')")
    page.keyboard.press("Escape")
    until(page, "document.getElementById('stop').disabled")

    page.locator("#name-0").fill("the bass")
    page.locator("#name-0").press("Tab")
    until(page, "document.querySelector('#input-0 h3').innerText === 'the bass'")
    page.locator("#player-0").fill("Mara")
    page.locator("#player-0").press("Enter")
    page.wait_for_selector("#players option[value=Mara]", state="attached")
    settled(page)
    (bass,) = [one for one in recipe(folder)["input"] if one["name"] == "the bass"]
    assert bass["player"] == "Mara"

    # A song's start by keys: one step later, then on to the next place where one may start.
    starts = page.locator("#start-0-0")
    starts.scroll_into_view_if_needed()
    starts.focus()
    was_s = float(starts.get_attribute("aria-valuenow"))
    page.keyboard.press("ArrowRight")
    until(page, f"Number(document.getElementById('start-0-0').ariaValueNow) > {was_s}")
    says(page, "#song-0-0 .said", "runs from")
    assert start_of(folder, 0) == pytest.approx(was_s + 0.1, abs=0.02)
    assert page.evaluate("document.activeElement.id") == "start-0-0"

    # And by dragging its end well into the song.
    page.wait_for_selector("#songs .said", state="detached")
    settled(page)
    end = page.locator("#end-0-0").bounding_box()
    page.mouse.move(end["x"] + 22, end["y"] + 40)
    page.mouse.down()
    page.mouse.move(end["x"] - 150, end["y"] + 40, steps=6)
    assert page.locator("#song-0-0 .bubble").is_visible()
    ends_s = float(page.locator("#end-0-0").get_attribute("aria-valuenow"))
    page.mouse.up()
    until(page, "!document.getElementById('songs').dataset.held")
    settled(page)
    assert end_of(folder, 0) == pytest.approx(ends_s, abs=0.05)
    assert ends_s < FIRST_S + 30.0

    page.locator("#title-0-1").fill("Rope Swing")
    page.locator("#title-0-1").press("Enter")
    until(page, "document.querySelector('#song-0-1').dataset.title === 'Rope Swing'")
    settled(page)
    page.locator("#keep-0-0").click()
    until(page, "document.querySelector('#song-0-0').classList.contains('out')")
    songs = recipe(folder)["song"]
    assert [song["title"] for song in songs] == ["Song 1", "Rope Swing"]
    assert songs[0]["keep"] is False

    page.locator("#films-add").click()
    says(page, "#films-adding .said", "Give the path of a film first.")

    # The drawer shows it all, and takes it back.
    page.locator("#drawer-button").click()
    until(page, "document.querySelectorAll('.changes > li').length >= 6")
    settled(page)
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
    page.locator("#place-0").fill(str(SECOND_S + 10.0))
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
    settled(other)
    other.locator("#title-0-0").fill("<img src=x onerror=alert(1)>")
    other.locator("#title-0-0").press("Enter")
    until(page, "document.querySelector('#title-0-0').value === '<img src=x onerror=alert(1)>'")
    assert page.locator("img").count() == 0
    assert json.dumps(recipe(folder)["song"][0]["title"]) == '"<img src=x onerror=alert(1)>"'


@pytest.mark.parametrize("width", [360, 1280])
def test_nothing_reaches_past_the_edge(width: int, page: Any) -> None:
    page.set_viewport_size({"width": width, "height": 800})
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert barriers(page) == []
