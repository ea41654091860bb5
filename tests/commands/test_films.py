"""Which songs a clip is cut into, and where their films go."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from film.made import RATE_HZ, Made, music
from morningmix.audio.write import IntegerWriter
from morningmix.commands.clips import Filmed, Found
from morningmix.commands.films import as_facts, films_of, lone_mix, mixed_songs, shots_of, tags_of
from morningmix.commands.order import Callbacks, Order
from morningmix.errors import RecordingsError, UsageError
from morningmix.files.clips import read_clips, write_clips
from morningmix.film.clip import open_clip
from morningmix.film.write import Settings
from morningmix.model.film import KnownClip, Lined
from morningmix.model.recording import Take
from morningmix.storage.home import Home
from recall_sheets import write_sheet, write_tracks

LINED = Lined(file="clip.mp4", offset_s=-0.4, drift_ppm=50.0, confidence=0.9, accepted=True)


def write_mix(path: Path, channels: int = 2, seconds: float = 1.5) -> None:
    samples = np.rint(music(seconds, channels) * 1_000_000).astype(np.int32)
    with IntegerWriter(path, rate_hz=RATE_HZ, channels=channels, frames=samples.shape[1]) as writer:
        writer.write(samples)


@pytest.fixture
def home(tmp_path: Path) -> Home:
    """Two mixed songs of one take, one of another."""
    write_tracks(tmp_path / "takes")
    write_tracks(tmp_path / "others")
    root = tmp_path / "takes mix"
    for number, title, tracks, start_s in (
        (1, "One", "takes", 0.0),
        (2, "Two", "takes", 0.3),
        (3, "Far", "others", 0.0),
    ):
        folder = root / "mixes" / f"{number:02d} {title}"
        write_sheet(folder, tmp_path / tracks, title, start_s)
        write_mix(folder / f"{title}.wav")
    return Home(root=root, mixes=root / "mixes", recipe=root / "recipe.toml", cache=root / ".cache")


def test_every_song_of_the_take_that_a_clip_shows_becomes_a_film(tmp_path: Path, home: Home) -> None:
    clip = open_clip(Made(seconds=2.1, sound=music(2.1)).write(tmp_path / "clip.mp4"))
    lines = ("recipe = 1", "[rehearsal]", 'tracks = "../takes"', 'title = "Tuesday"', 'band = "The Sheds"')
    home.recipe.write_text("\n".join((*lines, 'date = "2026-11-24"')), encoding="utf-8")
    take = Take(folder=tmp_path / "takes", recordings=(), rate_hz=RATE_HZ, frames=2 * RATE_HZ)
    what = Filmed(home=home, takes=(take,))
    other = replace(clip, path=tmp_path / "other.mp4")
    found = [
        Found(clip=clip, take=take, lined=LINED),
        Found(clip=other, take=take, lined=replace(LINED, accepted=False, confidence=0.1)),
    ]
    by_hand = KnownClip(path=clip.path, take="takes", lined=LINED, frames_later=2)
    (home.root / "films").mkdir()
    write_clips(home.root / "films" / "clips.json", [by_hand])

    folder, films = films_of(what, found, Order(source=home.root, cwd=tmp_path), Settings(), Callbacks())

    assert folder == home.root / "films"
    assert [film.file.name for film in films] == ["01 One - clip.mp4", "02 Two - clip.mp4"]
    assert [film.whole for film in films] == [True, False]
    facts = as_facts(films[1])
    assert (facts["song"], facts["start_s"]) == ("Two", pytest.approx(0.0, abs=0.04))
    later_s = by_hand.frames_later / 25
    assert facts["stop_s"] == pytest.approx(2.1 - 0.4 - 0.3 - later_s, abs=0.05), "set by hand, and so it stays"
    known = read_clips(folder / "clips.json")
    assert [(one.path.name, one.lined.accepted, one.frames_later) for one in known] == [
        ("clip.mp4", True, 2),
        ("other.mp4", False, 0),
    ]
    assert tags_of(home) == (("album", "Tuesday"), ("artist", "The Sheds"), ("date", "2026-11-24"))


def test_films_of_two_clips_of_one_name_do_not_meet(tmp_path: Path) -> None:
    clip = open_clip(Made(seconds=1.0, sound=music(1.0)).write(tmp_path / "clip.mp4"))

    shots = shots_of([(clip, LINED), (clip, replace(LINED, accepted=False)), (clip, LINED)])

    assert [shot.name for shot in shots] == ["clip", "clip 2"]


def test_a_mix_alone_is_a_song_without_a_number(tmp_path: Path) -> None:
    write_mix(tmp_path / "Blue Hour.wav")
    write_mix(tmp_path / "desk.wav", channels=4)

    song = lone_mix(tmp_path / "Blue Hour.wav")

    assert (song.title, song.number, song.start_s) == ("Blue Hour", None, 0.0)
    with pytest.raises(RecordingsError, match=r"desk\.wav has more than two channels"):
        lone_mix(tmp_path / "desk.wav")


def test_what_is_missing_is_said(tmp_path: Path, home: Home) -> None:
    (home.mixes / "02 Two" / "Two.wav").unlink()

    with pytest.raises(RecordingsError, match=r"Two\.wav is missing\. Mix Two again"):
        mixed_songs(home, tmp_path / "takes")
    with pytest.raises(UsageError, match="Nothing is mixed yet"):
        mixed_songs(replace(home, mixes=tmp_path / "nowhere"), tmp_path / "takes")
