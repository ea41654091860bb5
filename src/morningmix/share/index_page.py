"""The page that lists a rehearsal's songs, to be opened from the folder it lies in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from markupsafe import Markup  # noqa: TID251

from morningmix.report.numbers import RIDGES
from morningmix.report.templates import render
from morningmix.report.words import all_named, minutes


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
    hills: Markup
    """Its picture: everything, drums and bass, vocals."""
    names: Sequence[str]
    """Who and what is in it."""
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
        ridges=RIDGES,
        minutes=minutes,
        named=all_named,
    )
