"""Texts and headers about as large as they may be, for what must not grow with the square of their size."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import wav_bytes as wav
from morningmix.audio.takes import find_take
from morningmix.files.band_edit import remembered
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_edit import with_moves, with_songs
from morningmix.files.recipe_tables import checked_file
from morningmix.files.toml_lines import parse

_HEAD = 'recipe = 1\n[rehearsal]\ntracks = "take"\n'
_SONGS = "".join(f'[[song]]\ntitle = "{at}"\nstart = {at}\nend = {at + 1}\n' for at in range(4000))
_ONE = _HEAD + '[[input]]\nfile = "kick.wav"\n[[song]]\ntitle = "Copper Rain Gauge"\nstart = 0\nend = 240\n'


def _recipe_of(text: str) -> Callable[[Path], None]:
    def read(path: Path) -> None:
        path.write_text(text, encoding="utf-8")
        read_recipe(path)

    return read


def _header_with(ixml: bytes) -> Callable[[Path], None]:
    def read(path: Path) -> None:
        path.write_bytes(wav.riff(wav.fmt(), wav.chunk(b"iXML", ixml), wav.chunk(b"data", bytes(900))))
        find_take(path.parent)

    return read


def _inputs(first: int, last: int, settings: str) -> str:
    return "".join(f'[[input]]\nfile = "{at}.wav"\nname = "in {at}"\n{settings}\n' for at in range(first, last))


def _merged(path: Path) -> None:
    (path.parent / "band.toml").write_text("band = 1\n" + _inputs(0, 2000, "level_db = 2"), encoding="utf-8")
    path.write_text(_HEAD + _inputs(1000, 3000, "pan = 0.5").replace("wav", "WAV"), encoding="utf-8")
    levels = [wish.level_db for wish in read_recipe(path).inputs]
    (path.parent / "band.toml").unlink()
    assert (levels.count(2.0), levels.count(0.0)) == (1000, 1000)


def _taught(_path: Path) -> None:
    band = "band = 1\n" + _inputs(0, 2000, "level_db = 2")
    says = _inputs(1000, 3000, "level_db = 1\npan = 0.5").replace('"in 10', '"in 5')
    assert remembered(band, checked_file(parse(_HEAD + says, "recipe.toml"))).count("\n# [[input]]") > 0


def _songs_that_went(_path: Path) -> None:
    with_songs(_HEAD + _SONGS, ())


def _moved(_path: Path) -> None:
    moves = [("kick", float(second), second + 0.5, 1.0) for second in range(150)] * 10
    assert with_moves(_ONE, "Copper Rain Gauge", moves).count("[[song.move]]") == 1500


LARGE: tuple[Callable[[Path], None], ...] = (
    _recipe_of("a." * 60_000 + "a = 1\n"),
    _recipe_of("[" + "a." * 60_000 + "a]\n"),
    _recipe_of('"a".' * 30_000 + "a = 1\n"),
    _recipe_of("a = {" + "a." * 60_000 + "a = 1}\n"),
    _recipe_of(_HEAD + "[target]\n" + "".join(f"k{at} = 1\n" for at in range(40_000))),
    _header_with(b"<TRACK>" * 60_000),
    _header_with(b"<TRACK>" + b"<NAME>" * 60_000 + b"</TRACK>"),
    _merged,
    _taught,
    _songs_that_went,
    _moved,
)
