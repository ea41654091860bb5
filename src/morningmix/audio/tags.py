"""Write tags into shared files, so that players show more than a file name."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from mutagen import MutagenError  # noqa: TID251
from mutagen.flac import FLAC, Picture  # noqa: TID251
from mutagen.id3 import APIC, ID3, TALB, TBPM, TDRC, TIT2, TPE1, TRCK  # noqa: TID251

from morningmix.audio.write import cannot_write
from morningmix.model.names import visible

_FRONT_COVER = 3  # ID3v2.3, section 4.15, and the FLAC format's picture block


@dataclass(frozen=True, slots=True, kw_only=True)
class Tags:
    """Tags of a song."""

    title: str
    rehearsal: str
    number: int
    of: int
    band: str | None = None
    date: str | None = None
    """ISO 8601, as the recipe has it."""
    tempo_bpm: float | None = None
    """None if unknown."""
    picture_png: bytes


def tag(path: Path, tags: Tags) -> None:
    """Write tags into an MP3 (ID3v2.3) or FLAC file, the same bytes for the same tags. Raises `OutputError`.

    Characters that a display cannot show are escaped by `visible`.
    """
    band = None if tags.band is None else _shown(tags.band)
    tags = replace(tags, title=_shown(tags.title), rehearsal=_shown(tags.rehearsal), band=band)
    try:
        if path.suffix == ".flac":
            _tag_flac(path, tags)
        else:
            _tag_mp3(path, tags)
    except OSError as error:
        raise cannot_write(path, error) from error
    except MutagenError as error:
        # mutagen wraps the system's error.
        raise cannot_write(path, next((cause for cause in error.args if isinstance(cause, OSError)), error)) from error


def _shown(text: str) -> str:
    return visible(" ".join(text.split()))


def _tag_mp3(path: Path, tags: Tags) -> None:
    frames = ID3()
    frames.add(TIT2(encoding=1, text=tags.title))
    frames.add(TALB(encoding=1, text=tags.rehearsal))
    frames.add(TRCK(encoding=0, text=f"{tags.number}/{tags.of}"))
    if tags.band:
        frames.add(TPE1(encoding=1, text=tags.band))
    if tags.date:
        frames.add(TDRC(encoding=0, text=tags.date))
    if tags.tempo_bpm is not None:
        frames.add(TBPM(encoding=0, text=str(round(tags.tempo_bpm))))
    frames.add(APIC(encoding=0, mime="image/png", type=_FRONT_COVER, desc="", data=tags.picture_png))
    # Version 2.3 is what every player reads.
    frames.update_to_v23()
    frames.save(path, v2_version=3, padding=lambda _: 0)


def _tag_flac(path: Path, tags: Tags) -> None:
    file = FLAC(path)
    file["title"], file["album"] = tags.title, tags.rehearsal
    file["tracknumber"], file["tracktotal"] = str(tags.number), str(tags.of)
    if tags.band:
        file["artist"] = tags.band
    if tags.date:
        file["date"] = tags.date
    if tags.tempo_bpm is not None:
        file["bpm"] = str(round(tags.tempo_bpm))
    picture = Picture()
    picture.type, picture.mime, picture.data = _FRONT_COVER, "image/png", tags.picture_png
    file.add_picture(picture)
    file.save(padding=lambda _: 0)
