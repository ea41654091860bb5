"""What cannot be done ends with one clear line and its exit code, and loses nothing; what is merely odd is mixed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside writer of the files under test
from numpy.typing import NDArray

from command_line import digests, run
from end_to_end.conftest import RATE_HZ
from end_to_end.said import kept, one_line, run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.files.recall import read_recall
from morningmix.storage.home import Home
from morningmix.storage.lock import locked

Sound = NDArray[np.float64]

HOME = "Thursday mix"
SONG = Path(HOME) / "mixes" / "01 Thursday"
RECIPE = Path(HOME) / "recipe.toml"


def _tone(frames: int, rate_hz: int = 48_000, pitch_hz: float = 220.0, level: float = 0.1) -> Sound:
    return level * np.sin(2.0 * np.pi * pitch_hz * np.arange(frames) / rate_hz)


def _add(recipe: Path, text: str) -> int:
    """Adds to a recipe; returns the line in which the addition starts."""
    old = recipe.read_text(encoding="utf-8")
    recipe.write_text(old + text, encoding="utf-8")
    return len(old.splitlines()) + 1


# ---------------------------------------------------------------- nothing to mix


@pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() == 0, reason="everything is readable for root")
def test_a_file_that_may_not_be_read(card: Path, tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    shutil.copy(card / "kick.wav", tmp_path / "take" / "kick.wav")
    (tmp_path / "take" / "kick.wav").chmod(0)
    one_line(run_here("mix", "take", cwd=tmp_path), 4, "kick.wav")


def test_a_source_that_is_not_there(tmp_path: Path) -> None:
    one_line(run("mix", "nowhere", cwd=tmp_path), 2, "nowhere")
    for command in ("mix", "check", "recipe"):
        one_line(run_here(command, "nowhere.toml", cwd=tmp_path), 2, "nowhere.toml")
    assert not list(tmp_path.iterdir())


def test_a_source_that_is_neither_folder_nor_recipe(take: Path, tmp_path: Path) -> None:
    before = digests(tmp_path)
    one_line(run_here("mix", take / "kick.wav", cwd=tmp_path), 2, "kick.wav")
    assert digests(tmp_path) == before


@pytest.mark.parametrize(
    ("files", "words"),
    [
        ({}, ("There are no recordings in", "take")),
        ({"list.txt": b"kick, snare"}, ("There are no recordings in", "take")),
        ({"kick.wav": b"this is no sound"}, ("kick.wav: not a sound file",)),
        ({"kick.wav": b""}, ("kick.wav: the file is empty",)),
        ({"demo.mp3": b"\xff\xfb\x90\x00"}, ("demo.mp3: compressed sound is not a raw track",)),
    ],
    ids=["empty folder", "no sound", "text named wav", "zero bytes", "compressed"],
)
def test_a_folder_without_recordings(files: dict[str, bytes], words: tuple[str, ...], tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    for name, content in files.items():
        (tmp_path / "take" / name).write_bytes(content)
    before = kept(tmp_path)
    one_line(run_here("mix", "take", cwd=tmp_path), 4, *words)
    assert kept(tmp_path) == before


def test_recordings_without_a_single_frame(tmp_path: Path) -> None:
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "kick.wav", np.zeros(0), 48_000, subtype="PCM_24")
    one_line(run_here("mix", "take", cwd=tmp_path), 4, "nothing was recorded in kick.wav")


def test_bad_files_among_good_ones_are_left_out_and_reported(take: Path, tmp_path: Path) -> None:
    good = {path.name for path in take.iterdir()}
    (take / "Notes.wav").write_bytes(b"this is no sound")
    (take / "Nothing.wav").write_bytes(b"")
    done = run_here("mix", take, "--tracks", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Notes.wav: not a sound file" in done.stdout
    assert "Nothing.wav: the file is empty" in done.stdout
    tracks = tmp_path / "take mix" / "mixes" / "01 take" / "tracks"
    assert {path.name for path in tracks.iterdir()} == good
    assert (take / "Notes.wav").read_bytes() == b"this is no sound"


# ---------------------------------------------------------------- recipe, input list, recall sheet


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ('[[input]]\nfile = "new.wav"\nlevle_db = 2\n', 2, ('"levle_db"', 'Did you mean "level_db"?')),
        ('[[input]]\nfile = "new.wav"\nrole = "kik"\n', 2, ('role "kik" is not known', 'Did you mean "kick"?')),
        ('[[input]]\nfile = "new.wav"\nlevel_db = "loud"\n', 2, ("level_db",)),
        ('[[input]]\nfile = "new.wav"\nlevel_db = 240\n', 2, ("level_db",)),
        ('[[song]]\ntitle = "A"\nstart = "1:75"\nend = "2:00"\n', 2, ("start", "1:75")),
        ('[[song]]\ntitle = "A"\nstart = 3\nend = 2\n', 3, ('"A" must end after it starts',)),
        ('[[song]]\ntitle = "A"\nstart = 0\nend = 3\n[[song.input]]\nname = "drumms"\n', 5, ('called "drumms"',)),
        ("this is no TOML\n", 0, ()),
    ],
    ids=["key", "role", "word for number", "range", "time", "end before start", "name in a song", "not TOML"],
)
def test_a_mistake_in_the_recipe_is_shown_with_its_line(
    text: str, line: int, words: tuple[str, ...], place: Path
) -> None:
    start = _add(place / RECIPE, text)
    before = kept(place)
    for command in (("mix", "Thursday"), ("mix", RECIPE), ("turn", RECIPE, "bass", "up", "1")):
        one_line(run_here(*command, cwd=place), 3, f"recipe.toml, line {start + line}", *words)
    assert kept(place) == before


def test_a_song_that_starts_after_the_end(place: Path) -> None:
    _add(place / RECIPE, '[[song]]\ntitle = "Late"\nstart = 100\nend = 200\n')
    before = kept(place)
    one_line(run_here("mix", RECIPE, cwd=place), 3, '"Late" starts after the end of the recording')
    assert kept(place) == before


def test_a_song_that_is_not_there(place: Path) -> None:
    before = kept(place)
    one_line(run_here("mix", RECIPE, "--song", "Bellrope", cwd=place), 2, 'no song "Bellrope"', '"Thursday"')
    assert kept(place) == before


def test_a_recipe_whose_tracks_are_gone(place: Path) -> None:
    (place / "Thursday").rename(place / "elsewhere")
    before = kept(place)
    one_line(run_here("mix", RECIPE, cwd=place), 4, "There is no folder", "Thursday")
    one_line(run_here("mix", SONG / "recall.json", cwd=place), 4, "There is no folder", "Thursday")
    one_line(run_here("mix", "elsewhere", "--out", HOME, cwd=place), 3, "elsewhere", "tracks line")
    assert kept(place) == before


def test_an_input_that_is_gone(place: Path) -> None:
    (place / "Thursday" / "kick.wav").unlink()
    before = kept(place)
    one_line(run_here("mix", RECIPE, cwd=place), 4, "kick.wav", "Put the file back")
    one_line(run_here("mix", SONG / "recall.json", cwd=place), 6, "kick.wav is no longer in")
    assert kept(place) == before


def test_a_mistake_in_the_input_list_is_shown_with_its_line(take: Path, tmp_path: Path) -> None:
    (take / "inputs.toml").write_text('[[input]]\nfile = "kick.wav"\nrole = "kik"\n', encoding="utf-8")
    before = kept(tmp_path)
    one_line(run_here("mix", take, cwd=tmp_path), 3, "inputs.toml, line 3", 'Did you mean "kick"?')
    assert kept(tmp_path) == before


def test_a_recording_that_changed_since_the_recall_sheet(place: Path) -> None:
    """One bit of one sample is enough."""
    path = place / "Thursday" / "kick.wav"
    content = bytearray(path.read_bytes())
    content[-1] ^= 1
    path.write_bytes(content)
    before = kept(place)
    one_line(run("mix", SONG / "recall.json", cwd=place), 6, "kick.wav is not the file", "mix from the recipe")
    assert kept(place) == before


@pytest.mark.parametrize("damage", ["cut short", "not JSON", "another format", "a value of the wrong kind"])
def test_a_recall_sheet_that_is_damaged(damage: str, place: Path) -> None:
    sheet = place / SONG / "recall.json"
    text = sheet.read_text(encoding="utf-8")
    damaged = {
        "cut short": text[: len(text) // 2],
        "not JSON": "\0" * 100,
        "another format": text.replace('"recall": 3', '"recall": 1'),
        "a value of the wrong kind": text.replace(f'"rate_hz": {RATE_HZ}', '"rate_hz": "fast"'),
    }[damage]
    assert damaged != text
    sheet.write_text(damaged, encoding="utf-8")
    before = kept(place)
    one_line(run_here("mix", sheet, cwd=place), 3, "recall.json", "Mix from the recipe instead")
    assert kept(place) == before


# ---------------------------------------------------------------- the place to write to


def test_a_home_inside_the_tracks(take: Path, tmp_path: Path) -> None:
    before = digests(tmp_path)
    for out in ("take", "take/mix", "take/deep/er"):
        one_line(run_here("mix", "take", "--out", out, cwd=tmp_path), 2, "inside the folder with the raw tracks")
    assert digests(tmp_path) == before
    assert not any(path.is_dir() for path in take.iterdir())


def test_mixes_inside_the_tracks(place: Path) -> None:
    before = digests(place / "Thursday")
    one_line(run_here("mix", RECIPE, "--out", "Thursday/mixes", cwd=place), 2, "inside the folder with the raw tracks")
    sheet = SONG / "recall.json"
    one_line(run_here("mix", sheet, "--out", "Thursday", cwd=place), 2, "inside the folder with the raw tracks")
    assert digests(place / "Thursday") == before
    assert not any(path.is_dir() for path in (place / "Thursday").iterdir())


def test_a_file_where_home_should_be(take: Path, tmp_path: Path) -> None:
    (tmp_path / "mine").write_text("not a folder", encoding="utf-8")
    before = digests(tmp_path)
    one_line(run_here("mix", take, "--out", "mine", cwd=tmp_path), 5, "mine")
    assert digests(tmp_path) == before


def test_a_busy_home(place: Path) -> None:
    root = place / HOME
    before = kept(place)
    commands = [("mix", "Thursday"), ("mix", RECIPE), ("mix", SONG / "recall.json"), ("check", "Thursday")]
    with locked(Home(root=root, mixes=root / "mixes", recipe=root / "recipe.toml", cache=root / ".cache")):
        one_line(run(*commands[0], cwd=place), 7, "Another run is using", HOME)
        for command in commands[1:]:
            one_line(run_here(*command, cwd=place), 7, "Another run is using", HOME)
    assert kept(place) == before
    assert run_here("mix", "Thursday", cwd=place).returncode == 0


@pytest.mark.skipif(sys.platform == "win32", reason="limits are set the POSIX way")
@pytest.mark.parametrize(
    "limit_bytes",
    [
        pytest.param(2_000, marks=pytest.mark.slow, id="at once"),
        pytest.param(200_000, marks=pytest.mark.slow, id="while rendering"),
        pytest.param(700_000, marks=pytest.mark.slow, id="while writing"),
    ],
)
def test_files_that_cannot_grow_stand_for_a_full_disk(limit_bytes: int, place: Path) -> None:
    """A limit on the size of each file lets writing fail in the same places, without the means to fill a disk."""
    limited = (
        "import resource, signal, sys\n"
        "signal.signal(signal.SIGXFSZ, signal.SIG_IGN)\n"
        "limit = int(sys.argv.pop(1))\n"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))\n"
        "from morningmix.cli.main import main\n"
        "main()\n"
    )
    shutil.rmtree(place / HOME / ".cache")
    before = digests(place / SONG)
    recipe = (place / RECIPE).read_bytes()
    command = [sys.executable, "-c", limited, str(limit_bytes), "mix", "Thursday", "--tracks"]
    done = subprocess.run(command, cwd=place, capture_output=True, text=True, timeout=60, check=False)
    one_line(done, 5, HOME)
    assert digests(place / SONG) == before
    assert (place / RECIPE).read_bytes() == recipe
    mix(Order(source=place / RECIPE, cwd=place, tracks=True))
    assert digests(place / SONG) == before
    assert {path.name for path in (place / HOME / "mixes").iterdir()} == {"01 Thursday", "report.html"}


@pytest.mark.slow
@pytest.mark.outside
def test_a_disk_that_is_really_full(card: Path, tmp_path: Path) -> None:
    """A small disk in memory, seen by the commands of this test alone, with a mix on it and no room for another."""
    disk = tmp_path / "disk"
    disk.mkdir()
    apart = [shutil.which("unshare") or "", "-m"]
    if not apart[0] or subprocess.run([*apart, "mount", "-t", "tmpfs", "none", disk], capture_output=True).returncode:
        pytest.skip("may not mount a disk of its own")
    script = (
        "set -e; python=$1; card=$2; disk=$3\n"
        'mount -t tmpfs -o size=24M none "$disk"; cd "$disk"\n'
        '"$python" -m morningmix mix "$card" >/dev/null\n'
        "(cd 'Thursday mix'; find mixes -type f | sort | xargs -d '\\n' sha256sum) >\"$disk.before\"\n"
        "dd if=/dev/zero of=filler bs=64k 2>/dev/null || true; truncate -s -1M filler\n"
        '"$python" -m morningmix mix "$card" && exit 99 || code=$?\n'
        "(cd 'Thursday mix'; find mixes -type f -not -path '*/.partial/*' | sort | xargs -d '\\n' sha256sum)"
        ' >"$disk.after"\n'
        "exit $code\n"
    )
    command = [*apart, "sh", "-c", script, "sh", sys.executable, str(card), str(disk)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    one_line(done, 5, "Mixing needs about", "Thursday mix", "left. Free some space")
    before = (tmp_path / "disk.before").read_text(encoding="utf-8")
    assert "01 Thursday/Thursday.wav" in before
    assert (tmp_path / "disk.after").read_text(encoding="utf-8") == before


# ---------------------------------------------------------------- odd, and mixed all the same


@pytest.mark.parametrize(
    ("rate_hz", "sounds"),
    [
        (48_000, {"guitar": _tone(150_000)}),
        (48_000, {"guitar": np.stack([_tone(150_000), _tone(150_000, pitch_hz=330.0)], 1), "bass": _tone(150_000)}),
        (48_000, {"guitar": _tone(150_000), "bass": _tone(30_000), "keys": _tone(2)}),
        (48_000, {"guitar": _tone(150_000), "bass": np.full(1, 0.5)}),
        (48_000, {"guitar": np.full(1, 0.5)}),
        (48_000, {"guitar": _tone(3), "lead vocal": _tone(2), "kick": _tone(3)}),
        (192_000, {"guitar": _tone(600_000, 192_000), "lead vocal": _tone(600_000, 192_000, 330.0)}),
        (44_100, {"guitar": np.full(150_000, np.nan), "bass": _tone(150_000, 44_100)}),
        (44_100, {"guitar": np.full(150_000, -np.inf), "bass": _tone(150_000, 44_100)}),
        (48_000, {"guitar": 1e6 * _tone(150_000), "bass": _tone(150_000)}),
    ],
    ids=[
        "one input",
        "mono and stereo",
        "different lengths",
        "an input of one frame",
        "one frame in all",
        "three frames",
        "192 kHz",
        "not a number",
        "infinite",
        "far over full scale",
    ],
)
def test_odd_takes_are_mixed_all_the_same(rate_hz: int, sounds: dict[str, Sound], tmp_path: Path) -> None:
    """As long as the longest input, finite, under full scale, and not silent where something was recorded."""
    (tmp_path / "take").mkdir()
    for name, sound in sounds.items():
        soundfile.write(tmp_path / "take" / f"{name}.wav", sound, rate_hz, subtype="FLOAT")
    before = digests(tmp_path / "take")
    done = run_here("mix", "take", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    song = tmp_path / "take mix" / "mixes" / "01 take"
    mixed, mixed_rate_hz = soundfile.read(song / "take.wav", dtype="int32", always_2d=True)
    assert (mixed_rate_hz, len(mixed)) == (rate_hz, max(map(len, sounds.values())))
    stems = [soundfile.read(path, dtype="int32", always_2d=True)[0] for path in (song / "stems").iterdir()]
    assert np.array_equal(sum(stem.astype(np.int64) for stem in stems), mixed)
    assert 0 < np.abs(mixed.astype(np.int64)).max() < 2**31 - 256
    assert digests(tmp_path / "take") == before


def test_rates_widths_and_kinds_may_differ(tmp_path: Path) -> None:
    """The rate that most inputs have is the mix's; what has another is converted, and as long as before."""
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "guitar.wav", _tone(132_300, 44_100), 44_100, subtype="PCM_16")
    soundfile.write(tmp_path / "take" / "bass.wav", _tone(144_000), 48_000, subtype="PCM_24")
    soundfile.write(tmp_path / "take" / "keys.flac", np.stack([_tone(72_000)] * 2, 1), 48_000, subtype="PCM_16")
    soundfile.write(tmp_path / "take" / "acoustic guitar.aiff", _tone(288_000, 96_000, 330.0), 96_000, subtype="PCM_24")
    done = run_here("mix", "take", "--tracks", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    song = tmp_path / "take mix" / "mixes" / "01 take"
    info = soundfile.info(song / "take.wav")
    assert (info.samplerate, info.frames) == (48_000, 144_000)
    for name in ("guitar", "acoustic guitar"):
        sound, _ = soundfile.read(song / "tracks" / f"{name}.wav", always_2d=True)
        loud = np.flatnonzero(np.abs(sound).max(axis=1) > 0.5 * np.abs(sound).max())
        assert loud[-1] - loud[0] == pytest.approx(144_000, rel=0.01)


@pytest.mark.parametrize("why_silent", ["recorded nothing", "muted"])
def test_silence_gives_a_silent_mix_and_says_so(why_silent: str, take: Path, tmp_path: Path) -> None:
    if why_silent == "recorded nothing":
        for path in take.iterdir():
            soundfile.write(path, np.zeros(150_000), 48_000, subtype="PCM_24")
        source = take
    else:
        inputs = "".join(f'[[input]]\nfile = "{path.name}"\nmute = true\n' for path in sorted(take.iterdir()))
        source = tmp_path / "take mix" / "recipe.toml"
        source.parent.mkdir()
        source.write_text(f'recipe = 1\n[rehearsal]\ntracks = "../take"\n{inputs}', encoding="utf-8")
    done = run_here("mix", source, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "take.wav: silent" in done.stdout.splitlines()[1]
    if why_silent == "recorded nothing":
        assert "Check its cable" in done.stdout
    song = tmp_path / "take mix" / "mixes" / "01 take"
    mixed, _ = soundfile.read(song / "take.wav")
    assert not mixed.any()
    assert read_recall(song / "recall.json").mix.integrated_lufs is None


@pytest.mark.parametrize(
    "name",
    ['the "loud" one', "Mara's", "🥁 drums & 🎸", "to be continued...", "  two  spaces", "-x", "100% [live]", "été"],
)
@pytest.mark.skipif(sys.platform == "win32", reason="some of these names cannot be there")
def test_names_of_folders_may_be_anything(name: str, tmp_path: Path) -> None:
    place = tmp_path / "a place with spaces"
    (place / name).mkdir(parents=True)
    soundfile.write(place / name / f"bass {name}.wav", _tone(24_000), 48_000, subtype="PCM_24")
    result = mix(Order(source=Path(name), cwd=place))
    assert result.home == place / f"{name} mix"
    assert {path.name for path in place.iterdir()} == {name, f"{name} mix"}
    again = mix(Order(source=result.recipe, cwd=tmp_path))
    assert not again.recipe_is_new
    assert again.songs[0].mix == result.songs[0].mix
    assert mix(Order(source=again.songs[0].folder / "recall.json", cwd=tmp_path)).songs[0].mix.is_file()


@pytest.mark.parametrize("title", ["AC/DC\\..", "../../out", "...", 'he said: "no"', "a" * 300, "nul", "🥁"])
def test_titles_of_songs_may_be_anything(title: str, tmp_path: Path) -> None:
    """Whatever a song is called, its folder lies where it should, and the title stays as it was written."""
    home = tmp_path / "home"
    home.mkdir()
    (tmp_path / "take").mkdir()
    soundfile.write(tmp_path / "take" / "bass.wav", _tone(24_000), 48_000, subtype="PCM_24")
    quoted = title.replace("\\", "\\\\").replace('"', '\\"')
    (home / "recipe.toml").write_text(
        f'recipe = 1\n[rehearsal]\ntracks = "../take"\n[[song]]\ntitle = "{quoted}"\nstart = 0\nend = 1\n',
        encoding="utf-8",
    )
    song = mix(Order(source=home / "recipe.toml", cwd=tmp_path)).songs[0]
    assert song.title == title
    assert song.folder.parent == home / "mixes"
    assert song.mix.parent.samefile(song.folder)
    assert soundfile.info(song.mix).frames == 24_000
    assert {path.name for path in tmp_path.iterdir()} == {"home", "take"}
    assert read_recall(song.folder / "recall.json").title == title
