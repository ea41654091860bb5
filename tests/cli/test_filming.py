from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from morningmix.cli.filming import films_written, in_words, place_in_words
from morningmix.film.soundtrack import Track
from morningmix.film.write import Film
from morningmix.model.film import Lined

FILM = Film(
    file=Path("films/01 Rain - stage.mp4"),
    title="Rain",
    clip="stage.mp4",
    start_s=-0.02,
    stop_s=180.0,
    whole=True,
    track=Track(lufs=-16.2, peak_dbtp=-1.1, lowered_db=0.2),
    encoded_s=0.0,
)


def test_a_film_says_what_it_shows_and_what_one_would_not_expect():
    assert in_words(FILM) == "the whole song"
    part = replace(FILM, whole=False, start_s=12.34, encoded_s=0.92)
    assert in_words(part) == "the song from 0:12.3 to 3:00.0, the first 0.9 s of its picture encoded"
    odd = replace(FILM, start_s=-0.8, track=replace(FILM.track, lowered_db=2.0))
    assert in_words(odd) == (
        "the whole song, 0.8 s of silence before it, because its picture can only begin there, "
        "2.0 dB softer than usual, so that its peaks stay clean"
    )


def test_what_was_written_is_counted_and_named(capsys):
    films_written([FILM], Path("/nowhere/films"))
    films_written([], Path("/nowhere/films"))

    said = capsys.readouterr().out.splitlines()
    assert said == [
        "1 film in /nowhere/films, with the mix as the sound:",
        "  01 Rain - stage.mp4: the whole song",
        "No clip shows any of the songs, so there is no film.",
    ]


@pytest.mark.parametrize(
    ("nearest_m", "says"),
    [
        (None, ""),
        (0.0, " Its sound came by a cable."),
        (0.6, " It stood less than 1 m from the nearest instrument; what sound takes for that is taken off."),
        (2.4, " It stood about 2 m from the nearest instrument; what sound takes for that is taken off."),
    ],
)
def test_a_place_names_the_distance_where_the_recordings_tell_it(nearest_m, says):
    lined = Lined(file="", offset_s=61.0, drift_ppm=0.0, confidence=1.0, accepted=True, nearest_m=nearest_m)

    assert place_in_words("a.mp4", lined, "take") == (
        f"a.mp4 begins at 1:01.0 of the take, and its clock runs right (100 % sure).{says}"
    )
