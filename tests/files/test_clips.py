from __future__ import annotations

from pathlib import Path

from morningmix.files.clips import read_clips, write_clips
from morningmix.model.film import KnownClip, Lined


def test_what_is_known_of_clips_is_read_as_it_was_written(tmp_path: Path) -> None:
    clips = [
        KnownClip(
            path=Path("/films") / name,
            take="Tuesday",
            lined=Lined(
                file="\\xff.mp4", offset_s=-4.25, drift_ppm=-104.1, confidence=0.93, accepted=True, nearest_m=1.4
            ),
            frames_later=-2,
        )
        for name in ("\udcff.mp4",)
    ]
    file = tmp_path / "clips.json"

    write_clips(file, clips)

    assert file.read_bytes().isascii(), "odd bytes of names are written as text"
    assert read_clips(file) == clips
    assert read_clips(tmp_path / "none.json") == []
