"""Options that several commands take, and the words that some of them choose from."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer  # noqa: TID251 - the command line is typer's only place


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


Out = Annotated[Path | None, typer.Option("--out", help="Where to put it, instead of the usual place.")]
Json = Annotated[bool, typer.Option("--json", help="Print the result for a program to read.")]
Workers = Annotated[int | None, typer.Option("--workers", min=1, max=64, help="How many cores to use.")]


class Sent(StrEnum):
    """File format of what is sent round."""

    mp3 = "mp3"
    flac = "flac"
