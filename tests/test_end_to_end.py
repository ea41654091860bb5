"""From a folder of raw tracks to a mix, by the commands a person types."""

from __future__ import annotations

import json
import re
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyloudnorm  # noqa: TID251 - an outside meter
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written
from numpy.typing import NDArray

from commands import digests, run
from morningmix.files.recall import read_recall
from morningmix.pipeline import Order, mix
from synthetic import write_take

SONG = Path("mixes") / "01 Thursday"


@pytest.fixture(scope="module")
def card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Raw tracks with telling names; nobody may write here."""
    folder = tmp_path_factory.mktemp("card") / "Thursday"
    write_take(folder)
    return folder


@pytest.fixture(scope="module")
def mixed(card: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A place where the take was mixed once, with tracks; nobody may write here either."""
    place = tmp_path_factory.mktemp("mixed")
    done = run("mix", card, "--tracks", cwd=place)
    assert done.returncode == 0, done.stderr
    (place / "said.txt").write_text(done.stdout, encoding="utf-8")
    return place


def _order(card: Path, place: Path, **wishes: object) -> Order:
    return replace(Order(source=card, cwd=place, workers=2), **wishes)  # type: ignore[arg-type]


def _integers(path: Path) -> NDArray[np.int32]:
    samples, _ = soundfile.read(path, dtype="int32", always_2d=True)
    return samples >> 8


def test_the_first_line_says_where_the_mix_is_and_how_loud(mixed: Path) -> None:
    first = (mixed / "said.txt").read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith(f"Mixed: {Path('Thursday mix') / SONG / 'Thursday.wav'}, -16.0 LUFS.")


def test_the_home_holds_what_was_promised(mixed: Path) -> None:
    home = mixed / "Thursday mix"
    song = home / SONG
    assert (home / "recipe.toml").is_file()
    assert (home / "findings.json").is_file()
    assert (home / "mixes" / "report.html").is_file()
    assert {path.name for path in song.iterdir()} == {"Thursday.wav", "Thursday.mp3", "stems", "tracks", "recall.json"}
    assert {path.stem for path in (song / "stems").iterdir()} == {"drums", "bass", "guitars", "vocals"}
    assert len(list((song / "tracks").iterdir())) == 8
    sheet = json.loads((song / "recall.json").read_text(encoding="utf-8"))
    listed = {path.relative_to(song).as_posix() for path in song.rglob("*") if path.is_file()}
    assert set(sheet["files"]) == listed


def test_loudness_by_another_meter_is_the_target(mixed: Path) -> None:
    """ITU-R BS.1770 by pyloudnorm with B. De Man's filters."""
    sound, rate_hz = soundfile.read(mixed / "Thursday mix" / SONG / "Thursday.wav")
    loudness = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound)
    assert loudness == pytest.approx(-16.0, abs=0.1)


def test_stems_add_up_to_the_mix_in_integers(mixed: Path) -> None:
    song = mixed / "Thursday mix" / SONG
    total = sum(_integers(stem).astype(np.int64) for stem in (song / "stems").iterdir())
    assert np.array_equal(total, _integers(song / "Thursday.wav"))


@pytest.mark.outside
@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="needs ffmpeg")
def test_ffmpeg_reads_the_same_loudness_and_a_peak_under_the_ceiling(mixed: Path) -> None:
    """EBU R 128 by ffmpeg's ebur128 filter."""
    wav = mixed / "Thursday mix" / SONG / "Thursday.wav"
    command = ["ffmpeg", "-nostats", "-hide_banner", "-i", str(wav), "-af", "ebur128=peak=true", "-f", "null", "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr.split("Summary")[1]
    loudness = float(re.findall(r"I:\s+(-?[\d.]+) LUFS", said)[0])
    peak = float(re.findall(r"Peak:\s+(-?[\d.]+) dBFS", said)[0])
    assert loudness == pytest.approx(-16.0, abs=0.1)
    assert peak <= -1.0 + 0.1


def test_the_recordings_are_as_they_were(card: Path, tmp_path: Path) -> None:
    before = {path.name: (path.stat().st_mtime_ns, path.stat().st_size) for path in card.iterdir()}
    bytes_before = digests(card)
    mix(_order(card, tmp_path))
    assert {path.name: (path.stat().st_mtime_ns, path.stat().st_size) for path in card.iterdir()} == before
    assert digests(card) == bytes_before


def test_the_recipe_gives_the_same_bytes_again(card: Path, mixed: Path, tmp_path: Path) -> None:
    """First run, second run by its recipe, and runs with other blocks and workers: all files are the same."""
    first = digests(mixed / "Thursday mix" / SONG)
    home = tmp_path / "Thursday mix"
    home.mkdir()
    recipe = (mixed / "Thursday mix" / "recipe.toml").read_text(encoding="utf-8")
    tracks_line = next(line for line in recipe.splitlines() if line.startswith("tracks"))
    (home / "recipe.toml").write_text(
        recipe.replace(tracks_line, f"tracks = {json.dumps(card.as_posix())}"), encoding="utf-8"
    )
    orders = [{"workers": 1, "block_hops": 5}, {"workers": 3, "block_hops": 20}]
    for wishes in orders:
        mix(_order(home / "recipe.toml", tmp_path, tracks=True, **wishes))
        again = digests(home / SONG)
        # The sheet names the tracks' folder as seen from where it lies.
        assert {name: d for name, d in again.items() if name != "recall.json"} == {
            name: d for name, d in first.items() if name != "recall.json"
        }


def test_a_recall_sheet_gives_the_same_bytes_again(card: Path, tmp_path: Path) -> None:
    mix(_order(card, tmp_path, bits=16))
    song = tmp_path / "Thursday mix" / SONG
    before = digests(song)
    done = run("mix", song / "recall.json", "--workers", "3", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert digests(song) == before


def test_formats(card: Path, tmp_path: Path) -> None:
    mix(_order(card, tmp_path, bits=16, file_format="flac"))
    info = soundfile.info(tmp_path / "Thursday mix" / SONG / "Thursday.flac")
    assert (info.format, info.subtype, info.channels, info.samplerate) == ("FLAC", "PCM_16", 2, 48_000)


def test_a_second_run_says_that_it_goes_by_the_recipe_and_keeps_the_earlier_mix(mixed: Path, card: Path) -> None:
    home = mixed / "Thursday mix"
    before = digests(home / SONG)
    (home / SONG / "my notes.txt").write_text("bridge too loud", encoding="utf-8")
    done = run("mix", card, "--tracks", cwd=mixed)
    assert done.returncode == 0, done.stderr
    assert "By the recipe" in done.stdout
    assert (home / SONG / "my notes.txt").read_text(encoding="utf-8") == "bridge too loud"
    kept = digests(home / "mixes" / "earlier" / "01 Thursday")
    kept.pop("my notes.txt")
    assert kept == before
    (home / SONG / "my notes.txt").unlink()


def test_guesses_are_printed_as_guesses_every_time(card: Path, tmp_path: Path) -> None:
    """Without telling names the roles are guessed by ear, and stay guesses until somebody confirms them."""
    blind = tmp_path / "blind"
    blind.mkdir()
    for number, path in enumerate(sorted(card.iterdir())):
        shutil.copy(path, blind / f"input-{number:02d}.wav")
    first = run("recipe", blind, cwd=tmp_path)
    assert first.returncode == 0, first.stderr
    assert "a guess" in first.stdout
    recipe = tmp_path / "blind mix" / "recipe.toml"
    assert '?"' in recipe.read_text(encoding="utf-8")
    facts = json.loads(run("recipe", blind, "--json", cwd=tmp_path).stdout)
    assert any(one["guess"] for one in facts["inputs"])
    asked = subprocess.run(
        [sys.executable, "-m", "morningmix", "recipe", str(blind), "--ask"],
        cwd=tmp_path,
        input="\n" * 20,
        capture_output=True,
        text=True,
        check=True,
    )
    assert "All settled" in asked.stdout
    assert '?"' not in recipe.read_text(encoding="utf-8")


def test_the_input_list_names_inputs_and_the_recipe_has_the_last_word(card: Path, tmp_path: Path) -> None:
    tracks = tmp_path / "take"
    shutil.copytree(card, tracks)
    (tracks / "inputs.toml").write_text(
        '[[input]]\nfile = "guitar 1.wav"\nname = "piano"\nrole = "keys"\nplayer = "Ilka"\n', encoding="utf-8"
    )
    facts = json.loads(run("recipe", tracks, "--json", cwd=tmp_path).stdout)
    assert {"name": "piano", "role": "keys"}.items() <= next(
        one for one in facts["inputs"] if one["files"] == ["guitar 1.wav"]
    ).items()
    recipe = tmp_path / "take mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8")
    assert 'player = "Ilka"' in text
    recipe.write_text(text.replace('role = "keys"', 'role = "other"'), encoding="utf-8")
    facts = json.loads(run("recipe", tracks, "--json", cwd=tmp_path).stdout)
    assert next(one for one in facts["inputs"] if one["name"] == "piano")["role"] == "other"


def test_turning_one_level_changes_one_fader_by_exactly_that(card: Path, tmp_path: Path) -> None:
    mix(_order(card, tmp_path))
    home = tmp_path / "Thursday mix"
    before = read_recall(home / SONG / "recall.json")
    text = (home / "recipe.toml").read_text(encoding="utf-8")
    done = run("turn", home / "recipe.toml", "Lead-Vocal", "up", "2", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    changed = (home / "recipe.toml").read_text(encoding="utf-8")
    assert sum(old != new for old, new in zip(text.splitlines(), changed.splitlines(), strict=True)) == 1
    mix(_order(home / "recipe.toml", tmp_path))
    after = read_recall(home / SONG / "recall.json")
    for old, new in zip(before.plan.tracks, after.plan.tracks, strict=True):
        assert new.fader_db - old.fader_db == pytest.approx(2.0 if old.name == "lead vocal" else 0.0, abs=1e-6)
    trims, again = dict(before.master.trims.trims_db), dict(after.master.trims.trims_db)
    assert all(again[name] == pytest.approx(trims[name], abs=0.15) for name in trims)


def test_songs_are_cut_by_the_recipe_retitled_and_mixed_one_by_one(card: Path, tmp_path: Path) -> None:
    mix(_order(card, tmp_path))
    home = tmp_path / "Thursday mix"
    recipe = home / "recipe.toml"
    songs = '\n[[song]]\ntitle = "Slack/Tide: 1?"\nstart = "0"\nend = "3.0"\n'
    songs += '\n[[song]]\ntitle = "Two"\nstart = 3\nend = 6\n'
    recipe.write_text(recipe.read_text(encoding="utf-8") + songs, encoding="utf-8")
    result = mix(_order(recipe, tmp_path))
    assert [song.title for song in result.songs] == ["Slack/Tide: 1?", "Two"]
    folders = {path.name for path in (home / "mixes").iterdir() if path.is_dir()} - {"earlier", ".partial"}
    assert {"01 Slack-Tide- 1", "02 Two"} <= folders
    assert soundfile.info(result.songs[0].mix).frames == 3 * 48_000
    recipe.write_text(recipe.read_text(encoding="utf-8").replace('"Two"', '"Bellrope"'), encoding="utf-8")
    only = mix(_order(recipe, tmp_path, song="bellrope"))
    assert [song.title for song in only.songs] == ["Bellrope"]
    assert (home / "mixes" / "02 Bellrope").is_dir()
    assert not (home / "mixes" / "02 Two").exists()


def test_check_and_why_speak_in_words(card: Path, mixed: Path, tmp_path: Path) -> None:
    checked = run("check", card, cwd=tmp_path)
    assert checked.returncode == 0, checked.stderr
    assert not (tmp_path / "Thursday mix" / "recipe.toml").exists()
    assert "lead vocal" in checked.stdout
    said = run("why", mixed / "Thursday mix" / "recipe.toml", "lead vocal", cwd=tmp_path)
    assert said.returncode == 0, said.stderr
    assert said.stdout.startswith("lead vocal (lead vocal.wav): lead vocal, in the vocals stem.")
    assert "Fader at" in said.stdout
    unknown = run("why", mixed / "Thursday mix" / "recipe.toml", "leed vocal", cwd=tmp_path)
    assert unknown.returncode == 2
    assert 'Did you mean "lead vocal"?' in unknown.stderr


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGKILL")
def test_a_killed_run_leaves_the_old_mix_and_the_next_run_is_clean(card: Path, tmp_path: Path) -> None:
    mix(_order(card, tmp_path))
    home = tmp_path / "Thursday mix"
    before = digests(home / SONG)
    partial = home / "mixes" / ".partial" / "new"
    for wanted in ("", "01 Thursday/stems", "01 Thursday/Thursday.mp3"):
        process = subprocess.Popen(
            [sys.executable, "-m", "morningmix", "mix", str(card)],
            cwd=tmp_path,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        until = time.monotonic() + 60.0
        while not (partial / wanted).exists() and process.poll() is None and time.monotonic() < until:
            time.sleep(0.002)
        process.send_signal(signal.SIGKILL)
        process.wait()
        assert digests(home / SONG) == before
    mix(_order(card, tmp_path))
    assert digests(home / SONG) == before
    assert not partial.exists()
    left = {path.name for path in (home / ".cache").rglob("*") if path.is_file()}
    assert all(name == "lock" or name.endswith((".bands", ".npz")) for name in left), left


@pytest.mark.skipif(sys.platform == "win32", reason="needs SIGINT")
def test_an_interrupt_ends_with_one_line_and_its_code(card: Path, tmp_path: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "morningmix", "mix", str(card)],
        cwd=tmp_path,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    until = time.monotonic() + 60.0
    while not (tmp_path / "Thursday mix" / "mixes").exists() and time.monotonic() < until:
        time.sleep(0.002)
    process.send_signal(signal.SIGINT)
    _, said = process.communicate(timeout=60)
    assert process.returncode == 130
    assert len(said.strip().splitlines()) == 1
