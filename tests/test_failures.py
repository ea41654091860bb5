"""What cannot work ends with one clear line and its exit code, and loses nothing."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test

from commands import digests, run
from morningmix.home import Home, locked
from morningmix.pipeline import Order, mix
from synthetic import write_take


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("card") / "Thursday"
    write_take(folder, seconds=3.0)
    return folder


def _one_line(done: subprocess.CompletedProcess[str], code: int, *words: str) -> None:
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1, done.stderr
    for word in words:
        assert word in lines[0]


def test_no_such_folder(tmp_path: Path) -> None:
    _one_line(run("mix", "nowhere", cwd=tmp_path), 2, "nowhere")
    assert not list(tmp_path.iterdir())


def test_an_empty_folder(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    _one_line(run("mix", "empty", cwd=tmp_path), 4, "empty")


def test_a_text_file_named_wav(tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    (tmp_path / "take" / "kick.wav").write_text("this is no sound", encoding="utf-8")
    _one_line(run("mix", "take", cwd=tmp_path), 4, "kick.wav")


def test_a_text_file_among_good_ones_is_left_out_and_said(card: Path, tmp_path: Path) -> None:
    shutil.copytree(card, tmp_path / "take")
    (tmp_path / "take" / "notes.wav").write_text("this is no sound", encoding="utf-8")
    done = run("mix", "take", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Notes.wav: not a sound file" in done.stdout


def test_a_typo_in_the_recipe(card: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(
        f'recipe = 1\n[rehearsal]\ntracks = "{card.as_posix()}"\n[[input]]\nfile = "kick.wav"\nlevle_db = 2\n',
        encoding="utf-8",
    )
    _one_line(run("mix", "recipe.toml", cwd=tmp_path), 3, "line 6", 'Did you mean "level_db"?')


def test_a_song_after_the_end(card: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(
        f'recipe = 1\n[rehearsal]\ntracks = "{card.as_posix()}"\n[[song]]\ntitle = "Late"\nstart = 100\nend = 200\n',
        encoding="utf-8",
    )
    _one_line(run("mix", "recipe.toml", cwd=tmp_path), 3, "Late")


def test_an_input_that_is_not_there(card: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(
        f'recipe = 1\n[rehearsal]\ntracks = "{card.as_posix()}"\n[[input]]\nfile = "harp.wav"\n', encoding="utf-8"
    )
    _one_line(run("mix", "recipe.toml", cwd=tmp_path), 4, "harp.wav")


def test_a_home_inside_the_tracks(card: Path, tmp_path: Path) -> None:
    shutil.copytree(card, tmp_path / "take")
    before = digests(tmp_path)
    _one_line(run("mix", "take", "--out", "take/mix", cwd=tmp_path), 2, "raw tracks")
    assert digests(tmp_path) == before


def test_a_busy_home(card: Path, tmp_path: Path) -> None:
    root = tmp_path / "Thursday mix"
    home = Home(root=root, mixes=root / "mixes", recipe=root / "recipe.toml", cache=root / ".cache")
    with locked(home):
        _one_line(run("mix", card, cwd=tmp_path), 7, "Another run")


def test_a_recording_that_changed(card: Path, tmp_path: Path) -> None:
    take = tmp_path / "take"
    shutil.copytree(card, take)
    mix(Order(source=take, cwd=tmp_path))
    sound, rate_hz = soundfile.read(take / "kick.wav")
    soundfile.write(take / "kick.wav", sound * 0.5, rate_hz, "PCM_24")
    sheet = tmp_path / "take mix" / "mixes" / "01 take" / "recall.json"
    before = digests(sheet.parent)
    _one_line(run("mix", sheet, cwd=tmp_path), 6, "kick.wav")
    assert digests(sheet.parent) == before
    sheet.write_text("{}", encoding="utf-8")
    _one_line(run("mix", sheet, cwd=tmp_path), 3, "recall.json")


@pytest.mark.skipif(sys.platform == "win32", reason="limits are set the POSIX way")
def test_a_disk_that_is_full(card: Path, tmp_path: Path) -> None:
    """A limit on the size of files stands for a full disk: writing fails in the same places."""
    first = run("mix", card, cwd=tmp_path)
    assert first.returncode == 0, first.stderr
    before = digests(tmp_path / "Thursday mix" / "mixes")
    limited = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN); "
        "resource.setrlimit(resource.RLIMIT_FSIZE, (200_000, 200_000)); "
        "sys.argv = ['morningmix', 'mix', sys.argv[1]]; from morningmix.cli import main; main()"
    )
    done = subprocess.run(
        [sys.executable, "-c", limited, str(card)], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    _one_line(done, 5)
    assert digests(tmp_path / "Thursday mix" / "mixes") == before


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="everything is readable for root")
def test_a_file_that_may_not_be_read(card: Path, tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    shutil.copy(card / "kick.wav", tmp_path / "take" / "kick.wav")
    (tmp_path / "take" / "kick.wav").chmod(0)
    _one_line(run("mix", "take", cwd=tmp_path), 4, "kick.wav")


def _tone(frames: int, rate_hz: int = 48_000, level: float = 0.1) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    return level * np.sin(2.0 * np.pi * 220.0 * np.arange(frames) / rate_hz)


@pytest.mark.parametrize(
    ("rate_hz", "sounds"),
    [
        (48_000, {"guitar": _tone(48_000)}),
        (48_000, {"guitar": np.zeros(48_000), "bass": np.zeros(48_000)}),
        (48_000, {"guitar": _tone(1), "bass": _tone(1)}),
        (48_000, {"guitar": _tone(3), "lead vocal": _tone(2)}),
        (8_000, {"guitar": _tone(8_000, 8_000), "lead vocal": _tone(4_000, 8_000)}),
        (192_000, {"guitar": _tone(96_000, 192_000), "lead vocal": _tone(96_000, 192_000)}),
        (44_100, {"guitar": np.full(44_100, np.nan), "bass": _tone(44_100, 44_100)}),
    ],
    ids=["one input", "all silent", "one frame", "three frames", "8 kHz", "192 kHz", "not a number"],
)
def test_odd_takes_are_mixed_all_the_same(
    rate_hz: int, sounds: dict[str, np.ndarray[tuple[int, ...], np.dtype[np.float64]]], tmp_path: Path
) -> None:
    take = tmp_path / 'odd "take" …'
    take.mkdir()
    for name, sound in sounds.items():
        soundfile.write(take / f"{name}.wav", sound, rate_hz, subtype="FLOAT")
    done = run("mix", take, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    mixes = list(tmp_path.glob("odd * mix/mixes/01 */*.wav"))
    assert len(mixes) == 1
    info = soundfile.info(mixes[0])
    assert (info.samplerate, info.frames) == (rate_hz, max(len(sound) for sound in sounds.values()))


def test_mixed_rates_lengths_and_widths(tmp_path: Path) -> None:
    take = tmp_path / "take"
    take.mkdir()
    soundfile.write(take / "guitar.wav", _tone(44_100, 44_100), 44_100, subtype="PCM_16")
    soundfile.write(take / "bass.wav", _tone(48_000), 48_000, subtype="PCM_24")
    soundfile.write(take / "keys.flac", np.stack([_tone(24_000), -_tone(24_000)], 1), 48_000, subtype="PCM_24")
    done = run("mix", take, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert soundfile.info(tmp_path / "take mix" / "mixes" / "01 take" / "take.wav").frames == 48_000


def test_everything_muted(card: Path, tmp_path: Path) -> None:
    inputs = "".join(f'[[input]]\nfile = "{path.name}"\nmute = true\n' for path in sorted(card.iterdir()))
    (tmp_path / "recipe.toml").write_text(
        f'recipe = 1\n[rehearsal]\ntracks = "{card.as_posix()}"\n{inputs}', encoding="utf-8"
    )
    done = run("mix", "recipe.toml", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "silent" in done.stdout.splitlines()[0]


def test_help_needs_none_of_the_heavy_libraries(tmp_path: Path) -> None:
    for arguments in ((), ("mix",), ("recipe",), ("turn",), ("check",), ("why",)):
        done = run(*arguments, "--help", cwd=tmp_path)
        assert done.returncode == 0
        assert "Usage" in done.stdout
    heavy = ["numpy", "scipy", "soundfile", "soxr", "pedalboard", "pydantic", "pyloudnorm"]
    code = f"import sys, morningmix.cli; sys.exit(any(name in sys.modules for name in {heavy}))"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_usage_errors_are_code_two(tmp_path: Path) -> None:
    assert run("mix", cwd=tmp_path).returncode == 2
    assert run("mix", "x", "--bits", "12", cwd=tmp_path).returncode == 2
    _one_line(run("why", "recipe.toml", cwd=tmp_path), 2, "Nothing was mixed yet")
