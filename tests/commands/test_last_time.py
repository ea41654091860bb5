"""What a rehearsal says of the last time its songs were played, from the sheets beside it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from morningmix.commands.last_time import since_last_time, songs_before
from morningmix.commands.pairs import Song, song_in
from recall_sheets import write_sheet, write_tracks


def beats(bpm: float) -> dict[str, Any]:
    return {"tempo_bpm": bpm, "other_bpm": None, "beats_s": [60.0 / bpm * beat for beat in range(40)]}


def rehearsal(root: Path, when: str, song: str, **changed: Any) -> Song | None:
    """A mix folder with one song in it."""
    home = root / f"{when} mix"
    if not (root / "takes").exists():
        write_tracks(root / "takes")
    folder = home / "mixes" / f"01 {song}"
    path = write_sheet(folder, root / "takes", song)
    path.write_text(json.dumps(json.loads(path.read_text(encoding="utf-8")) | changed), encoding="utf-8")
    (home / "findings.json").write_text(json.dumps({"when": when, "findings": []}), encoding="utf-8")
    return song_in(folder)


def test_a_song_is_compared_with_the_last_time_it_was_played(tmp_path: Path) -> None:
    rehearsal(tmp_path, "2026-10-29", "Blue Hour", tempo=beats(100.0))
    rehearsal(tmp_path, "2026-11-05", "blue-hour", tempo=beats(120.0), levels_lu=[-8.5, -6.0, -3.0])
    rehearsal(tmp_path, "2026-11-12", "Rain", tempo=beats(90.0))
    # Recognised, and nobody has confirmed it yet.
    now = rehearsal(
        tmp_path, "2026-11-19", "Blue Hour", title="Blue Hour?", tempo=beats(124.0), levels_lu=[-8.5, -9.0, -3.0]
    )
    before = songs_before(tmp_path / "2026-11-19 mix", "2026-11-19")
    assert set(before) == {"bluehour", "rain"}
    assert (
        since_last_time(before, now)
        == "4 BPM faster than last time. Ole's electric guitar is 3 dB softer than last time."
    )
    assert since_last_time(songs_before(tmp_path / "2026-11-05 mix", "2026-11-05"), None) == ""
    assert songs_before(tmp_path / "2026-10-29 mix", "2026-10-29") == {}


def test_songs_with_the_numbers_that_the_program_gave_are_not_the_same(tmp_path: Path) -> None:
    rehearsal(tmp_path, "2026-11-05", "Song 1", tempo=beats(120.0))
    now = rehearsal(tmp_path, "2026-11-12", "Song 1", tempo=beats(130.0))
    assert since_last_time(songs_before(tmp_path / "2026-11-12 mix", "2026-11-12"), now) == ""


def test_what_cannot_be_read_or_is_not_known_says_nothing(tmp_path: Path) -> None:
    rehearsal(tmp_path, "2026-11-05", "Blue Hour", tempo=None, levels_lu=None)
    (tmp_path / "2026-11-05 mix" / "mixes" / "02 Rain").mkdir()
    (tmp_path / "2026-11-05 mix" / "mixes" / "02 Rain" / "recall.json").write_text("{", encoding="utf-8")
    now = rehearsal(tmp_path, "2026-11-12", "Blue Hour", tempo=beats(124.0))
    before = songs_before(tmp_path / "2026-11-12 mix", "2026-11-12")
    assert set(before) == {"bluehour"}
    assert since_last_time(before, now) == ""
