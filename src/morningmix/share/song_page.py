"""A song's own page: play it, turn its families up or down, ask for changes. One file, no network, no server."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

from markupsafe import Markup  # noqa: TID251

from morningmix.report import pictures
from morningmix.report.numbers import Array
from morningmix.report.templates import render
from morningmix.report.words import all_named, minutes
from morningmix.share.pieces import CLICK_AT_S, MARGIN_S, PIECE_S, RATE_HZ, Pieces


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One family on the page."""

    family: str
    inputs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class SongToHear:
    """A song, as its page needs it."""

    title: str
    rehearsal: str
    mix_id: str
    seconds: float
    parts: Sequence[Part]
    pieces: Pieces
    """In the order of `parts`."""
    ridges: Sequence[tuple[str, Array]]
    """As `report.numbers.ridges` gives them."""


def song_page(song: SongToHear) -> str:
    """The page as one HTML document."""
    script = _beside("listen.js")
    return render(
        "song.html",
        package=__package__,
        title=song.title,
        rehearsal=song.rehearsal,
        seconds=song.seconds,
        parts=song.parts,
        hills=pictures.hills(song.ridges),
        hill_names=[name for name, _ in song.ridges],
        minutes=minutes,
        named=all_named,
        data=_data(song),
        script=Markup(script),
        script_sha256=base64.b64encode(hashlib.sha256(script.encode("utf-8")).digest()).decode("ascii"),
        listen_style=Markup(_beside("listen.css")),
    )


def _beside(file: str) -> str:
    return (resources.files(__package__) / file).read_text(encoding="utf-8")


def _data(song: SongToHear) -> Markup:
    """What the script reads, as JSON."""
    families = [{"name": part.family, "pieces": coded} for part, coded in zip(song.parts, song.pieces.of, strict=True)]
    values = {
        "title": " ".join(song.title.split()),
        "mix": song.mix_id,
        "seconds": round(song.seconds, 3),
        "rate_hz": RATE_HZ,
        "piece_s": PIECE_S,
        "margin_s": MARGIN_S,
        "click": song.pieces.click,
        "click_at_s": CLICK_AT_S,
        "families": families,
    }
    # "<" could end the script that holds the data, or start a comment in it.
    return Markup(json.dumps(values, separators=(",", ":")).replace("<", "\\u003c"))
