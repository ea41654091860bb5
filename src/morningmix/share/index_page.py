"""The page that lists a rehearsal's songs, to be opened from the folder it lies in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from morningmix.report.templates import render
from morningmix.report.words import loudness_in_words, minutes


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One song on the page."""

    number: int
    title: str
    file: str
    """File name, beside the page."""
    page: str
    """File name of the song's own page."""
    seconds: float
    loudness_lufs: float | None
    practice: Sequence[tuple[str, str]] = ()
    """What each practice mix is, and its file's name."""


def index_page(title: str, band: str | None, date: str | None, songs: Sequence[Listed]) -> str:
    """The page as one HTML document; it needs only the files beside it."""
    return render(
        "index.html",
        package=__package__,
        title=title,
        by=", ".join(part for part in (band, date) if part),
        songs=songs,
        minutes=minutes,
        loudness=loudness_in_words,
    )
