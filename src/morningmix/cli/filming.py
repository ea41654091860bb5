"""The words of the command `film`."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from morningmix.cli import messages
from morningmix.film.write import Film
from morningmix.units import clock

_HEARD_S = 0.1
"""Of silence before a song; less is not noticed."""
_SOFTER_DB = 0.5


def films_written(films: Sequence[Film], folder: Path) -> None:
    """Print what was filmed, where it is, and what is not as one expects."""
    if not films:
        messages.line("No clip shows any of the songs, so there is no film.")
        return
    messages.line(f"{messages.counted(len(films), 'film')} in {messages.near(folder)}, with the mix as the sound:")
    for film in films:
        messages.line(f"  {film.file.name}: {in_words(film)}")


def in_words(film: Film) -> str:
    """What a film shows of its song, and what was done to fit it."""
    start_s, stop_s = max(0.0, film.start_s), film.stop_s
    says = ["the whole song" if film.whole else f"the song from {clock(start_s)} to {clock(stop_s)}"]
    if film.start_s < -_HEARD_S:
        says.append(f"{-film.start_s:.1f} s of silence before it, because its picture can only begin there")
    if film.encoded_s:
        says.append(f"the first {film.encoded_s:.1f} s of its picture encoded")
    if film.track.lowered_db >= _SOFTER_DB:
        says.append(f"{film.track.lowered_db:.1f} dB softer than usual, so that its peaks stay clean")
    return ", ".join(says)
