"""Texts and headers about as large as they may be, for what must not grow with the square of their size."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import wav_bytes as wav
from morningmix.audio.takes import find_take
from morningmix.files.inputs import merge as merge_lists
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_edit import with_moves, with_songs
from morningmix.model.recipe import InputWish

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


def _merged(_path: Path) -> None:
    wishes = [[InputWish(files=(f"{which}{number}",)) for number in range(6000)] for which in "ab"]
    assert len(merge_lists(*wishes)) == 12_000


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
    _songs_that_went,
    _moved,
)
