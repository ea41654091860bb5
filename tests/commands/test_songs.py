"""A rehearsal in one take, as a person meets it: songs found, written down, mixed, and cut so that it sounds clean."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer and reader of the files under test

from command_line import digests
from end_to_end.said import run_here
from lanes import lane_here
from morningmix.audio.takes import find_take
from morningmix.commands import mix
from morningmix.commands.order import Order
from morningmix.decide import rehearsal
from morningmix.decide.song_boundaries import find_songs
from morningmix.measure.activity import measure_activity
from morningmix.measure.take import measure_take
from synthetic import SINGERS, Sound, band, sources

RATE_HZ = 24_000
SONG_S = 30.0
FIRST_S, SECOND_S = 6.0, 56.0
"""Where the songs' first notes are; two seconds before each, four clicks."""
SECONDS = 92.0


def write_rehearsal(folder: Path) -> Path:
    """Two songs, each counted in; between them the bass player goes on alone for a while."""
    rng = np.random.default_rng(4)
    frames = round(SECONDS * RATE_HZ)
    folder.mkdir(parents=True)
    played = band(SONG_S, RATE_HZ, 4)
    bass = sources(8.0, RATE_HZ, 4)["bass"]
    for name, sound in played.items():
        if name in (*SINGERS, "snare", "guitar 2"):
            continue
        heard: Sound = 2e-5 * rng.standard_normal(frames)
        for start_s in (FIRST_S, SECOND_S):
            _add(heard, start_s, sound)
            if name == "overhead":
                for number in range(4):
                    _add(heard, start_s - 2.0 + 0.5 * number, _click(rng))
        if name == "bass":
            _add(heard, FIRST_S + SONG_S + 4.0, bass)
        soundfile.write(folder / f"{name}.wav", heard, RATE_HZ, subtype="PCM_24")
    return folder


def _add(heard: Sound, at_s: float, sound: Sound) -> None:
    at = round(at_s * RATE_HZ)
    heard[at : at + len(sound)] += sound


def _click(rng: np.random.Generator) -> Sound:
    t = np.arange(round(0.02 * RATE_HZ)) / RATE_HZ
    return 0.3 * rng.standard_normal(len(t)) * np.exp(-t / 0.004)


@pytest.fixture(scope="module")
def tracks(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_rehearsal(tmp_path_factory.mktemp("rehearsal") / "Thursday")


def right(start_s: float, end_s: float, first_s: float) -> bool:
    """Before the first click by 0.3 to 2 s, and after the last note by at most 3 s."""
    return -2.0 <= start_s - (first_s - 2.0) <= -0.3 and 0.0 <= end_s - (first_s + SONG_S) <= 3.0


def test_songs_are_found_in_recorded_sound(tracks: Path, tmp_path: Path) -> None:
    take = find_take(tracks)
    _, store = measure_take(take, tmp_path, lane_here())
    families = {"kick": "drums", "overhead": "drums", "bass": "bass"}
    of_inputs = [families.get(recording.files[0].removesuffix(".wav"), "guitars") for recording in take.recordings]
    activity = measure_activity(store, of_inputs)
    songs = find_songs(activity, of_inputs)
    for song, first_s in zip(songs, (FIRST_S, SECOND_S), strict=True):
        assert right(song.start.at_s, song.end.at_s, first_s)
    guitar = of_inputs.index("guitars")
    playing = slice(round((FIRST_S + 2) / activity.frame_s), round((FIRST_S + SONG_S - 2) / activity.frame_s))
    alone = slice(round((FIRST_S + SONG_S + 5) / activity.frame_s), round((FIRST_S + SONG_S + 11) / activity.frame_s))
    assert activity.over_bleed_db[guitar].mean(axis=0)[playing].mean() > 6.0
    assert activity.over_bleed_db[guitar].mean(axis=0)[alone].max() < 3.0
    assert activity.over_bleed_db[of_inputs.index("bass")].mean(axis=0)[alone].mean() > 6.0


def test_the_command_writes_the_songs_and_leaves_a_list_alone(tracks: Path, tmp_path: Path) -> None:
    before = digests(tracks)
    first = run_here("songs", tracks, "--out", "home", cwd=tmp_path)
    assert first.returncode == 0, first.stderr
    recipe = tmp_path / "home" / "recipe.toml"
    assert first.stdout.startswith(
        f"2 songs found, and their times are in {Path('home/recipe.toml')}. Give them their titles there.\n"
    )
    assert "4 clicks, one every 0.50 s" in first.stdout
    named = recipe.read_text(encoding="utf-8").replace('"Song 1"', '"Copper Rain Gauge"  # hers')
    recipe.write_text(named, encoding="utf-8")
    second = run_here("songs", tracks, "--out", "home", cwd=tmp_path)
    assert "already lists 2 songs and was left as it is" in second.stdout
    assert recipe.read_text(encoding="utf-8") == named
    again = run_here("songs", recipe, "--redo", "--json", cwd=tmp_path)
    assert recipe.read_text(encoding="utf-8") == named
    facts = json.loads(again.stdout)
    assert [song["title"] for song in facts["found"]] == ["Copper Rain Gauge", "Song 1 again"]
    assert all(0.0 <= song["start"]["sure"] <= 1.0 for song in facts["found"])
    assert digests(tracks) == before


def test_a_short_take_of_two_songs_is_cut_by_itself_and_every_cut_is_faded(tracks: Path, tmp_path: Path) -> None:
    result = mix.mix(Order(source=tracks, cwd=tmp_path, out=Path("home"), workers=2))
    assert result.found is not None
    assert [song.title for song in result.songs] == ["Song 1", "Song 1 again"]
    songs = tomllib.loads(result.recipe.read_text(encoding="utf-8"))["song"]
    assert [song["title"] for song in songs] == ["Song 1", "Song 1 again"]
    for song, first_s in zip(result.songs, (FIRST_S, SECOND_S), strict=True):
        assert right(song.plan.start_s, song.plan.end_s, first_s)
        assert (song.plan.fade_in_s, song.plan.fade_out_s) == (0.05, 0.5)
        sound, _ = soundfile.read(song.mix)
        assert np.abs(sound[:5]).max() < 1e-5
        assert np.abs(sound[-5:]).max() < 1e-5


@pytest.mark.parametrize("listed", ["", '[[song]]\ntitle = "Rope Swing"\nstart = 1\nend = 2\n'], ids=["", "listed"])
def test_whole_mixes_one_piece_and_leaves_the_list_of_songs_alone(
    listed: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(rehearsal, "LONG_S", 2.0)
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "bass.wav", sources(3.0, RATE_HZ, 4)["bass"], RATE_HZ, subtype="PCM_24")
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(f'recipe = 1\n[rehearsal]\ntracks = "take"\n{listed}', encoding="utf-8")
    before = recipe.read_bytes()
    result = mix.mix(Order(source=recipe, cwd=tmp_path, whole=True))
    assert result.found is None
    (song,) = result.songs
    assert (song.plan.start_s, song.plan.end_s) == (0.0, 3.0)
    assert (song.plan.fade_in_s, song.plan.fade_out_s) == (0.0, 0.0)
    assert recipe.read_bytes() == before
