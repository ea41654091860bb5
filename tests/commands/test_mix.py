"""The command mix: songs come one by one, whoever does the work."""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from command_line import digests, forget_songs
from morningmix.commands import practice, rendering
from morningmix.commands.mix import mix
from morningmix.commands.order import Callbacks, Order
from morningmix.commands.song import MixedSong
from synthetic import write_take

RATE_HZ = 24_000


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two takes, which are two songs."""
    folder = tmp_path_factory.mktemp("evening") / "Thursday"
    write_take(folder / "a", 4.0, RATE_HZ, seed=1)
    write_take(folder / "b", 5.0, RATE_HZ, seed=2)
    return folder


@pytest.fixture(scope="module")
def duo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two short takes of a bass and a guitar."""
    folder = tmp_path_factory.mktemp("duo") / "Thursday"
    for seed, take in enumerate(("a", "b")):
        write_take(folder / take, 3.0, RATE_HZ, seed=seed)
        for path in (folder / take).iterdir():
            if path.stem not in ("bass", "guitar 1"):
                path.unlink()
    return folder


@pytest.mark.slow
def test_the_bytes_are_the_same_for_any_number_of_workers(rehearsal: Path, tmp_path: Path) -> None:
    found = []
    for workers in (1, 3):
        place = tmp_path / str(workers)
        place.mkdir()
        result = mix(Order(source=rehearsal, cwd=place, out=place / "out", workers=workers))
        songs = digests(result.home / "mixes")
        assert len(songs) > 10
        found.append({name: digest for name, digest in songs.items() if name.endswith((".wav", ".mp3"))})
    assert found[0] == found[1]


def test_a_song_is_in_its_place_before_the_next_is_rendered(duo: Path, tmp_path: Path) -> None:
    steps: list[str] = []

    def ready(song: MixedSong) -> None:
        assert song.mix.is_file()
        assert (song.folder / "recall.json").is_file()
        steps.append(f"{song.title} is ready")

    def progress(step: str, _: float) -> None:
        if step.startswith("mixing") and step not in steps:
            steps.append(step)

    order = Order(source=duo, cwd=tmp_path, workers=1, trace=Path("trace.json"))
    mix(order, Callbacks(progress=progress), ready)
    assert steps == ["mixing a (song 1 of 2)", "a is ready", "mixing b (song 2 of 2)", "b is ready"]
    rows = json.loads((tmp_path / "trace.json").read_text(encoding="utf-8"))["traceEvents"]
    mixes = [row for row in rows if row["name"] == "write the mix"]
    rendered = [row for row in rows if row["name"].startswith("render the ")]
    assert len(mixes) == 2
    first, second = (
        [row for row in rendered if row["ts"] < mixes[0]["ts"]],
        [row for row in rendered if row["ts"] > mixes[0]["ts"]],
    )
    assert [row["name"] for row in first] == [row["name"] for row in second]
    numbers = {row["args"]["number"] for row in rows}
    assert all(set(row["args"]["needs"]) <= numbers for row in rows)


def test_progress_never_falls_and_reaches_the_whole(duo: Path, tmp_path: Path) -> None:
    shown: list[float] = []
    mix(Order(source=duo, cwd=tmp_path, workers=2), Callbacks(progress=lambda _, done: shown.append(done)))
    assert shown == sorted(shown)
    assert shown[-1] > 0.95


@pytest.mark.slow
def test_a_song_that_is_mixed_twice_in_a_run_keeps_the_version_of_the_run_before(
    duo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second song cannot reach its target, which is only known when the first is in its place."""
    order = Order(source=duo, cwd=tmp_path, workers=1)
    before = mix(order)
    was = digests(before.home / "mixes" / "01 a")
    forget_songs(before.home)
    of = rendering.reachable_lufs
    monkeypatch.setattr(
        rendering, "reachable_lufs", lambda plan, *rest: -20.0 if plan.title == "b" else of(plan, *rest)
    )
    placed: list[tuple[str, float]] = []
    mix(order, ready=lambda song: placed.append((song.title, song.target_lufs)))
    assert placed == [("a", -16.0), ("b", -20.0), ("a", -20.0)]
    assert digests(before.home / "mixes" / "earlier" / "01 a") == was
    # Mixed once more with the same outcome, nothing is new: what stood before that stays in ``earlier``.
    forget_songs(before.home)
    placed.clear()
    mix(order, ready=lambda song: placed.append((song.title, song.target_lufs)))
    assert digests(before.home / "mixes" / "earlier" / "01 a") == was
    assert placed == [("a", -20.0), ("b", -20.0)]
    # Where nothing stands in the way any more, songs come up again, and the lower version is the earlier one.
    lower = digests(before.home / "mixes" / "01 a")
    monkeypatch.undo()
    forget_songs(before.home)
    placed.clear()
    mix(order, ready=lambda song: placed.append((song.title, song.target_lufs)))
    assert sorted(placed[-2:]) == [("a", -16.0), ("b", -16.0)]
    assert digests(before.home / "mixes" / "01 a") == was
    assert digests(before.home / "mixes" / "earlier" / "01 a") == lower


def test_a_song_that_is_only_lowered_for_the_others_does_not_take_the_place_of_the_version_before(
    duo: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As after a run that was killed when its first song was in place, and not yet known to be too loud."""
    order = Order(source=duo, cwd=tmp_path, workers=1)
    first = mix(replace(order, bits=16))
    was = digests(first.home / "mixes" / "01 a")
    mix(order)
    shutil.rmtree(first.home / "mixes" / "02 b")
    of = rendering.reachable_lufs
    monkeypatch.setattr(
        rendering, "reachable_lufs", lambda plan, *rest: -20.0 if plan.title == "b" else of(plan, *rest)
    )
    placed: list[tuple[str, float]] = []
    mix(order, ready=lambda song: placed.append((song.title, song.target_lufs)))
    assert placed == [("b", -20.0), ("a", -20.0)]
    assert digests(first.home / "mixes" / "earlier" / "01 a") == was


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGKILL there")
def test_a_run_that_was_killed_in_mid_mix_does_not_mix_its_finished_songs_again(duo: Path, tmp_path: Path) -> None:
    """The process kills itself where the second of its songs begins."""
    out = tmp_path / "out"
    killing = (
        "import os, signal\n"
        "from morningmix.cli.main import main\n"
        "from morningmix.commands import rendering\n"
        "begin = rendering.begin_song\n"
        "def fatal(mixes, name):\n"
        "    folder = begin(mixes, name)\n"
        "    if name == '02 b':\n"
        "        os.kill(os.getpid(), signal.SIGKILL)\n"
        "    return folder\n"
        "rendering.begin_song = fatal\n"
        "main()\n"
    )
    command = [sys.executable, "-c", killing, "mix", str(duo), "--out", str(out), "--workers", "1"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, timeout=60, check=False)
    assert done.returncode == -signal.SIGKILL
    mixes = out / "mixes"
    assert (mixes / ".partial" / "new" / "02 b").is_dir()
    finished = digests(mixes / "01 a")
    assert finished
    assert not (mixes / "02 b").exists()
    placed: list[str] = []
    result = mix(Order(source=duo, cwd=tmp_path, out=out, workers=1), ready=lambda song: placed.append(song.title))
    assert placed == ["b"]
    assert [song.partial is None for song in result.songs] == [True, False]
    assert digests(mixes / "01 a") == finished
    assert (mixes / "02 b" / "recall.json").is_file()
    assert not (mixes / ".partial").exists()
    assert not (mixes / "earlier").exists()


@pytest.mark.slow
def test_practice_mixes_are_the_same_as_with_all_families_rendered_afresh(
    rehearsal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order = Order(source=rehearsal / "a", cwd=tmp_path, out=tmp_path / "out", workers=1)
    recipe = mix(order).recipe
    text = recipe.read_text(encoding="utf-8")
    for name, player in (("bass", "Ida"), ("kick", "Ole")):
        text = text.replace(f'name = "{name}"\n', f'name = "{name}"\nplayer = "{player}"\n', 1)
    recipe.write_text(text, encoding="utf-8")
    order = replace(order, source=recipe, out=None, practice=True)
    (song,) = mix(order).songs
    usual = digests(song.folder / "practice")
    assert len(usual) == 4
    original = practice.write_practice

    def afresh(one: practice.Practice, ready: rendering.Ready, *rest: Any) -> None:
        # A family counts as changed where the name of a track is another.
        tracks = tuple(replace(track, name=f"{track.name}!") for track in ready.song.plan.tracks)
        plan = replace(ready.song.plan, tracks=tracks)
        original(one, replace(ready, song=replace(ready.song, plan=plan)), *rest)

    monkeypatch.setattr("morningmix.commands.song.write_practice", afresh)
    forget_songs(tmp_path / "out")
    (again,) = mix(order).songs
    assert digests(again.folder / "practice") == usual

    # What other microphones pick up of who is left out is turned down.
    monkeypatch.setattr(practice, "audible", lambda *_: False)
    forget_songs(tmp_path / "out")
    (plain,) = mix(order).songs
    untouched = digests(plain.folder / "practice")
    assert {name for name in usual if untouched[name] != usual[name]} == {name for name in usual if "without" in name}


def test_a_rehearsal_of_which_no_song_is_kept_has_no_mixes(duo: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(
        f'recipe = 1\n[rehearsal]\ntracks = "{duo.as_posix()}"\ntitle = "Thursday"\n'
        '[[song]]\ntitle = "a"\ntake = "a"\nstart = "0:00"\nend = "0:02"\nkeep = false\n'
        '[[song]]\ntitle = "b"\ntake = "b"\nstart = "0:00"\nend = "0:02"\nkeep = false\n',
        encoding="utf-8",
    )
    result = mix(Order(source=recipe, cwd=tmp_path, workers=1))
    assert result.songs == ()
    assert not list((result.home / "mixes").glob("*/"))


def test_the_first_song_can_be_listened_to_before_the_second_is_cleaned(tmp_path: Path) -> None:
    write_take(tmp_path / "take", 16.0, RATE_HZ)
    for path in (tmp_path / "take").iterdir():
        if path.stem not in ("bass", "guitar 1", "lead vocal"):
            path.unlink()
    recipe = tmp_path / "recipe.toml"
    recipe.write_text(
        'recipe = 1\n[rehearsal]\ntracks = "take"\ntitle = "Thursday"\n'
        '[[song]]\ntitle = "a"\nstart = "0:02"\nend = "0:05"\n[[song]]\ntitle = "b"\nstart = "0:11"\nend = "0:14"\n',
        encoding="utf-8",
    )
    order = Order(source=recipe, cwd=tmp_path, workers=1, trace=Path("trace.json"))
    placed: list[tuple[str, int]] = []

    def ready(song: MixedSong) -> None:
        assert song.mix.is_file()
        placed.append((song.title, len(list((song.folder / "stems").iterdir()))))

    steps: list[str] = []
    result = mix(order, Callbacks(progress=lambda step, _: None if step in steps[-1:] else steps.append(step)), ready)
    assert placed == [("a", 3), ("b", 3)]
    cleaning = "taking the other instruments out of the vocal and drum mics"
    assert steps[steps.index(cleaning) :] == [
        cleaning,
        "mixing a first version of a",
        cleaning,
        "mixing a (song 1 of 2)",
        "mixing b (song 2 of 2)",
    ]
    rows = json.loads((tmp_path / "trace.json").read_text(encoding="utf-8"))["traceEvents"]
    names = [row["name"] for row in rows]
    assert names.count("subtract bleed") == 2
    last_cleaned = len(names) - names[::-1].index("subtract bleed") - 1
    assert "write the mix" in names[:last_cleaned]
    # It is mixed once more when all songs are known, and comes out as it does without the haste.
    assert names.count("write the mix") == 3
    mixes = result.home / "mixes"
    assert not (mixes / "earlier").exists()
    was = digests(mixes)
    forget_songs(result.home)
    placed.clear()
    mix(order, ready=ready)
    rows = json.loads((tmp_path / "trace.json").read_text(encoding="utf-8"))["traceEvents"]
    assert [row["name"] for row in rows].count("write the mix") == 2
    assert placed == [("a", 3), ("b", 3)]
    assert digests(mixes) == was
    # Of one song that is asked for there is nothing to hurry.
    forget_songs(result.home)
    shutil.rmtree(mixes)
    mix(replace(order, song="b"))
    rows = json.loads((tmp_path / "trace.json").read_text(encoding="utf-8"))["traceEvents"]
    assert [row["name"] for row in rows].count("write the mix") == 1
