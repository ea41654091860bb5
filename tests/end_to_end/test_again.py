"""The same recipe gives the same bytes; another one takes the place of the old mix whole, or not at all."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from command_line import digests, forget_songs, run
from end_to_end.said import run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.files.recall import read_recall
from morningmix.render import verify
from morningmix.storage.cache import FORMATS

posix = pytest.mark.skipif(sys.platform == "win32", reason="signals are sent the POSIX way")

HOME = "Thursday mix"
SONG = Path(HOME) / "mixes" / "01 Thursday"
RECIPE = Path(HOME) / "recipe.toml"


def _rewrite(recipe: Path, old: str, new: str) -> None:
    text = recipe.read_text(encoding="utf-8")
    assert old in text
    recipe.write_text(text.replace(old, new), encoding="utf-8")


# ---------------------------------------------------------------- same bytes


@pytest.mark.parametrize(
    "wishes",
    [
        {"workers": 1, "block_hops": 5},
        pytest.param({"workers": 3, "block_hops": 7}, marks=pytest.mark.slow),
    ],
    ids=str,
)
def test_bytes_are_the_same_whatever_the_workers_and_blocks(wishes: dict[str, Any], place: Path) -> None:
    """Every file of the song, the MP3 and the recall sheet too; the cache of the first run is thrown away."""
    before = digests(place / SONG)
    shutil.rmtree(place / HOME / ".cache")
    mix(Order(source=place / RECIPE, cwd=place, tracks=True, **wishes))
    assert digests(place / SONG) == before


def test_the_command_gives_the_same_bytes_again_with_and_without_its_cache(place: Path) -> None:
    before = digests(place / SONG)
    for _ in range(2):
        done = run("mix", "Thursday", "--tracks", "--workers", "3", cwd=place)
        assert done.returncode == 0, done.stderr
        assert digests(place / SONG) == before


def test_a_recall_sheet_alone_gives_the_same_bytes_again(place: Path) -> None:
    """No recipe, no cache: the sheet and the raw tracks are enough, for other files than the usual too."""
    mix(Order(source=place / RECIPE, cwd=place, bits=16, file_format="flac", tracks=True))
    before = digests(place / SONG)
    (place / RECIPE).unlink()
    shutil.rmtree(place / HOME / ".cache")
    done = run_here("mix", place / SONG / "recall.json", "--workers", "1", cwd=place)
    assert done.returncode == 0, done.stderr
    assert digests(place / SONG) == before
    assert not (place / RECIPE).exists()


def test_a_recall_sheet_goes_by_its_own_plan_whatever_the_recipe_says_now(place: Path) -> None:
    before = digests(place / SONG)
    assert run_here("turn", RECIPE, "bass", "down", "6", cwd=place).returncode == 0
    recipe = (place / RECIPE).read_bytes()
    done = run_here("mix", SONG / "recall.json", "--out", "again", cwd=place)
    assert done.returncode == 0, done.stderr
    again = digests(place / "again" / "01 Thursday")
    # The sheet itself names the tracks' folder as seen from where it lies.
    assert again.keys() == before.keys()
    assert {name for name in again if again[name] != before[name]} <= {"recall.json"}
    assert digests(place / SONG) == before
    assert (place / RECIPE).read_bytes() == recipe


# ---------------------------------------------------------------- one level turned


def test_a_turned_level_moves_that_fader_by_exactly_that_and_no_other(place: Path) -> None:
    before = read_recall(place / SONG / "recall.json")
    done = run_here("turn", RECIPE, "Lead-Vocal", "down", "2.5", cwd=place)
    assert done.returncode == 0, done.stderr
    mix(Order(source=place / RECIPE, cwd=place, tracks=True))
    after = read_recall(place / SONG / "recall.json")
    moved = {
        new.name: new.fader_db - old.fader_db for old, new in zip(before.plan.tracks, after.plan.tracks, strict=True)
    }
    assert moved.pop("lead vocal") == pytest.approx(-2.5, abs=1e-9)
    assert set(moved.values()) == {0.0}


# ---------------------------------------------------------------- the old version


def test_a_retitled_song_takes_its_folder_and_what_somebody_put_there_along(place: Path) -> None:
    song = place / SONG
    first = digests(song)
    (song / "my notes.txt").write_text("bridge too loud", encoding="utf-8")
    (song / "stems" / "ideas").mkdir()
    (song / "stems" / "ideas" / "riff.txt").write_text("E minor", encoding="utf-8")
    _rewrite(place / RECIPE, 'title = "Thursday"', 'title = "Copper/Rain: Gauge?"')
    assert run_here("mix", "Thursday", cwd=place).returncode == 0
    mixes = place / HOME / "mixes"
    assert {path.name for path in mixes.iterdir()} == {"01 Copper-Rain- Gauge", "earlier", "report.html"}
    new = mixes / "01 Copper-Rain- Gauge"
    assert (new / "Copper-Rain- Gauge.wav").is_file()
    assert not (new / "Thursday.wav").exists()
    assert (new / "my notes.txt").read_text(encoding="utf-8") == "bridge too loud"
    assert (new / "stems" / "ideas" / "riff.txt").read_text(encoding="utf-8") == "E minor"
    earlier = list((mixes / "earlier").iterdir())
    assert len(earlier) == 1
    assert first.items() <= digests(earlier[0]).items()


def test_only_the_version_before_is_kept(place: Path) -> None:
    mixes = place / HOME / "mixes"
    versions = [digests(place / SONG)]
    for _ in range(2):
        assert run_here("turn", RECIPE, "bass", "up", "1", cwd=place).returncode == 0
        mix(Order(source=place / RECIPE, cwd=place, tracks=True))
        versions.append(digests(place / SONG))
        assert {path.name for path in (mixes / "earlier").iterdir()} == {"01 Thursday"}
        assert digests(mixes / "earlier" / "01 Thursday") == versions[-2]
    assert len({version["Thursday.wav"] for version in versions}) == 3


def test_songs_that_change_places_keep_what_is_theirs(place: Path) -> None:
    """The folder follows the stretch of the take, not the number."""
    one = '\n[[song]]\ntitle = "One"\nstart = 0\nend = 2\n'
    two = '\n[[song]]\ntitle = "Two"\nstart = 2\nend = 4\n'
    text = (place / RECIPE).read_text(encoding="utf-8")
    (place / RECIPE).write_text(text + one + two, encoding="utf-8")
    mix(Order(source=place / RECIPE, cwd=place))
    mixes = place / HOME / "mixes"
    for title, folder in (("One", "01 One"), ("Two", "02 Two")):
        (mixes / folder / "whose.txt").write_text(title, encoding="utf-8")
    (place / RECIPE).write_text(text + two + one, encoding="utf-8")
    mix(Order(source=place / RECIPE, cwd=place))
    for title, folder in (("Two", "01 Two"), ("One", "02 One")):
        assert (mixes / folder / "whose.txt").read_text(encoding="utf-8") == title
        assert (mixes / folder / f"{title}.wav").is_file()
    assert not (mixes / "01 One").exists()
    assert not (mixes / "02 Two").exists()


# ---------------------------------------------------------------- stopped in the middle


def _stop(place: Path, how: signal.Signals, when: Callable[[], bool]) -> subprocess.CompletedProcess[str]:
    """Mix, and send the signal as soon as `when` holds; if it never does, the run ends by itself."""
    # Without what is known of the songs that stand, they are mixed again.
    forget_songs(place / HOME)
    process = subprocess.Popen(
        [sys.executable, "-m", "morningmix", "mix", "Thursday", "--tracks"],
        cwd=place,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    until = time.monotonic() + 60.0
    while not when() and process.poll() is None and time.monotonic() < until:
        time.sleep(0.001)
    process.send_signal(how)
    said, complained = process.communicate(timeout=60)
    return subprocess.CompletedProcess(process.args, process.returncode, said, complained)


def _is_clean(place: Path) -> None:
    """No half-built folder, no temporary file; what was measured is kept."""
    assert {path.name for path in (place / HOME / "mixes").iterdir()} <= {"01 Thursday", "earlier", "report.html"}
    assert {path.name for path in (place / HOME).iterdir()} == {"recipe.toml", "findings.json", ".cache", "mixes"}
    left = {path.name for path in (place / HOME / ".cache").rglob("*") if path.is_file()}
    kept = tuple(f".{kind}" for kind in FORMATS if kind != "scratch")
    assert all(name.endswith((*kept, "lock")) for name in left), left
    assert {path.suffix for path in (place / "Thursday").iterdir()} == {".wav"}


@posix
@pytest.mark.parametrize(
    "sign",
    [
        pytest.param("", marks=pytest.mark.slow),
        pytest.param("01 Thursday/tracks", marks=pytest.mark.slow),
        "01 Thursday/stems",
    ],
)
def test_a_run_killed_while_it_builds_leaves_the_old_mix(sign: str, place: Path) -> None:
    before = digests(place / SONG)
    recipe = (place / RECIPE).read_bytes()
    partial = place / HOME / "mixes" / ".partial" / "new"
    done = _stop(place, signal.SIGKILL, (partial / sign).exists)
    assert done.returncode == -signal.SIGKILL, done
    assert partial.is_dir()
    assert digests(place / SONG) == before
    assert (place / RECIPE).read_bytes() == recipe
    mix(Order(source=place / RECIPE, cwd=place, tracks=True))
    assert digests(place / SONG) == before
    _is_clean(place)


@posix
@pytest.mark.slow
@pytest.mark.parametrize("renames", [1, 2, 3])
def test_a_run_killed_within_the_swap_loses_neither_version(renames: int, place: Path) -> None:
    """The process kills itself before one of the three renamings of folders that make up the swap, or after."""
    assert run_here("turn", RECIPE, "bass", "up", "1", cwd=place).returncode == 0
    mix(Order(source=place / RECIPE, cwd=place, tracks=True))
    old, old_bass_db = digests(place / SONG), _bass_db(place)
    assert run_here("turn", RECIPE, "bass", "up", "1", cwd=place).returncode == 0
    killing = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "left, rename = int(sys.argv.pop(1)), Path.rename\n"
        "def fatal(path, target):\n"
        "    global left\n"
        "    if left == 0:\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
        "    left -= 1\n"
        "    return rename(path, target)\n"
        "Path.rename = fatal\n"
        "from morningmix.cli.main import main\n"
        "main()\n"
    )
    command = [sys.executable, "-c", killing, str(renames), "mix", "Thursday", "--tracks"]
    done = subprocess.run(command, cwd=place, capture_output=True, text=True, timeout=60, check=False)
    assert done.returncode == (-signal.SIGKILL if renames < 3 else 0), done.stderr
    mixes = place / HOME / "mixes"
    assert old in [digests(mixes / name / "01 Thursday") for name in (".", "earlier")]
    mix(Order(source=place / RECIPE, cwd=place, tracks=True))
    assert _bass_db(place) - old_bass_db == pytest.approx(1.0, abs=1e-9)
    _is_clean(place)


def _bass_db(place: Path) -> float:
    tracks = read_recall(place / SONG / "recall.json").plan.tracks
    return next(track.fader_db for track in tracks if track.name == "bass")


@posix
def test_an_interrupt_ends_with_one_line_its_code_and_the_old_mix(place: Path) -> None:
    before = digests(place / SONG)
    done = _stop(place, signal.SIGINT, (place / HOME / "mixes" / ".partial" / "new").exists)
    assert done.returncode == 130, done
    assert [line for line in done.stderr.splitlines() if "% done" not in line] == [
        "morningmix: stopped; earlier mixes are as they were."
    ]
    assert done.stdout == ""
    assert digests(place / SONG) == before
    mix(Order(source=place / RECIPE, cwd=place, tracks=True))
    assert digests(place / SONG) == before
    _is_clean(place)


# ---------------------------------------------------------------- only what a change touches


def _two_songs(place: Path) -> None:
    songs = '\n[[song]]\ntitle = "One"\nstart = 0\nend = 2\n\n[[song]]\ntitle = "Two"\nstart = 2\nend = 4\n'
    text = (place / RECIPE).read_text(encoding="utf-8")
    (place / RECIPE).write_text(text + songs, encoding="utf-8")


def test_only_the_song_that_is_touched_is_mixed_again_and_what_changed_is_said(place: Path) -> None:
    _two_songs(place)
    assert run_here("mix", RECIPE, cwd=place).returncode == 0
    mixes = place / HOME / "mixes"
    shutil.rmtree(mixes / "earlier", ignore_errors=True)
    before = {name: digests(mixes / name) for name in ("01 One", "02 Two")}
    report = (mixes / "report.html").read_text(encoding="utf-8")
    stood = (mixes / "01 One" / "One.wav").stat().st_mtime_ns
    assert run_here("turn", RECIPE, "bass", "up", "2", "--song", "Two", cwd=place).returncode == 0
    done = run_here("mix", RECIPE, cwd=place)
    assert done.returncode == 0, done.stderr
    assert "1 other song stays as it is." in done.stdout.splitlines()[0]
    assert 'Since the last mix in "Two": bass +2.0 dB.' in done.stdout
    assert digests(mixes / "01 One") == before["01 One"]
    assert (mixes / "01 One" / "One.wav").stat().st_mtime_ns == stood
    assert digests(mixes / "02 Two")["Two.wav"] != before["02 Two"]["Two.wav"]
    assert [path.name for path in (mixes / "earlier").iterdir()] == ["02 Two"]
    # Back again: the bytes of the first time, and the report as it was, the standing song's pictures too.
    assert run_here("turn", RECIPE, "bass", "down", "2", "--song", "Two", cwd=place).returncode == 0
    assert run_here("mix", RECIPE, cwd=place).returncode == 0
    assert digests(mixes / "02 Two") == before["02 Two"]
    assert (mixes / "report.html").read_text(encoding="utf-8") == report


def test_nothing_changed_nothing_is_mixed(place: Path) -> None:
    assert run_here("mix", RECIPE, "--tracks", cwd=place).returncode == 0
    before = digests(place / HOME / "mixes")
    done = run_here("mix", RECIPE, "--tracks", cwd=place)
    assert done.stdout.startswith("Nothing has changed since the last mix.\n  ")
    assert digests(place / HOME / "mixes") == before


def test_a_song_whose_sheet_says_no_tempo_yet_stands(place: Path) -> None:
    path = place / SONG / "recall.json"
    sheet = json.loads(path.read_text(encoding="utf-8"))
    del sheet["tempo"]
    path.write_text(json.dumps(sheet), encoding="utf-8")
    before = digests(place / SONG)
    done = run_here("mix", "Thursday", "--tracks", cwd=place)
    assert done.stdout.startswith("Nothing has changed since the last mix.\n  ")
    assert digests(place / SONG) == before


def test_a_song_with_a_sheet_of_the_format_before_stands(place: Path) -> None:
    path = place / SONG / "recall.json"
    sheet = json.loads(path.read_text(encoding="utf-8")) | {"recall": 2}
    del sheet["sha256"], sheet["versions"]
    path.write_text(json.dumps(sheet), encoding="utf-8")
    before = digests(place / SONG)
    done = run_here("mix", "Thursday", "--tracks", cwd=place)
    assert done.stdout.startswith("Nothing has changed since the last mix.\n  ")
    assert digests(place / SONG) == before


def test_a_song_with_a_sheet_that_cannot_be_read_is_mixed_again(place: Path) -> None:
    before = digests(place / SONG)
    path = place / SONG / "recall.json"
    path.write_text(path.read_text(encoding="utf-8").replace('"recall": 3', '"recall": 1'), encoding="utf-8")
    assert digests(place / SONG) != before
    assert run_here("mix", "Thursday", "--tracks", cwd=place).returncode == 0
    assert digests(place / SONG) == before


@pytest.mark.parametrize("harm", ["cut short", "facts cut short"])
def test_a_song_that_somebody_harmed_is_mixed_again(harm: str, place: Path) -> None:
    assert run_here("mix", RECIPE, "--tracks", cwd=place).returncode == 0
    before = digests(place / SONG)
    mix_file = place / SONG / "Thursday.wav"
    if harm == "facts cut short":
        (facts,) = (place / HOME / ".cache").glob("*.song")
        facts.write_bytes(facts.read_bytes()[:-100])
    else:
        mix_file.write_bytes(mix_file.read_bytes()[:-100])
        later = (place / SONG / "recall.json").stat().st_mtime + 10.0
        os.utime(mix_file, (later, later))
    assert run_here("mix", RECIPE, "--tracks", cwd=place).returncode == 0
    assert digests(place / SONG) == before


def test_two_meters_that_differ_a_little_cost_no_mix_and_are_reported(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = digests(place / SONG)
    forget_songs(place / HOME)
    monkeypatch.setattr(verify, "meters_differ_lu", lambda _: 0.2)
    for _ in ("mixed", "standing"):
        mix(Order(source=place / RECIPE, cwd=place, tracks=True, workers=1))
        assert digests(place / SONG) == before
        report = (place / HOME / "mixes" / "report.html").read_text(encoding="utf-8")
        assert "A second meter reads it 0.20 dB quieter." in report


def test_two_meters_that_are_far_apart_put_nothing_in_place(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    forget_songs(place / HOME)
    before = digests(place / HOME / "mixes")
    monkeypatch.setattr(verify, "meters_differ_lu", lambda _: -0.6)
    with pytest.raises(RuntimeError, match=r"two loudness meters differ by -0\.600 LU"):
        mix(Order(source=place / RECIPE, cwd=place, tracks=True, workers=1))
    assert digests(place / HOME / "mixes") == before
