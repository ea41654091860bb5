"""Mixes to practise with: without a player, and with more of them."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import mutagen  # noqa: TID251 - an outside reader of the tags
import numpy as np
import pyloudnorm  # noqa: TID251 - an outside meter
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written
from scipy import signal

from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.commands.practice import UP_DB
from morningmix.commands.recipe import write_recipe
from morningmix.commands.result import Result
from morningmix.errors import UsageError
from morningmix.share.send import share
from synthetic import write_take

RATE_HZ = 32_000
NAMES = ("more of Ida's bass", "more of Ole's drums", "without Ida's bass", "without Ole's drums")
PLAYERS = {"bass": "Ida", "kick": "Ole", "snare": "Ole", "overhead": "Ole"}


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Result:
    folder = tmp_path_factory.mktemp("place")
    write_take(folder / "Thursday", 8.0, RATE_HZ)
    order = Order(source=folder / "Thursday", cwd=folder, workers=2, practice=True)
    with pytest.raises(UsageError, match="No input names its player"):
        mix(order)
    write_recipe(order)
    recipe = folder / "Thursday mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8")
    for name, player in PLAYERS.items():
        text = text.replace(f'name = "{name}"\n', f'name = "{name}"\nplayer = "{player}"\n', 1)
    recipe.write_text(text, encoding="utf-8")
    return mix(order)


def share_of(part: str, heard: Path, tracks: Path) -> float:
    """Level at which a dry track is in a mix, dB: per frequency, all tracks regressed on at once."""
    sound = soundfile.read(heard)[0].mean(axis=1)
    names = sorted(path.stem for path in tracks.iterdir())
    dry = np.stack([soundfile.read(tracks / f"{name}.wav")[0] for name in names])
    count = min(dry.shape[1], len(sound))
    spectra = [signal.stft(one[:count], RATE_HZ, nperseg=4096)[2] for one in (*dry, sound)]
    gains, weights = [], []
    for at in range(5, 700):
        matrix = np.stack([spectrum[at] for spectrum in spectra[:-1]], axis=1)
        gain = np.linalg.lstsq(matrix, spectra[-1][at], rcond=1e-3)[0][names.index(part)]
        power = float(np.sum(np.abs(spectra[names.index(part)][at]) ** 2))
        gains.append(abs(gain) ** 2 * power)
        weights.append(power)
    return float(10.0 * np.log10(np.sum(gains) / np.sum(weights)))


def test_two_files_for_each_player_at_the_loudness_of_the_mix(mixed: Result) -> None:
    """Loudness by pyloudnorm of what libsndfile decodes."""
    (song,) = mixed.songs
    files = sorted((song.folder / "practice").iterdir())
    assert [file.name for file in files] == [f"Thursday - {name}.mp3" for name in NAMES]
    for file in files:
        sound, rate_hz = soundfile.read(file)
        reading = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound)
        assert reading == pytest.approx(song.target_lufs, abs=0.3)


def test_a_player_left_out_is_gone_and_a_player_turned_up_stands_out(mixed: Result) -> None:
    (song,) = mixed.songs
    tracks = mixed.home.parent / "Thursday"
    levels = {
        name: share_of("bass", song.folder / file, tracks)
        for name, file in (
            ("mix", "Thursday.mp3"),
            ("without", "practice/Thursday - without Ida's bass.mp3"),
            ("up", "practice/Thursday - more of Ida's bass.mp3"),
        )
    }
    others = {
        name: share_of("guitar 1", song.folder / file, tracks)
        for name, file in (("mix", "Thursday.mp3"), ("up", "practice/Thursday - more of Ida's bass.mp3"))
    }
    assert levels["mix"] - levels["without"] > 20.0
    gained = (levels["up"] - others["up"]) - (levels["mix"] - others["mix"])
    assert gained == pytest.approx(UP_DB, abs=1.0)


def test_practice_mixes_go_round_too(mixed: Result, tmp_path: Path) -> None:
    folder, _ = share(mixed.home, tmp_path / "out", "mp3", lambda *_: None)
    files = sorted(path.name for path in folder.iterdir() if " - " in path.name)
    assert files == [f"01 Thursday - {name}.mp3" for name in NAMES]
    index = (folder / "index.html").read_text(encoding="utf-8")
    link = "01%20Thursday%20-%20without%20Ida%27s%20bass.mp3"
    assert f'<a href="{link}"><bdi>without Ida&#39;s bass</bdi></a>' in index
    source = mixed.home / "mixes" / "01 Thursday" / "practice" / files[0].removeprefix("01 ")
    packed = mutagen.File(folder / files[0])
    assert packed.info.length == pytest.approx(mutagen.File(source).info.length)
    assert str(packed.tags["TIT2"]) == "Thursday - more of Ida's bass"
    assert str(packed.tags["TALB"]) == "Thursday"
    assert packed.tags.getall("APIC")


def test_they_stay_until_somebody_says_otherwise_and_the_mix_itself_is_the_same(mixed: Result, tmp_path: Path) -> None:
    (song,) = mixed.songs
    before = song.mix.read_bytes()
    order = Order(source=mixed.recipe, cwd=tmp_path, workers=2)
    (stands,) = mix(order).songs
    assert stands.partial is None
    assert len(list((stands.folder / "practice").iterdir())) == 4
    (again,) = mix(replace(order, practice=False)).songs
    assert again.mix.read_bytes() == before
    assert not (again.folder / "practice").exists()
