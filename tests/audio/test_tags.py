"""Tags of shared files."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import mutagen  # noqa: TID251 - an outside reader of what was written
import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test

from morningmix.audio.tags import Tags, tag
from morningmix.errors import OutputError


@pytest.mark.parametrize("kind", ["mp3", "flac"])
def test_a_display_gets_only_what_it_can_show(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"song.{kind}"
    soundfile.write(path, np.zeros(4800), 48_000)
    tags = Tags(
        title="Rope\u202e \x1b[31m Swing",
        rehearsal="two\nlines",
        number=1,
        of=1,
        band="The\u2066 Ladders",
        picture_png=b"",
    )
    tag(path, tags)
    read = mutagen.File(path, easy=True)
    assert (read["title"], read["album"], read["artist"]) == (
        ["Rope\\u202e \\x1b[31m Swing"],
        ["two lines"],
        ["The\\u2066 Ladders"],
    )


def test_a_file_that_may_not_be_written_is_one_line(tmp_path: Path) -> None:
    """A folder stands for it: root may write to everything else."""
    (tmp_path / "song.mp3").mkdir()
    with pytest.raises(OutputError, match=r"song\.mp3 cannot be written"):
        tag(tmp_path / "song.mp3", Tags(title="One", rehearsal="Thursday", number=1, of=1, picture_png=b""))


@pytest.mark.parametrize("kind", ["mp3", "flac"])
def test_a_tempo_is_whole_beats_a_minute_and_missing_where_it_is_unknown(kind: str, tmp_path: Path) -> None:
    path = tmp_path / f"song.{kind}"
    soundfile.write(path, np.zeros(4800), 48_000)
    tags = Tags(title="One", rehearsal="Thursday", number=1, of=1, picture_png=b"")
    tag(path, tags)
    assert "bpm" not in mutagen.File(path, easy=True)
    tag(path, replace(tags, tempo_bpm=123.6))
    assert mutagen.File(path, easy=True)["bpm"] == ["124"]
