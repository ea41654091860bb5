"""A folder of raw tracks goes in; the mix, its stems, its small copy and its recipe come out as promised."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pyloudnorm  # noqa: TID251 - an outside meter
import pytest
import soundfile  # noqa: TID251 - an outside reader of what was written
from numpy.typing import NDArray

from command_line import digests
from end_to_end.conftest import RATE_HZ
from end_to_end.said import run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order

TARGET_LUFS = -16.0
"""The preset "demo": AES TD1008.1.21-9 (2021), R2."""
CEILING_DBTP = -1.0
SONG = Path("Thursday mix") / "mixes" / "01 Thursday"


def _integers(path: Path) -> NDArray[np.int64]:
    """Samples as 32-bit integers: the lowest bits are zero for narrower files."""
    samples, _ = soundfile.read(path, dtype="int32", always_2d=True)
    return np.asarray(samples, np.int64)


def _stems_add_up(song: Path, mix_path: Path) -> bool:
    stems = sorted((song / "stems").iterdir())
    assert len(stems) > 1
    return np.array_equal(sum(_integers(stem) for stem in stems), _integers(mix_path))


# ---------------------------------------------------------------- what lies there


def test_it_says_what_to_do_next_then_where_the_mix_is_and_how_loud(mixed: Path) -> None:
    first, second = (mixed / "said.txt").read_text(encoding="utf-8").splitlines()[:2]
    assert first == "One song is ready. Have a listen, then turn up or down whatever needs it."
    found = re.fullmatch(r"  (.+\.wav): as loud as music on the phone \((-\d+\.\d) LUFS\)", second)
    assert found, second
    assert (mixed / found[1]).samefile(mixed / SONG / "Thursday.wav")
    assert float(found[2]) == pytest.approx(TARGET_LUFS, abs=0.1)


def test_home_holds_what_was_promised_and_nothing_else(mixed: Path) -> None:
    home = mixed / "Thursday mix"
    assert {path.name for path in home.iterdir()} == {"recipe.toml", "findings.json", ".cache", "mixes"}
    assert {path.name for path in (home / "mixes").iterdir()} == {"report.html", "01 Thursday"}
    song = mixed / SONG
    assert {path.name for path in song.iterdir()} == {"Thursday.wav", "Thursday.mp3", "stems", "tracks", "recall.json"}
    assert {path.name for path in (song / "stems").iterdir()} == {"drums.wav", "bass.wav", "guitars.wav", "vocals.wav"}
    sheet = json.loads((song / "recall.json").read_text(encoding="utf-8"))
    assert set(sheet["files"]) == set(digests(song))
    (plays,) = re.findall(r'<audio [^>]*src="([^"]+)"', (home / "mixes" / "report.html").read_text(encoding="utf-8"))
    assert (home / "mixes" / unquote(plays)) == home / "mixes" / "01 Thursday" / "Thursday.mp3"


def test_every_file_is_as_long_as_the_take(mixed: Path) -> None:
    for path in (mixed / SONG).rglob("*.wav"):
        info = soundfile.info(path)
        assert (info.frames, info.samplerate, info.subtype) == (4 * RATE_HZ, RATE_HZ, "PCM_24"), path


def test_the_small_copy_is_the_same_music(mixed: Path) -> None:
    """An MP3 is a little longer by its encoder's padding, and sounds about as loud: 0.5 LU is a design choice."""
    sound, rate_hz = soundfile.read(mixed / SONG / "Thursday.mp3")
    assert rate_hz == RATE_HZ
    assert 4.0 <= len(sound) / rate_hz < 4.2
    assert pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound) == pytest.approx(
        TARGET_LUFS, abs=0.5
    )


# ---------------------------------------------------------------- outside meters


def test_loudness_by_another_meter_is_the_target(mixed: Path) -> None:
    """ITU-R BS.1770 by pyloudnorm with B. De Man's filters."""
    sound, rate_hz = soundfile.read(mixed / SONG / "Thursday.wav")
    loudness = pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound)
    assert loudness == pytest.approx(TARGET_LUFS, abs=0.1)


@pytest.mark.outside
@pytest.mark.skipif(shutil.which("ffmpeg") is None, reason="ffmpeg is not installed")
@pytest.mark.parametrize(("preset", "target_lufs"), [("demo", TARGET_LUFS), ("loud", -14.0)])
def test_ffmpeg_reads_the_target_and_a_peak_under_the_ceiling(preset: str, target_lufs: float, place: Path) -> None:
    """EBU R 128 loudness and true peak by ffmpeg's ebur128 filter; a mix that aims lower says so."""
    recipe = place / "Thursday mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8").replace('preset = "demo"', f'preset = "{preset}"')
    recipe.write_text(text, encoding="utf-8")
    made = mix(Order(source=recipe, cwd=place)).songs[0]
    assert made.wanted_lufs == target_lufs
    command = ["ffmpeg", "-nostats", "-hide_banner", "-i", made.mix, "-af", "ebur128=peak=true", "-f", "null", "-"]
    said = subprocess.run(command, capture_output=True, text=True, check=True).stderr.split("Summary")[1]
    loudness = float(re.findall(r"I:\s+(-?[\d.]+) LUFS", said)[0])
    peak_dbtp = float(re.findall(r"Peak:\s+(-?[\d.]+) dBFS", said)[0])
    assert loudness == pytest.approx(made.target_lufs, abs=0.1)
    assert made.target_lufs <= target_lufs
    assert peak_dbtp <= CEILING_DBTP + 0.1


# ---------------------------------------------------------------- stems and formats


def test_stems_add_up_to_the_mix_in_integers(mixed: Path) -> None:
    assert _stems_add_up(mixed / SONG, mixed / SONG / "Thursday.wav")


@pytest.mark.parametrize(
    ("options", "ending", "kind", "subtype"),
    [
        (("--bits", "16"), "wav", "WAV", "PCM_16"),
        (("--format", "flac"), "flac", "FLAC", "PCM_24"),
        (("--bits", "16", "--format", "flac", "--tracks"), "flac", "FLAC", "PCM_16"),
    ],
    ids=["16 bits", "flac", "16-bit flac with tracks"],
)
def test_other_formats_add_up_just_the_same(
    options: tuple[str, ...], ending: str, kind: str, subtype: str, take: Path, tmp_path: Path
) -> None:
    done = run_here("mix", take, *options, cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    song = tmp_path / "take mix" / "mixes" / "01 take"
    sounds = [path for path in song.rglob("*") if path.suffix in (".wav", ".flac")]
    for path in sounds:
        info = soundfile.info(path)
        assert (path.suffix, info.format, info.subtype) == (f".{ending}", kind, subtype)
    assert (song / "tracks").exists() == ("--tracks" in options)
    assert (song / "take.mp3").is_file()
    assert _stems_add_up(song, song / f"take.{ending}")


def test_tracks_are_one_an_input_and_at_one_level(take: Path, tmp_path: Path) -> None:
    """One input comes 30 dB low, as from a microphone in a line input, and leaves like the others.

    The program goes by each source's own sound; a plain meter over the whole file sees rests and bleed as well, hence
    an allowance of 6 LU (design choice).
    """
    sound, rate_hz = soundfile.read(take / "bass.wav")
    soundfile.write(take / "bass.wav", 10.0 ** (-30.0 / 20.0) * sound, rate_hz, subtype="PCM_24")
    assert _spread_lu(take) > 25.0
    mix(Order(source=take, cwd=tmp_path, tracks=True))
    tracks = tmp_path / "take mix" / "mixes" / "01 take" / "tracks"
    assert {path.name for path in tracks.iterdir()} == {path.name for path in take.iterdir()}
    # Filters of the tone add up to 3 dB.
    assert _spread_lu(tracks) < 9.0


def _spread_lu(folder: Path) -> float:
    loudness = []
    for path in folder.iterdir():
        sound, rate_hz = soundfile.read(path)
        loudness.append(pyloudnorm.Meter(rate_hz, filter_class="DeMan").integrated_loudness(sound))
    return max(loudness) - min(loudness)


# ---------------------------------------------------------------- songs and places


def test_songs_are_cut_where_the_recipe_says_and_one_can_be_asked_for(place: Path) -> None:
    recipe = place / "Thursday mix" / "recipe.toml"
    songs = (
        '\n[[song]]\ntitle = "Rope/Swing: 1?"\nstart = "0"\nend = "2.5"\n'
        '\n[[song]]\ntitle = "Bad Take"\nstart = 0\nend = 1\nkeep = false\nreason = "false start"\n'
        '\n[[song]]\ntitle = "Bellrope"\nstart = 2.5\nend = "0:04.0"\n'
    )
    recipe.write_text(recipe.read_text(encoding="utf-8") + songs, encoding="utf-8")
    mixes = place / "Thursday mix" / "mixes"
    only = run_here("mix", recipe, "--song", "BELL-rope", "--json", cwd=place)
    assert only.returncode == 0, only.stderr
    assert [song["title"] for song in json.loads(only.stdout)["songs"]] == ["Bellrope"]
    assert not (mixes / "01 Rope-Swing- 1").exists()
    result = mix(Order(source=recipe, cwd=place))
    assert [song.title for song in result.songs] == ["Rope/Swing: 1?", "Bellrope"]
    assert [soundfile.info(song.mix).frames for song in result.songs] == [2.5 * RATE_HZ, 1.5 * RATE_HZ]
    assert {path.name for path in mixes.iterdir()} >= {"01 Rope-Swing- 1", "02 Bellrope"}
    assert not any("Bad" in path.name for path in mixes.rglob("*"))


def test_horns_strings_and_the_rest_are_three_stems(tmp_path: Path) -> None:
    t = np.arange(3 * 24_000) / 24_000
    (tmp_path / "take").mkdir()
    for name, hz in (("trumpet", 440.0), ("violin", 660.0), ("flute", 880.0)):
        tone = 0.1 * np.sin(2.0 * np.pi * hz * t) * (1.0 + 0.5 * np.sin(2.0 * np.pi * 3.0 * t))
        soundfile.write(tmp_path / "take" / f"{name}.wav", tone, 24_000)
    (song,) = mix(Order(source=tmp_path / "take", cwd=tmp_path, workers=1)).songs
    assert {(track.name, track.family) for track in song.plan.tracks} == {
        ("trumpet", "horns"),
        ("violin", "strings"),
        ("flute", "extras"),
    }
    assert {goal.family for goal in song.plan.goals} == {"horns", "strings", "extras"}
    stems = song.mix.parent / "stems"
    assert {path.name for path in stems.iterdir()} == {"horns.wav", "strings.wav", "extras.wav"}
    assert _stems_add_up(song.mix.parent, song.mix)


def test_home_goes_where_out_says(take: Path, tmp_path: Path) -> None:
    done = run_here("mix", take, "--out", "some where/else", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "some where" / "else" / "recipe.toml").is_file()
    assert (tmp_path / "some where" / "else" / "mixes" / "01 take" / "take.wav").is_file()
    assert not (tmp_path / "take mix").exists()


def test_for_a_recipe_out_takes_the_place_of_mixes(place: Path) -> None:
    before = digests(place / "Thursday mix" / "mixes")
    done = run_here("mix", "Thursday mix/recipe.toml", "--out", "for the band", cwd=place)
    assert done.returncode == 0, done.stderr
    there = place / "for the band"
    assert {path.name for path in there.iterdir()} == {"01 Thursday", "report.html"}
    assert digests(place / "Thursday mix" / "mixes") == before
    assert digests(there / "01 Thursday")["Thursday.wav"] == before["01 Thursday/Thursday.wav"]


@pytest.mark.parametrize("inside", [".", "deeper"])
def test_home_lies_beside_the_tracks_where_a_person_stands_in_them(inside: str, card: Path, tmp_path: Path) -> None:
    take = shutil.copytree(card, tmp_path / "take")
    (take / "deeper").mkdir()
    result = mix(Order(source=take, cwd=take / inside))
    assert result.home == tmp_path / "take mix"


def test_json_tells_a_program_what_lies_where(place: Path) -> None:
    done = run_here("mix", "Thursday", "--json", cwd=place)
    assert done.returncode == 0, done.stderr
    facts = json.loads(done.stdout, parse_constant=_refuse)
    song = facts["songs"][0]
    assert Path(song["mix"]).samefile(place / SONG / "Thursday.wav")
    assert song["loudness_lufs"] == pytest.approx(TARGET_LUFS, abs=0.1)
    assert song["true_peak_dbtp"] <= CEILING_DBTP + 0.1
    assert Path(facts["recipe"]).samefile(place / "Thursday mix" / "recipe.toml")
    assert facts["recipe_is_new"] is False
    assert {input_["name"]: input_["role"] for input_ in facts["inputs"]}["guitar 1"] == "electric guitar"


def _refuse(constant: str) -> Any:
    raise AssertionError(f"{constant} is no JSON")


# ---------------------------------------------------------------- raw tracks


def test_raw_tracks_stay_as_they_are_and_where_they_are(take: Path, tmp_path: Path) -> None:
    """Also in a folder that may not be written; root may write everywhere, so stamps and bytes are looked at too."""

    def state() -> list[tuple[str, int, int]]:
        return sorted((p.name, p.stat().st_mtime_ns, p.stat().st_size) for p in (take, *take.iterdir()))

    for path in take.iterdir():
        path.chmod(0o444)
    take.chmod(0o555)
    before, bytes_before = state(), digests(take)
    try:
        for arguments in (("mix", take), ("check", take), ("recipe", take), ("mix", "take mix/recipe.toml")):
            done = run_here(*arguments, cwd=tmp_path)
            assert done.returncode == 0, done.stderr
            assert state() == before
    finally:
        take.chmod(0o755)
    assert digests(take) == bytes_before


# ---------------------------------------------------------------- recipe, input list, guesses


def test_the_first_run_writes_a_recipe_and_the_second_goes_by_it_and_says_so(mixed: Path, place: Path) -> None:
    first = (mixed / "said.txt").read_text(encoding="utf-8")
    assert "New recipe: " in first
    recipe = place / "Thursday mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8").replace('title = "Thursday"', 'title = "Copper Rain Gauge"')
    recipe.write_text(text, encoding="utf-8")
    second = run_here("mix", "Thursday", cwd=place)
    assert second.returncode == 0, second.stderr
    assert f"Mixed from the recipe {Path('Thursday mix') / 'recipe.toml'}." in second.stdout
    assert "New recipe" not in second.stdout
    assert "Copper Rain Gauge.wav" in second.stdout.splitlines()[1]
    assert recipe.read_text(encoding="utf-8") == text


def test_guesses_are_printed_as_guesses_by_the_first_run_and_by_the_second(take: Path, tmp_path: Path) -> None:
    """File names that say nothing: then roles are guessed by ear, until somebody takes the question marks away."""
    for number, path in enumerate(sorted(take.iterdir()), 1):
        path.rename(take / f"input-{number:02d}.wav")
    guessed = [_guesses(run_here("mix", take, cwd=tmp_path).stdout) for _ in range(2)]
    assert guessed[0] == guessed[1]
    assert guessed[0].count("?") == 5
    recipe = tmp_path / "take mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8")
    assert text.count('?"') == 5
    recipe.write_text(text.replace('?"', '"'), encoding="utf-8")
    assert "guesses" not in run_here("mix", take, cwd=tmp_path).stdout


def _guesses(said: str) -> str:
    lines = [line for line in said.splitlines() if line.startswith("These roles are guesses")]
    assert len(lines) == 1, said
    return lines[0]


def test_an_input_list_beside_the_tracks_is_used_and_the_recipe_has_the_last_word(take: Path, tmp_path: Path) -> None:
    listed = '[[input]]\nfile = "guitar 1.wav"\nname = "piano"\nrole = "keys"\nplayer = "Ilka"\n'
    (take / "inputs.toml").write_text(listed, encoding="utf-8")
    assert run_here("mix", take, cwd=tmp_path).returncode == 0
    song = tmp_path / "take mix" / "mixes" / "01 take"
    assert (song / "stems" / "keys.wav").is_file()
    recipe = tmp_path / "take mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8")
    assert 'name = "piano"\nrole = "keys"\nplayer = "Ilka"\n' in text
    said = run_here("recipe", take, cwd=tmp_path).stdout
    assert str(Path("take") / "inputs.toml") in said
    recipe.write_text(text.replace('role = "keys"', 'role = "acoustic guitar"'), encoding="utf-8")
    assert run_here("mix", take, cwd=tmp_path).returncode == 0
    assert not (song / "stems" / "keys.wav").exists()
    assert digests(take).keys() == {path.name for path in take.iterdir()}


# ---------------------------------------------------------------- bleed


@pytest.mark.parametrize("method", ["full", "mask", "gate", "off"])
def test_every_bleed_setting_works_and_is_recalled(method: str, place: Path) -> None:
    recipe = place / "Thursday mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8").replace('# bleed = "gate"', f'bleed = "{method}"')
    assert f'\nbleed = "{method}"' in text
    recipe.write_text(text, encoding="utf-8")
    mix(Order(source=recipe, cwd=place))
    before = digests(place / SONG)
    said = run_here("why", recipe, "lead vocal", cwd=place).stdout
    assert ("Bleed reduced: predicted from the other inputs and subtracted" in said) == (method == "full")
    assert ("Bleed reduced: turned down" in said) == (method == "mask")
    assert ("turned off" in said) == (method == "off")
    shutil.rmtree(place / "Thursday mix" / ".cache")
    assert run_here("mix", place / SONG / "recall.json", cwd=place).returncode == 0
    assert digests(place / SONG) == before


def test_one_input_may_keep_its_bleed(place: Path) -> None:
    recipe = place / "Thursday mix" / "recipe.toml"
    text = recipe.read_text(encoding="utf-8")
    wish = 'name = "backing vocal"\n'
    recipe.write_text(text.replace(wish, f'{wish}bleed = "off"\n'), encoding="utf-8")
    plan = mix(Order(source=recipe, cwd=place)).songs[0].plan
    assert {track.name for track in plan.tracks if track.cleaned and track.family == "vocals"} == {"lead vocal"}
    assert {track.name for track in plan.tracks if track.gate} <= {"lead vocal"}


# ---------------------------------------------------------------- more of somebody for a stretch


def test_a_move_changes_its_stretch_and_nothing_else(place: Path) -> None:
    """The bass 6 dB up from 1.5 to 2.5 s: its stem against the guitars', before and after."""

    def over_guitars_db(start_s: float, end_s: float) -> float:
        powers = []
        for stem in ("bass", "guitars"):
            sound = _integers(place / SONG / "stems" / f"{stem}.wav") / 2.0**31
            powers.append(np.mean(sound[round(start_s * RATE_HZ) : round(end_s * RATE_HZ)] ** 2))
        return float(10.0 * np.log10(powers[0] / powers[1]))

    stretches = ((0.3, 1.1), (1.55, 2.45), (2.9, 3.7))
    before = [over_guitars_db(*stretch) for stretch in stretches]
    recipe = place / "Thursday mix" / "recipe.toml"
    recipe.write_text(
        recipe.read_text(encoding="utf-8")
        + '\n[[song]]\ntitle = "Thursday"\nstart = 0.0\nend = 4.0\n'
        + '[[song.move]]\nname = "bass"\nfrom = 1.5\nto = 2.5\nlevel_db = 6.0\n',
        encoding="utf-8",
    )
    done = run_here("mix", "Thursday mix/recipe.toml", cwd=place)
    assert done.returncode == 0, done.stderr
    after = [over_guitars_db(*stretch) for stretch in stretches]
    # A little less: what the trims move, they move over the whole song.
    changes_db = [b - a for a, b in zip(before, after, strict=True)]
    assert changes_db[1] - changes_db[0] == pytest.approx(6.0, abs=0.3)
    assert changes_db[2] == pytest.approx(changes_db[0], abs=0.1)
