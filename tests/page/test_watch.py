"""A clip watched with the mix: where each song's mix begins in it, and what is handed to a browser."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile  # an outside reader of the sound

from morningmix.audio.write import IntegerWriter
from morningmix.files.clips import write_clips
from morningmix.film.clip import Clip, Picture
from morningmix.film.write import Shot, Song
from morningmix.model.film import KnownClip, Lined
from morningmix.page.watch import scenes
from page.made import browser, opened
from recall_sheets import write_sheet, write_tracks

RATE_HZ = 8_000
LINED = Lined(file="stage.mp4", offset_s=10.0, drift_ppm=5000.0, confidence=1.0, accepted=True)
CLIP = Clip(
    path=Path("stage.mp4"),
    duration_s=60.0,
    rate_hz=RATE_HZ,
    channels=1,
    picture=Picture(start_s=-0.25, stop_s=59.75, codec="h264", width=64, height=48, frames_per_s=25.0),
    origin_s=Fraction(1, 4),
)


def mix_of(path: Path, seconds: float) -> Path:
    samples = (np.arange(round(seconds * RATE_HZ), dtype=np.int32) % 30_000 * 256)[np.newaxis]
    with IntegerWriter(path, rate_hz=RATE_HZ, channels=1, frames=samples.shape[1]) as writer:
        writer.write(samples)
    return path


@pytest.fixture(scope="module")
def songs(tmp_path_factory: pytest.TempPathFactory) -> list[Song]:
    """One under way when the clip begins, one within it, one that it shows half a second of, one after it."""
    mix = mix_of(tmp_path_factory.mktemp("mixes") / "mix.wav", 20.0)
    starts_s = (0.0, 40.0, -9.5, 90.0)
    return [Song(title=f"{at_s}", mix=mix, start_s=at_s, number=number) for number, at_s in enumerate(starts_s, 1)]


def test_a_player_counts_from_the_first_picture_and_by_the_clock_of_the_clip(songs: list[Song]) -> None:
    under_way, within = scenes(Shot(clip=CLIP, lined=LINED, name="stage"), reversed(songs))

    assert (under_way.number, within.number) == (1, 2), "as they come, without what it hardly shows"
    assert within.begins_s == pytest.approx(0.25 + 30.0 * 1.005)
    assert within.shows_s == within.begins_s
    assert within.says == "0:30"
    assert within.mix_s == 20.0
    assert under_way.begins_s == pytest.approx(0.25 - 10.0 * 1.005)
    assert under_way.shows_s == 0.0
    assert under_way.says == "0:00, already under way"


def test_the_mix_that_plays_is_the_take_at_that_moment(songs: list[Song]) -> None:
    (_, scene) = scenes(Shot(clip=CLIP, lined=LINED, name="stage"), songs)
    for player_s in (scene.begins_s, 40.0, 50.0):
        in_mix_s = (player_s - scene.begins_s) / scene.rate
        assert 40.0 + in_mix_s == pytest.approx(LINED.take_s(player_s - 0.25), abs=1e-9)


def test_a_clip_whose_sound_was_set_later_begins_its_mix_as_much_later(songs: list[Song]) -> None:
    later = Shot(clip=CLIP, lined=replace(LINED, offset_s=LINED.offset_s - 0.04), name="stage")
    found, moved = (scenes(shot, songs)[1] for shot in (Shot(clip=CLIP, lined=LINED, name="stage"), later))
    assert moved.begins_s - found.begins_s == pytest.approx(0.04 * 1.005)


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """A browser of a mixed rehearsal that knows two clips, of which the second does not fit."""
    folder = tmp_path_factory.mktemp("watched")
    rehearsal = opened(folder)
    write_tracks(folder / "tracks")
    sheet = write_sheet(folder / "mixes" / "07 Thursday", folder / "tracks", "Thursday")
    mix_of(sheet.with_name("Thursday.wav"), 5.0)
    (folder / "films").mkdir()
    clips = []
    for name, fits in (("stage.mp4", True), ("other.mp4", False), ("gone.mp4", True)):
        if name != "gone.mp4":
            (folder / name).write_bytes(name.encode())
        clips.append(KnownClip(path=folder / name, take="take", lined=replace(LINED, file=name, accepted=fits)))
    write_clips(folder / "films" / "clips.json", clips)
    client = browser(rehearsal)
    client.folder = folder
    return client


def test_a_clip_is_handed_out_in_parts(client: Any) -> None:
    part = client.get("/films/clip/0?123", headers={"Range": "bytes=2-4"})
    assert (part.status_code, part.content, part.headers["content-type"]) == (206, b"age", "video/mp4")


def test_pieces_of_a_mix_join_to_it(client: Any) -> None:
    wanted, _ = soundfile.read(client.folder / "mixes" / "07 Thursday" / "Thursday.wav")
    pieces = [client.get(f"/films/mix/7/{number}?123").content for number in (0, 1)]
    sound = np.concatenate([soundfile.read(io.BytesIO(piece))[0] for piece in pieces])
    assert sound == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize(
    "address",
    [
        pytest.param("/films/clip/1", id="of another evening"),
        pytest.param("/films/clip/2", id="gone"),
        pytest.param("/films/clip/3", id="not in the list"),
        pytest.param("/films/mix/1/0", id="no such song"),
        pytest.param("/films/mix/7/2", id="after the end of the song"),
    ],
)
def test_nothing_else_is_handed_out(client: Any, address: str) -> None:
    answer = client.get(address)
    assert answer.status_code == 422
    assert json.loads(answer.text)["problem"]


def test_a_path_is_no_address(client: Any) -> None:
    for path in (
        "/films/clip/..%2F..%2Frecipe.toml",
        "/films/clip/-1",
        "/films/mix/07%20Thursday/0",
        "/films/clip/0/x",
    ):
        assert client.get(path).status_code == 404
