"""A rehearsal in several takes, and several rehearsals in one go."""

from __future__ import annotations

import json
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile  # noqa: TID251 - an outside reader and writer

from command_line import digests, forget_songs, run
from end_to_end.said import run_here
from morningmix.commands import mix, rendering
from morningmix.commands import recipe as recipe_command
from morningmix.commands.order import Order
from morningmix.commands.result import Result
from morningmix.errors import RecipeError
from synthetic import write_take


@pytest.fixture(scope="module")
def rehearsal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two takes and a folder of something else; the second has no second guitar but a shaker."""
    folder = tmp_path_factory.mktemp("evening") / "Thursday"
    write_take(folder / "take 2", 4.0, 24_000, seed=1)
    write_take(folder / "take 10", 5.0, 24_000, seed=2)
    (folder / "take 10" / "guitar 2.wav").rename(folder / "take 10" / "shaker.wav")
    (folder / "photos").mkdir()
    (folder / "photos" / "wall.txt").write_text("no sound", encoding="utf-8")
    (folder / "broken").mkdir()
    (folder / "broken" / "kick.wav").write_bytes(b"RIFF")
    return folder


@pytest.fixture(scope="module")
def mixed(rehearsal: Path, tmp_path_factory: pytest.TempPathFactory) -> Result:
    before = digests(rehearsal)
    result = mix.mix(Order(source=rehearsal, cwd=tmp_path_factory.mktemp("here"), workers=2))
    assert digests(rehearsal) == before
    return result


def test_subfolders_are_takes_of_one_rehearsal_in_natural_order(mixed: Result) -> None:
    assert [song.title for song in mixed.songs] == ["take 2", "take 10"]
    assert [song.folder.name for song in mixed.songs] == ["01 take 2", "02 take 10"]
    assert [song.plan.end_s for song in mixed.songs] == [4.0, 5.0]
    assert all(song.residual == 0.0 for song in mixed.songs)
    assert any("broken" in finding.says for finding in mixed.findings)


def test_one_recipe_lists_the_inputs_of_all_takes_once(mixed: Result) -> None:
    listed = [input_["file"] for input_ in tomllib.loads(mixed.recipe.read_text(encoding="utf-8"))["input"]]
    assert len(listed) == len(set(listed))
    assert {"shaker.wav", "guitar 2.wav", "kick.wav"} <= set(listed)
    sounding = [{track.files[0] for track in song.plan.tracks} for song in mixed.songs]
    assert "shaker.wav" not in sounding[0]
    assert "guitar 2.wav" not in sounding[1]


def test_a_folder_with_one_take_in_a_folder_is_found_again(rehearsal: Path, tmp_path: Path) -> None:
    folder = tmp_path / "Monday"
    shutil.copytree(rehearsal / "take 2", folder / "card")
    for _ in range(2):
        result = recipe_command.write_recipe(Order(source=folder, cwd=tmp_path, workers=2))
        assert (result.home / tomllib.loads(result.recipe.read_text(encoding="utf-8"))["rehearsal"]["tracks"]).samefile(
            folder
        )


def test_the_report_shows_every_take(mixed: Result) -> None:
    assert mixed.report is not None
    page = mixed.report.read_text(encoding="utf-8")
    for number, name in ((1, "take 2"), (2, "take 10")):
        assert f"Take {number}: <bdi>{name}</bdi>" in page
    ids = [part.split('"')[0] for part in page.split(' id="')[1:]]
    assert len(ids) == len(set(ids))


def test_each_recall_sheet_gives_its_take_again(mixed: Result, rehearsal: Path, tmp_path: Path) -> None:
    home = shutil.copytree(mixed.home, tmp_path / "home")
    for song in mixed.songs:
        sheet = json.loads((song.folder / "recall.json").read_text(encoding="utf-8"))
        sheet["tracks_folder"] = str(rehearsal / song.title)
        (home / "mixes" / song.folder.name / "recall.json").write_text(json.dumps(sheet), encoding="utf-8")
        order = Order(source=home / "mixes" / song.folder.name / "recall.json", cwd=tmp_path, workers=2)
        (again,) = mix.mix(order).songs
        assert again.mix.read_bytes() == song.mix.read_bytes()


def test_a_song_says_which_take_it_is_in(mixed: Result, rehearsal: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "recipe.toml"
    plain = mixed.recipe.read_text(encoding="utf-8")
    plain = plain.replace(tomllib.loads(plain)["rehearsal"]["tracks"], rehearsal.as_posix())
    song = '\n[[song]]\ntitle = "Rope Swing"\n{take}start = "0:01.0"\nend = "0:05.0"\n'
    recipe.write_text(plain + song.format(take=""), encoding="utf-8")
    with pytest.raises(RecipeError, match=r'does not say which take it is in\. Add take = "take 2"'):
        mix.mix(Order(source=recipe, cwd=tmp_path))
    recipe.write_text(plain + song.format(take='take = "take 3"\n'), encoding="utf-8")
    with pytest.raises(RecipeError, match=r'"take 3", which does not exist\. The takes are: take 2, take 10'):
        mix.mix(Order(source=recipe, cwd=tmp_path))
    recipe.write_text(plain + song.format(take='take = "Take 10"\n'), encoding="utf-8")
    result = mix.mix(Order(source=recipe, cwd=tmp_path, workers=2))
    assert [song.title for song in result.songs] == ["take 2", "Rope Swing"]
    assert result.songs[1].plan.start_s == 1.0


@pytest.mark.slow
def test_all_aim_lower_together_where_one_cannot_come_up(
    rehearsal: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second song cannot; the first is put in its place before that is known, and then mixed again."""
    of = rendering.reachable_lufs
    monkeypatch.setattr(
        rendering, "reachable_lufs", lambda plan, *rest: min(of(plan, *rest), -18.0 if plan.title == "take 10" else 0.0)
    )
    order = Order(source=rehearsal, cwd=tmp_path, workers=2)
    first = mix.mix(order)
    assert [song.partial for song in mix.mix(order).songs] == [None, None]
    # Without what is known of the songs that stand, both are mixed again.
    forget_songs(first.home)
    before = digests(first.home / "mixes")
    again = mix.mix(order)
    assert [song.partial is None for song in again.songs] == [False, False]
    for result in (first, again):
        for song in result.songs:
            assert song.target_lufs == -18.0
            assert song.loudness_lufs == pytest.approx(-18.0, abs=0.1)
    after = digests(again.home / "mixes")
    assert {name: after[name] for name in before} == before
    # The louder first version of neither run is kept; that of the run before may be.
    earlier = [json.loads(path.read_text(encoding="utf-8")) for path in again.home.glob("mixes/earlier/*/recall.json")]
    assert {sheet["master"]["target_lufs"] for sheet in earlier} <= {-18.0}


@pytest.mark.slow
def test_an_album_leaves_the_softer_take_softer(rehearsal: Path, tmp_path: Path) -> None:
    """AES TD1008.1.21-9 (2021): one gain for all, the loudest at the target."""
    folder = tmp_path / "soft"
    (folder / "a").mkdir(parents=True)
    for path in (rehearsal / "take 2").iterdir():
        sound, rate_hz = soundfile.read(path, dtype="float32")
        soft = np.concatenate([sound, sound * np.float32(0.4)])
        soundfile.write(folder / "a" / path.name, soft, rate_hz, subtype="PCM_24")
    order = Order(source=folder / "a", cwd=tmp_path, workers=2)
    recipe_command.write_recipe(order)
    recipe = tmp_path / "a mix" / "recipe.toml"
    song = '[[song]]\ntitle = "{}"\nstart = "{}"\nend = "{}"\n'
    songs = song.format("Loud", "0:00", "0:04") + song.format("Soft", "0:04", "0:08")
    recipe.write_text(recipe.read_text(encoding="utf-8") + songs, encoding="utf-8")
    alike = [song.loudness_lufs for song in mix.mix(order).songs]
    kept = [song.loudness_lufs for song in mix.mix(replace(order, album=True)).songs]
    assert alike == pytest.approx([-16.0, -16.0], abs=0.1)
    assert kept[0] == pytest.approx(-16.0, abs=0.1)
    assert kept[1] is not None
    # As recorded the second is 8 dB softer; compressors take some of that.
    assert -16.0 - 8.5 < kept[1] < -16.0 - 3.0


@pytest.mark.slow
def test_several_rehearsals_in_one_go_and_one_of_them_bad(tmp_path: Path) -> None:
    write_take(tmp_path / "Monday", 3.0, 24_000)
    write_take(tmp_path / "Friday", 3.0, 24_000)
    (tmp_path / "Empty").mkdir()
    done = run("mix", "Monday", "Empty", "Friday", cwd=tmp_path)
    assert done.returncode == 4
    assert "Empty could not be mixed. There are no recordings in" in done.stderr
    assert done.stdout.rstrip().endswith("2 of 3 rehearsals are ready.")
    for name in ("Monday", "Friday"):
        assert (tmp_path / f"{name} mix" / "mixes" / f"01 {name}" / f"{name}.wav").exists()
    refused = run_here("mix", "Monday", "Friday", "--out", "there", cwd=tmp_path)
    assert refused.returncode == 2
    assert not (tmp_path / "there").exists()


@pytest.mark.slow
def test_a_bad_mix_folder_does_not_stop_the_others(tmp_path: Path) -> None:
    for name in ("a", "b", "c"):
        write_take(tmp_path / name, 2.0, 24_000)
        assert run_here("recipe", name, cwd=tmp_path).returncode == 0
    (tmp_path / "b mix" / "recipe.toml").write_text("recipe = 1\noops", encoding="utf-8")
    done = run_here("mix", "--all", ".", cwd=tmp_path)
    assert done.returncode == 3
    assert f"{Path('b mix', 'recipe.toml')} could not be mixed. recipe.toml, line 2" in done.stderr
    assert "2 of 3 rehearsals are ready." in done.stdout
    again = run_here("mix", "--all", ".", cwd=tmp_path)
    assert again.stdout.count("Nothing has changed since the last mix") == 2
    nothing = run_here("mix", "--all", "a", cwd=tmp_path)
    assert nothing.returncode == 2
    assert "No folder inside a has a recipe" in nothing.stderr
