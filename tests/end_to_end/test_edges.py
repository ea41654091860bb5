"""What hardly anybody plans to do, and somebody does."""

from __future__ import annotations

import shlex
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test

from command_line import digests
from end_to_end.said import one_line, run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from wav_bytes import bext, chunk, fmt, riff

HOME = "Thursday mix"
SONG = Path(HOME) / "mixes" / "01 Thursday"
RECIPE = Path(HOME) / "recipe.toml"


def _tone(frames: int, rate_hz: int = 48_000, pitch_hz: float = 220.0) -> np.ndarray:
    return 0.1 * np.sin(2.0 * np.pi * pitch_hz * np.arange(frames) / rate_hz)


def test_a_recipe_among_the_raw_tracks_writes_nothing_there(take: Path, tmp_path: Path) -> None:
    (take / "recipe.toml").write_text('recipe = 1\n[rehearsal]\ntracks = "."\n', encoding="utf-8")
    before = sorted(take.rglob("*"))
    one_line(run_here("mix", take / "recipe.toml", cwd=tmp_path), 2, "inside the folder with the raw tracks")
    assert sorted(take.rglob("*")) == before


def test_a_continuation_that_is_gone_is_a_changed_input(tmp_path: Path) -> None:
    take = tmp_path / "take"
    take.mkdir()
    pcm = (32767 * _tone(96_000)).astype("<i2").tobytes()
    for number in (1, 2):
        header = bext(time_reference=1000 + 96_000 * (number - 1)), fmt(sample_bytes=2), chunk(b"data", pcm)
        (take / f"guitar_{number}.wav").write_bytes(riff(*header))
    (take / "bass.wav").write_bytes(riff(fmt(sample_bytes=2), chunk(b"data", 2 * pcm)))
    song = mix(Order(source=take, cwd=tmp_path)).songs[0]
    before = digests(song.folder)
    (take / "guitar_2.wav").unlink()
    one_line(run_here("mix", song.folder / "recall.json", cwd=tmp_path), 6, "guitar_2.wav")
    assert digests(song.folder) == before


@pytest.mark.parametrize("rate_hz", [8_000, 11_025, 16_000, 22_050])
def test_low_rates_are_mixed(rate_hz: int, tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "guitar.wav", _tone(4 * rate_hz, rate_hz), rate_hz, subtype="PCM_24")
    mix(Order(source=Path("take"), cwd=tmp_path))


def test_the_earlier_version_can_be_recalled(place: Path) -> None:
    first = digests(place / SONG)
    assert run_here("turn", RECIPE, "bass", "up", "1", cwd=place).returncode == 0
    mix(Order(source=place / RECIPE, cwd=place, tracks=True))
    sheet = place / HOME / "mixes" / "earlier" / "01 Thursday" / "recall.json"
    done = run_here("mix", sheet, cwd=place)
    assert not (place / HOME / "mixes" / ".cache").exists()
    assert done.returncode == 0, done.stderr
    assert digests(place / SONG) == first


def test_two_songs_of_one_stretch_are_both_there(place: Path) -> None:
    text = (place / RECIPE).read_text(encoding="utf-8")
    for title in ("Soft", "Loud"):
        text += f'\n[[song]]\ntitle = "{title}"\nstart = 0\nend = 4\n'
    (place / RECIPE).write_text(text, encoding="utf-8")
    songs = mix(Order(source=place / RECIPE, cwd=place)).songs
    assert all(song.mix.is_file() for song in songs)


def test_mix_names_the_input_list(take: Path, tmp_path: Path) -> None:
    (take / "inputs.toml").write_text('[[input]]\nfile = "kick.wav"\nname = "boom"\n', encoding="utf-8")
    assert "inputs.toml" in run_here("mix", take, cwd=tmp_path).stdout


def test_what_cannot_be_mixed_leaves_no_home(tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    one_line(run_here("mix", "take", cwd=tmp_path), 4)
    assert {path.name for path in tmp_path.iterdir()} == {"take"}


def test_a_folder_may_be_called_like_a_recall_sheet(take: Path, tmp_path: Path) -> None:
    take.rename(tmp_path / "take.json")
    assert run_here("mix", "take.json", cwd=tmp_path).returncode == 0


def test_a_recall_sheet_that_is_not_there_is_a_usage_error(tmp_path: Path) -> None:
    one_line(run_here("mix", "recall.json", cwd=tmp_path), 2, "recall.json")


def test_a_recall_sheet_away_from_its_home_leaves_no_cache_two_folders_up(place: Path) -> None:
    far = place / "one" / "two" / "three" / "four"
    far.mkdir(parents=True)
    (far / "recall.json").write_bytes((place / SONG / "recall.json").read_bytes())
    assert run_here("mix", far / "recall.json", cwd=place).returncode != 0
    assert not (place / "one" / "two" / ".cache").exists()


@pytest.mark.parametrize("module", ["typer", "morningmix.cli.arguments", "morningmix.commands.mix", "pedalboard"])
def test_an_interrupt_while_it_starts_says_a_line_too(module: str, place: Path) -> None:
    interrupted = (
        "import sys\nclass Interrupt:\n"
        "    def find_spec(self, name, path=None, target=None):\n"
        f"        if name == {module!r}:\n            raise KeyboardInterrupt\n"
        "sys.meta_path.insert(0, Interrupt())\nfrom morningmix.__main__ import main\nmain()\n"
    )
    command = [sys.executable, "-c", interrupted, "mix", "Thursday"]
    done = subprocess.run(command, cwd=place, capture_output=True, text=True)
    assert (done.returncode, done.stdout) == (130, "")
    assert done.stderr == "morningmix: stopped; earlier mixes are as they were.\n"


def test_a_finding_about_a_file_keeps_the_spelling_of_its_name(take: Path, tmp_path: Path) -> None:
    (take / "notes.wav").write_bytes(b"no sound")
    assert "notes.wav: not a sound file" in run_here("mix", take, cwd=tmp_path).stdout


def test_a_rate_too_low_for_music_is_refused(tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "guitar.wav", _tone(8_000, 2_000), 2_000, subtype="PCM_24")
    one_line(run_here("mix", "take", cwd=tmp_path), 4, "guitar.wav", "2000")


def test_samples_that_are_not_numbers_are_reported(tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    broken = np.where(np.arange(150_000) % 1000 == 0, np.nan, _tone(150_000))
    soundfile.write(tmp_path / "take" / "guitar.wav", broken, 48_000, subtype="FLOAT")
    soundfile.write(tmp_path / "take" / "bass.wav", _tone(150_000), 48_000, subtype="PCM_24")
    result = mix(Order(source=Path("take"), cwd=tmp_path))
    assert any("guitar" in finding.says for finding in result.findings), result.findings


def test_an_input_of_one_frame_does_not_spoil_the_mix(tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "guitar.wav", np.full(1, 0.1), 48_000, subtype="PCM_24")
    soundfile.write(tmp_path / "take" / "bass.wav", _tone(150_000), 48_000, subtype="PCM_24")
    song = mix(Order(source=Path("take"), cwd=tmp_path)).songs[0]
    assert song.loudness_lufs == pytest.approx(-16.0, abs=0.1)


def test_too_short_to_measure_is_not_called_silent(tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "guitar.wav", _tone(9_600), 48_000, subtype="PCM_24")
    assert "silent" not in run_here("mix", "take", cwd=tmp_path).stdout


@pytest.mark.skipif(sys.platform == "win32", reason="limits are set the POSIX way")
def test_a_full_disk_is_left_without_half_a_mix(place: Path) -> None:
    limited = (
        "import resource, signal, sys\nsignal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (700_000, 700_000))\n"
        "from morningmix.cli.main import main\nmain()\n"
    )
    done = subprocess.run([sys.executable, "-c", limited, "mix", "Thursday"], cwd=place, capture_output=True)
    assert done.returncode == 5
    assert not (place / HOME / "mixes" / ".partial").exists()


@pytest.mark.skipif(sys.platform == "win32", reason="a shell of POSIX reads it")
def test_the_suggested_command_can_be_typed(tmp_path: Path) -> None:
    (tmp_path / "it's $1").mkdir()
    soundfile.write(tmp_path / "it's $1" / "bass.wav", _tone(24_000), 48_000, subtype="PCM_24")
    said = run_here("recipe", "it's $1", cwd=tmp_path).stdout.splitlines()[0]
    assert shlex.split(said.partition("morningmix mix ")[2])[0] == "it's $1 mix/recipe.toml"
    assert "\"it's $1" not in said
