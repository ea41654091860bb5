"""The page that lists a rehearsal's songs, to be opened from the folder it lies in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from urllib.parse import quote

from morningmix.report.parts import wrapped
from morningmix.report.style import CSS
from morningmix.report.words import minutes, named, number, safe


@dataclass(frozen=True, slots=True, kw_only=True)
class Listed:
    """One song on the page."""

    number: int
    title: str
    file: str
    """Beside the page."""
    page: str
    """The song's own page, beside it too."""
    seconds: float
    loudness_lufs: float | None


def index_page(title: str, band: str | None, date: str | None, songs: Sequence[Listed]) -> str:
    """One HTML document that needs nothing but the files beside it."""
    by = ", ".join(safe(part) for part in (band, date) if part)
    items = "".join(
        f'<li class="card"><h2>{song.number}. {named(song.title)}</h2>'
        f'<audio controls preload="none" src="{safe(quote(song.file))}" aria-label="{safe(song.title)}"></audio>'
        f'<p><a href="{safe(quote(song.page))}">Listen part by part, and say what should change</a></p>'
        f'<p class="quiet">{minutes(song.seconds)}'
        f"{'' if song.loudness_lufs is None else f', {number(song.loudness_lufs)} LUFS'}. "
        f'<a href="{safe(quote(song.file))}" download>Keep the file</a></p></li>'
        for song in songs
    )
    return (
        '<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8"/>\n'
        '<meta name="viewport" content="width=device-width,initial-scale=1"/>\n'
        '<meta http-equiv="Content-Security-Policy" '
        "content=\"default-src 'none'; style-src 'unsafe-inline'; img-src data:; media-src 'self' file:\"/>\n"
        f'<title>{safe(title)}</title>\n<link rel="icon" href="data:,"/>\n'
        f"<style>{CSS}{_MORE}</style>\n</head>\n<body>\n"
        f"<header>{wrapped(f'<h1>{named(title)}</h1><p>{by}</p>')}</header>\n"
        f'<main>{wrapped(f"""<ul class="plain">{items}</ul>""")}</main>\n'
        f"<footer>{wrapped(_CARE)}</footer>\n</body>\n</html>\n"
    )


_MORE = "audio{width:100%;min-height:44px}.card{margin:0 0 1rem}.card h2{margin:0 0 .6rem;font-size:1.2rem}"
_CARE = (
    "<p>Turn your playback down before you start it, above all on headphones; loud sound harms hearing for good "
    "(NIOSH: at most 85 dBA over 8 hours). Follow your local rules.</p>"
)
