"""From one rehearsal to the next: what was remembered of a song gives it its title when it is played again."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from analysis.test_fingerprint import OTHER, ROPE
from drummer import RATE_HZ
from lanes import lane_here
from morningmix.analysis.analyse import analyse
from morningmix.commands.order import Order, home_for, source_of
from morningmix.commands.recognised import with_known_takes, with_known_titles
from morningmix.commands.remember import lesson_of, write
from morningmix.commands.songs import songs
from morningmix.files.recipe import read_recipe
from morningmix.storage.text import write_text_whole
from songbook import Song, play
from songbook import write as write_tracks

RECIPE = """\
recipe = 1

[rehearsal]
tracks = "{tracks}"

[[song]]
title = "{title}"
start = 0
end = 300
"""


def rehearsal(band: Path, name: str, song: Song, seed: int, title: str) -> Path:
    """The recipe of a rehearsal at which a song was played."""
    write_tracks(band / name, play(song, seed, until=0.5 if seed else 1.0))
    home = band / f"{name} mix"
    home.mkdir()
    write_text_whole(home / "recipe.toml", RECIPE.format(tracks=f"../{name}", title=title))
    return home / "recipe.toml"


def titles(recipe: Path) -> list[str]:
    return [song["title"] for song in tomllib.loads(recipe.read_text(encoding="utf-8"))["song"]]


def recognised(recipe: Path) -> list[str]:
    """Titles after songs were recognised, and what was said."""
    order = Order(source=recipe, cwd=recipe.parent)
    said: list[str] = []
    with_known_titles(analyse(source_of(order), home_for(order), lane_here()), lane_here(), said.append)
    return titles(recipe) + said


@pytest.fixture(scope="module")
def band(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A band that has taught one song."""
    band = tmp_path_factory.mktemp("band")
    first = rehearsal(band, "one", ROPE, 0, "Rope Swing")
    songs(Order(source=first, cwd=band, workers=1))
    lesson = lesson_of(first)
    assert [title for title, _ in lesson.songs] == ["Rope Swing"]
    assert any("Rope Swing" in line and "recognised" in line for line in lesson.lines)
    write(lesson)
    assert not lesson_of(first).is_new
    return band


def test_a_song_that_is_played_again_gets_its_title_in_doubt(band: Path) -> None:
    again = rehearsal(band, "two", ROPE, 5, "Song 1")
    assert recognised(again) == ["Rope Swing?"]
    songs(Order(source=again, cwd=band, workers=1))
    lesson = lesson_of(again)
    assert lesson.songs == ()
    assert "Rope Swing?" not in lesson.after

    # A take without a list of songs that is one of them is listed whole.
    again.write_text(RECIPE.partition("[[song]]")[0].format(tracks="../two"), encoding="utf-8")
    order = Order(source=again, cwd=band)
    said: list[str] = []
    (analysed,) = analyse(source_of(order), home_for(order), lane_here())
    assert with_known_takes([analysed], lane_here(), said.append)
    (song,) = read_recipe(again).songs
    assert (song.title, song.start_s) == ("Rope Swing?", 0.0)
    assert song.end_s == pytest.approx(analysed.take.duration_s, abs=0.1)
    assert song.end_s >= analysed.take.duration_s
    assert ['two sounds like "Rope Swing"' in line for line in said] == [True]


def test_an_unknown_song_keeps_its_number_and_a_known_one_that_was_broken_off_beside_it_is_left_out(band: Path) -> None:
    unknown, broken_off = play(OTHER, 6, until=0.5), play(ROPE, 9, until=0.45)
    hiss = 2e-5 * np.random.default_rng(0).standard_normal(6 * RATE_HZ)
    sounds = {name: np.concatenate((hiss, unknown[name], hiss, broken_off[name], hiss)) for name in unknown}
    write_tracks(band / "three", sounds)
    found = songs(Order(source=band / "three", cwd=band, workers=1)).found
    assert found is not None
    assert [(one.title, one.song.keep) for one in found] == [("Song 1", True), ("Song 2", False)]
    assert found[1].song.reason == "Rope Swing, broken off after 0:36 of 1:22"
    _, second = read_recipe(band / "three mix" / "recipe.toml").songs
    assert (second.keep, second.reason) == (False, found[1].song.reason)


def test_a_song_with_a_title_keeps_it(band: Path) -> None:
    assert recognised(rehearsal(band, "four", ROPE, 7, "Another Name")) == ["Another Name"]


def test_a_damaged_fingerprint_is_one_line_and_the_rest_goes_on(band: Path) -> None:
    (band / "songs" / "Copper.json").write_text("{", encoding="utf-8")
    title, line = recognised(rehearsal(band, "five", ROPE, 8, "Song 1"))
    assert title == "Rope Swing?"
    assert "Copper.json is damaged" in line
