"""Options that several commands take, and the choices of some."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer  # noqa: TID251 - the command line is typer's only place

from morningmix.cli.usage import decibels, one_of, whole_number


class Width(StrEnum):
    """Bits per sample of the files."""

    sixteen = "16"
    twenty_four = "24"


class Format(StrEnum):
    """File format of mix, stems and tracks."""

    wav = "wav"
    flac = "flac"


class Direction(StrEnum):
    """Which way to turn a level."""

    up = "up"
    down = "down"


class Part(StrEnum):
    """What of an input to turn besides its level."""

    low = "low"
    high = "high"
    room = "room"


class Sent(StrEnum):
    """File format of shared files."""

    mp3 = "mp3"
    flac = "flac"


Out = Annotated[Path | None, typer.Option("--out", metavar="FOLDER", help="Output folder.")]


def _recipe_of(text: str) -> Path:
    """A recipe, or the one in a mix folder."""
    place = Path(text)
    return place / "recipe.toml" if place.is_dir() else place


Recipe = Annotated[
    Path, typer.Argument(metavar="RECIPE", parser=_recipe_of, help="The recipe to change, or its mix folder.")
]
Ask = Annotated[bool, typer.Option("--ask", help="Ask about every input whose role is a guess.")]
Opened = Annotated[
    Path | None,
    typer.Argument(metavar="FOLDER", help="A folder of raw tracks, or a mix folder; if left out, the current folder."),
]
NoBrowser = Annotated[bool, typer.Option("--no-browser", help="Only print the page's address, on the first line.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Song = Annotated[str | None, typer.Option("--song", metavar="TITLE", help="Only the song with this title.")]
Workers = Annotated[
    int | None,
    typer.Option(
        "--workers", metavar="NUMBER", parser=whole_number("--workers", 1, 64), help="How many processor cores to use."
    ),
]
Bits = Annotated[
    Width,
    typer.Option("--bits", metavar="16|24", parser=one_of(Width, "--bits"), help="Bit depth of the files."),
]
FileFormat = Annotated[
    Format,
    typer.Option("--format", metavar="wav|flac", parser=one_of(Format, "--format"), help="Format of the files."),
]
SentFormat = Annotated[
    Sent,
    typer.Option(
        "--format",
        metavar="mp3|flac",
        parser=one_of(Sent, "--format"),
        help="mp3 is small, flac loses nothing.",
    ),
]
Parts = Annotated[
    list[Part] | None,
    typer.Argument(
        metavar="low|high|room",
        parser=one_of(Part, "What to turn", " Without one it is the level. A name with spaces needs quotes."),
        help="Turn the lows, the highs or the reverb instead of the level.",
    ),
]
UpOrDown = Annotated[
    Direction,
    typer.Argument(
        metavar="up|down",
        parser=one_of(Direction, "The direction", " A name with spaces needs quotes."),
        help="Louder or softer, more or less.",
    ),
]

Filmed = Annotated[
    Path, typer.Argument(metavar="FOLDER", help="A mix folder, its recipe, the raw tracks, or a mix alone.")
]
Clips = Annotated[list[Path], typer.Argument(metavar="CLIP...", help="What cameras and phones filmed.")]
Listen = Annotated[
    Path | None,
    typer.Option("--listen", metavar="FOLDER", help="Also write pages to hear both at the same beat."),
]
Find = Annotated[bool, typer.Option("--find", help="Only say where each clip lies; write nothing.")]
Exact = Annotated[bool, typer.Option("--exact", help="Encode the first pictures where they cannot be copied.")]
KeepRoom = Annotated[
    float | None,
    typer.Option(
        "--keep-room", metavar="dB", parser=decibels, help="Leave the camera's own sound in, so many dB under the mix."
    ),
]
Practice = Annotated[
    bool | None,
    typer.Option(
        "--practice/--no-practice",
        help="Also write mixes without, and with more of, what each player plays. Later mixes do so again.",
    ),
]
Trace = Annotated[
    Path | None, typer.Option("--trace", metavar="FILE", help="Record which part of the work ran when, and where.")
]
Cluster = Annotated[
    str | None,
    typer.Option("--cluster", metavar="ADDRESS", help="Work on other machines: the address of a Dask scheduler."),
]
