"""Step 2 where a rehearsal has several takes, and where songs are found in one."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
from pathlib import Path
from typing import Any

import pytest

from commands.test_songs import FIRST_S, SECOND_S, write_rehearsal
from morningmix.commands.order import Order
from morningmix.page.rehearsal import Rehearsal
from page.made import RECIPE, browser, opened, problem, said, wait


def songs(rehearsal: Rehearsal) -> list[dict[str, Any]]:
    listed: list[dict[str, Any]] = tomllib.loads(rehearsal.home.recipe.read_text(encoding="utf-8")).get("song", [])
    return listed


def test_a_song_of_one_of_several_takes_names_its_take(tmp_path: Path) -> None:
    opened(tmp_path)
    (tmp_path / "cards").mkdir()
    shutil.move(tmp_path / "take", tmp_path / "cards" / "card 1")
    shutil.copytree(tmp_path / "cards" / "card 1", tmp_path / "cards" / "card 2")
    (tmp_path / "recipe.toml").write_text(RECIPE.replace('tracks = "take"', 'tracks = "cards"'), encoding="utf-8")
    rehearsal = _opened(tmp_path)
    client = browser(rehearsal)
    html = client.get("/part/songs").text
    assert re.findall(r'data-song="(\w+)"', html) == ["whole", "whole"]
    assert "card 1" in html
    said(client, "/songs/edges", take=1, start=0.2, end=1.8)
    assert songs(rehearsal) == [{"title": "card 2", "take": "card 2", "start": "0:00.2", "end": "0:01.8"}]
    said(client, "/songs/title", take=0, title="Rope Swing")
    assert [song["take"] for song in songs(rehearsal)] == ["card 2", "card 1"]
    assert "no song" in problem(client, "/songs/join", take=1, song=0, was_start=0.2, was_end=1.8).lower()
    # The second take's song is not a song of the first.
    assert "in the meantime" in problem(client, "/songs/title", take=0, song=0, was_start=0.2, was_end=1.8, title="x")


def _opened(folder: Path) -> Rehearsal:
    rehearsal = Rehearsal(Order(source=folder / "recipe.toml", cwd=folder, workers=1))
    rehearsal.listen()
    wait(rehearsal)
    return rehearsal


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Rehearsal:
    folder = tmp_path_factory.mktemp("found")
    write_rehearsal(folder / "Thursday")
    set_list = 'band = 1\n[[song]]\ntitle = "Song 1 again"\ntempo_bpm = 63\n'
    (folder / "band.toml").write_text(set_list, encoding="utf-8")
    rehearsal = Rehearsal(Order(source=folder / "Thursday", cwd=folder, workers=2))
    rehearsal.listen()
    wait(rehearsal)
    return rehearsal


def test_songs_are_found_in_a_short_take_and_every_edge_says_why(found: Rehearsal) -> None:
    client = browser(found)
    html = client.get("/part/songs").text
    assert [song["title"] for song in songs(found)] == ["Song 1", "Song 1 again"]
    assert html.count("counted in: 4 clicks, one every 0.50 s") >= 2
    # The set list counts it in halves.
    assert [html.count(f"About {bpm} BPM") for bpm in (120, 60)] == [1, 1]
    starts = json.loads(re.findall(r'data-starts="([^"]+)"', html)[0].replace("&#34;", '"'))
    for first_s in (FIRST_S, SECOND_S):
        assert any(-1.0 < at_s - (first_s - 2.0) < 0.0 and "counted in" in why for at_s, why in starts)
        assert any(-0.8 < at_s - first_s < 0.3 and why == "the band comes in" for at_s, why in starts)


def test_what_was_found_is_listed_again_after_it_was_changed(found: Rehearsal) -> None:
    client = browser(found)
    before = songs(found)
    times = [tuple(map(_seconds, (song["start"], song["end"]))) for song in before]
    said(client, "/songs/title", take=0, song=1, was_start=times[1][0], was_end=times[1][1], title="Copper")
    said(
        client, "/songs/edges", take=0, song=1, was_start=times[1][0], was_end=times[1][1], start=60.0, end=times[1][1]
    )
    assert songs(found)[1]["start"] == "1:00.0"
    said(client, "/songs/find", take=0)
    assert songs(found) == [before[0], {**before[1], "title": "Copper"}]


def test_songs_that_were_found_are_taken_back_and_not_looked_for_again(tmp_path: Path) -> None:
    write_rehearsal(tmp_path / "Thursday")
    first = Rehearsal(Order(source=tmp_path / "Thursday", cwd=tmp_path, workers=2))
    first.listen()
    wait(first)
    recipe = first.home.recipe
    text = recipe.read_text(encoding="utf-8")
    unlisted = text[: text.index("[[song]]")]
    recipe.write_text(unlisted, encoding="utf-8")
    rehearsal = Rehearsal(first.order)
    rehearsal.changes.text()
    rehearsal.listen()
    wait(rehearsal)
    (found,) = rehearsal.changes.made()
    assert len(songs(rehearsal)) == 2
    client = browser(rehearsal)
    assert said(client, "/changes/undo", number=found.number) == "Undone: Songs found and written down"
    wait(rehearsal)
    assert recipe.read_text(encoding="utf-8") == unlisted
    assert "Two songs were found in it. Mix cuts it into these" in client.get("/part/songs").text
    # Nor after something else that is listened to again.
    said(client, "/who/name", input=0, name="low end")
    wait(rehearsal)
    assert "[[song]]" not in recipe.read_text(encoding="utf-8")
    said(client, "/songs/find", take=0)
    assert len(songs(rehearsal)) == 2


def test_a_song_is_added_between_two_and_ends_before_the_next(found: Rehearsal) -> None:
    client = browser(found)
    first, second = songs(found)
    at_s = _seconds(first["end"]) + 1.0
    assert "song already" in problem(client, "/songs/add", take=0, at=_seconds(second["start"]) + 3.0)
    said(client, "/songs/add", take=0, at=at_s)
    new = songs(found)[1]
    assert _seconds(new["start"]) == pytest.approx(at_s, abs=0.06)
    assert _seconds(new["end"]) <= _seconds(second["start"])


def _seconds(clock: str) -> float:
    minutes, rest = clock.split(":")
    return 60.0 * int(minutes) + float(rest)
