"""Recall sheets: whatever somebody wrote into one, it is mixed or refused in one line; and whether it is the same."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from command_line import digests
from end_to_end.said import one_line, run_here
from morningmix.commands.mix import mix
from morningmix.commands.order import Order
from morningmix.commands.song import MixedSong
from morningmix.errors import MorningmixError, RecipeError
from morningmix.files.recall import read_recall, recall_text
from morningmix.model.tempo import Tempo
from recall_sheets import SECONDS, at_an_edge, damaged, put, write_sheet, write_tracks

Sheet = dict[str, Any]


@pytest.fixture
def song(tmp_path: Path) -> Path:
    """A song folder with nothing but a sheet in it, its tracks three folders up."""
    write_tracks(tmp_path / "take")
    return write_sheet(tmp_path / "home" / "mixes" / "01 Song", tmp_path / "take").parent


def load(song: Path) -> Sheet:
    sheet: Sheet = json.loads((song / "recall.json").read_text(encoding="utf-8"))
    return sheet


def save(song: Path, sheet: Sheet) -> Path:
    path = song / "recall.json"
    path.write_text(json.dumps(sheet), encoding="utf-8")
    return path


def refusal(action: Callable[[], object]) -> str:
    """What a command says that cannot do what was asked; "" if it can."""
    try:
        action()
    except MorningmixError as error:
        return str(error)
    return ""


# ---------------------------------------------------------------- what is wrong is said with its place


@pytest.mark.parametrize(
    ("where", "value", "says"),
    [
        ("plan.rate_hz", 10**9, "less than or equal to 1000000"),
        ("plan.rate_hz", "24000", "valid integer"),
        ("plan.tracks.0.gain_db", float("nan"), "finite"),
        ("plan.tracks.0.gain_db", float("inf"), "finite"),
        ("plan.tracks.0.gain_db", 1e9, "less than or equal to 200"),
        ("plan.tracks.0.gain_db", True, "valid number"),
        ("plan.tracks.1.pan", 1.01, "less than or equal to 1"),
        ("plan.tracks.1.family", "banjos", "one of drums, bass"),
        ("plan.tracks.1.filters.0.corner_hz", 12_000.0, "below 12000 Hz"),
        ("plan.tracks.1.filters.0.q", 0.0, "at least 0.01"),
        ("plan.tracks.1.filters.0.kind", "comb", "high_pass"),
        ("plan.tracks.2.de_esser.corner_hz", 20_000.0, "below 12000 Hz"),
        ("plan.tracks.2.gate.open_s", [[0.3, 0.5], [0.1, 0.2]], "in order"),
        ("plan.tracks.2.gate.open_s", [[0.3, 0.1]], "in order"),
        ("plan.tracks.2.ride", [[0.3, 0.0], [0.1, 0.0]], "in order"),
        ("plan.tracks.2.moves.0.to_s", 0.1, "after it starts"),
        ("plan.tracks.2", {"fader_db": 150.0}, "add up to more than 200 dB"),
        ("plan.end_s", 0.0, "after it starts"),
        ("tempo.beats_s", [0.5, 0.5, 1.0], "in order"),
        ("tempo.tempo_bpm", 0.0, "greater than or equal to 10"),
        ("levels_lu", [-3.0, None], "every track needs one"),
        ("levels_lu", [-3.0, None, 1e9], "less than or equal to 200"),
        ("plan.reverb.low_cut_hz", 12_000.0, "below 12000 Hz"),
        ("plan.goals.0.family", "", "one of drums, bass"),
        ("plan.cleaning.targets", [[3, True]], "from 0 to 2"),
        ("plan.cleaning.references", [0, 1], "all targets"),
        ("master.lookahead_s", 1000.0, "less than or equal to 0.1"),
        ("master.ceiling_dbfs", 3.0, "less than or equal to -0.1"),
        ("master.trims.trims_db.0", ["banjos", 0.0], "one of drums, bass"),
        ("recordings", [], "the inputs of plan.tracks"),
        ("recordings.0.sha256", [], "every part needs a hash"),
        ("recordings.0.sha256.0", "0", "pattern"),
        ("tracks_folder", "a\0b", "not a folder"),
        ("tracks_folder", "a" * 300, "too long"),
        ("mix.file", "../../take/kick.wav", "not a file in the song's folder"),
        ("stems", ["nowhere.wav"], "not among its files"),
        ("sha256.Song.wav", "no hash", "pattern"),
        ("versions.numpy.[key]", None, ""),
        ("recall", 1, "2 or 3"),
    ],
)
def test_a_value_out_of_range_is_refused_with_its_path(where: str, value: object, says: str, song: Path) -> None:
    sheet = load(song)
    if where == "versions.numpy.[key]":
        where = "versions"
        sheet["versions"] = {"numpy\n": "2.1"}
    elif where == "plan.tracks.2":
        sheet["plan"]["tracks"][2] |= {"fader_db": 150.0, "gain_db": 60.0}
    elif where == "sha256.Song.wav":
        sheet["sha256"] = {"Song.wav": value}
    else:
        at = tuple(int(step) if step.isdigit() else step for step in where.split("."))
        sheet = put(sheet, at, value)
    one_line(run_here("mix", save(song, sheet), cwd=song), 3, "recall.json is not a recall sheet", where, says)


def test_an_endless_sheet_is_refused_before_it_is_taken_apart(song: Path) -> None:
    sheet = save(song, put(load(song), ("files",), [0] * 300_000))
    with pytest.raises(RecipeError, match="more than 200000 values"):
        read_recall(sheet)
    sheet.write_text("[" * 100_000, encoding="utf-8")
    with pytest.raises(RecipeError, match="the file: Invalid JSON: recursion limit"):
        read_recall(sheet)
    sheet.write_bytes(b" " * 9_000_000)
    with pytest.raises(RecipeError, match="bigger than 8 MB"):
        read_recall(sheet)


def test_a_sheet_that_asks_for_more_than_was_recorded_is_refused(song: Path) -> None:
    sheet = save(song, put(load(song), ("plan", "end_s"), 100_000.0))
    one_line(run_here("mix", sheet, cwd=song), 3, "needs 100000 s of sound")


def test_a_sheet_with_anything_changed_is_read_or_refused_in_one_line(song: Path) -> None:
    sheet, path = load(song), song / "recall.json"
    refused = 0
    for seed in range(600):
        path.write_text(damaged(sheet, random.Random(seed)), encoding="utf-8")
        if says := refusal(lambda: read_recall(path)):
            refused += 1
            assert len(says.splitlines()) == 1, seed
            assert len(says) < 700, seed
    assert 300 < refused < 600


@pytest.mark.slow
def test_whatever_a_sheet_may_hold_can_be_mixed(song: Path) -> None:
    """Values at the ends of their ranges, two at a time."""
    sheet, mixed, seed = load(song), 0, 0
    while mixed < 24:
        seed += 1
        path = save(song, at_an_edge(sheet, random.Random(seed)))
        songs: list[MixedSong] = []
        order = Order(source=path, cwd=song, out=song.parent.parent / "out", workers=1)
        if says := refusal(lambda order=order, songs=songs: songs.extend(mix(order).songs)):
            assert len(says.splitlines()) == 1, seed
            continue
        mixed += 1
        plan = songs[0].plan
        frames = round(plan.end_s * plan.rate_hz) - round(plan.start_s * plan.rate_hz)
        assert songs[0].residual == 0.0, seed
        assert songs[0].mix.stat().st_size == 44 + 4 * frames, seed


def test_a_sheet_in_which_nothing_sounds_gives_a_silent_mix(song: Path) -> None:
    sheet = load(song)
    for track in sheet["plan"]["tracks"]:
        track["family"] = ""
    done = run_here("mix", save(song, sheet), cwd=song)
    assert done.returncode == 0, done.stderr
    assert read_recall(song / "recall.json").mix.true_peak_dbtp is None


# ---------------------------------------------------------------- the same again


def test_a_sheet_holds_the_hash_of_every_file_it_made_and_the_versions(song: Path) -> None:
    mix(Order(source=song / "recall.json", cwd=song, tracks=True))
    recall = read_recall(song / "recall.json")
    made = digests(song)
    del made["recall.json"]
    assert recall.sha256 == made
    assert {"Song.wav", "Song.mp3", "stems/drums.wav"} <= set(made)
    assert recall.versions is not None
    assert set(recall.versions) == {"morningmix", "Python", "numpy", "scipy", "soxr", "pedalboard", "libsndfile"}


def test_mixing_again_says_whether_it_is_the_same_and_what_made_the_difference(song: Path) -> None:
    path = song / "recall.json"
    first = run_here("mix", path, cwd=song)
    assert first.returncode == 0, first.stderr
    now = read_recall(path).versions
    assert now is not None
    says = "The mix differs from the first one (Song.wav and 4 more): made with "
    assert says in first.stdout
    assert f"numpy 2.1, now {now['numpy']}" in first.stdout
    assert run_here("mix", path, cwd=song).stdout.endswith("The mix is the same as the first one, byte for byte.\n")
    sheet = load(song)
    sheet["sha256"]["Song.wav"] = "0" * 64
    save(song, sheet)
    again = run_here("mix", path, cwd=song)
    assert "(Song.wav): made with the same versions, so perhaps on another processor." in again.stdout


def in_names_of_format_2(sheet: Sheet) -> Sheet:
    vocal, cleaning = sheet["plan"]["tracks"][2], sheet["plan"]["cleaning"]
    vocal["turned"] = vocal.pop("gain_step")
    vocal["reasons"][0]["what"] = "turned"
    cleaning["ears"], cleaning["turned"] = cleaning.pop("targets"), cleaning.pop("gain_steps")
    return sheet | {"recall": 2}


def test_field_names_of_format_2_are_read_and_the_mix_id_stays(song: Path) -> None:
    now = read_recall(song / "recall.json").plan
    former = read_recall(save(song, in_names_of_format_2(load(song))))
    assert former.plan.cleaning == now.cleaning
    assert former.plan.tracks[2].gain_step == now.tracks[2].gain_step == (0.4, -2.0)
    assert former.plan.tracks[2].reasons[0].what == "gain_step"
    # As the version with format 2 computed it, for feedback on pages that it sent.
    assert former.mix_id == "a04aa597"


def test_the_mix_id_of_a_sheet_without_shelves_stays(song: Path) -> None:
    # As the version before there were shelves computed it.
    assert read_recall(song / "recall.json").mix_id == "26be5724"


def test_a_sheet_whose_lows_are_in_the_middle_is_read_and_written_again(song: Path) -> None:
    sheet = load(song)
    before = read_recall(song / "recall.json").mix_id
    sheet["plan"]["mono_below_hz"] = 120.0
    recall = read_recall(save(song, sheet))
    assert recall.plan.mono_below_hz == json.loads(recall_text(recall))["plan"]["mono_below_hz"] == 120.0
    assert recall.mix_id != before
    sheet["plan"]["mono_below_hz"] = 12_000.0
    assert "half the sample rate" in refusal(lambda: read_recall(save(song, sheet)))


def test_a_tempo_is_read_back_and_changes_no_mix_id(song: Path) -> None:
    sheet = load(song)
    read = read_recall(song / "recall.json")
    assert read.tempo == Tempo(tempo_bpm=124.2, other_bpm=62.1, beats_s=(0.02, 0.26, 0.5))
    del sheet["tempo"]
    without = read_recall(save(song, sheet))
    assert without.tempo is None
    assert without.mix_id == read.mix_id


def test_levels_are_read_back_and_change_no_mix_id(song: Path) -> None:
    sheet = load(song)
    read = read_recall(song / "recall.json")
    assert read.levels_lu == (-8.5, None, -3.0)
    del sheet["levels_lu"]
    without = read_recall(save(song, sheet))
    assert without.levels_lu is None
    assert without.mix_id == read.mix_id


def test_a_sheet_with_shelves_is_read_and_written_again(song: Path) -> None:
    sheet = load(song)
    shelves = [
        {"kind": kind, "corner_hz": hz, "gain_db": 3.0, "q": 0.0}
        for kind, hz in (("low_shelf", 200.0), ("high_shelf", 4000.0))
    ]
    sheet["plan"]["tracks"][1]["filters"] += shelves
    recall = read_recall(save(song, sheet))
    assert [each.kind for each in recall.plan.tracks[1].filters] == ["peak", "low_shelf", "high_shelf"]
    assert json.loads(recall_text(recall))["plan"]["tracks"][1]["filters"][1:] == shelves
    sheet["plan"]["tracks"][1]["filters"][2]["corner_hz"] = 12_000.0
    assert "half the sample rate" in refusal(lambda: read_recall(save(song, sheet)))


@pytest.mark.parametrize("damage", [None, 1, [], [[]], [{}]])
def test_a_damaged_sheet_with_names_of_format_2_is_refused(damage: object, song: Path) -> None:
    whole = in_names_of_format_2(load(song))
    for where in (("plan",), ("plan", "tracks"), ("plan", "tracks", 2), ("plan", "tracks", 2, "name")):
        sheet = put(whole, where, damage)
        with pytest.raises(RecipeError, match="not a recall sheet this version can read"):
            read_recall(save(song, sheet))


def test_a_sheet_of_the_previous_format_is_mixed_without_a_comparison(song: Path) -> None:
    sheet = load(song)
    del sheet["sha256"], sheet["versions"]
    done = run_here("mix", save(song, sheet | {"recall": 2}), "--json", cwd=song)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["reproduced"]["same"] is None
    assert read_recall(song / "recall.json").recall == 3


def test_a_sheet_with_the_former_stem_other_is_mixed_as_it_was(song: Path) -> None:
    """Alone, it comes where horns come among the stems, so with the same dither."""
    sheet, made = load(song), {}
    for name in ("horns", "other"):
        sheet["plan"]["tracks"][1]["family"] = name
        sheet["plan"]["goals"][0]["family"] = name
        sheet["master"]["trims"]["trims_db"][1] = [name, -2.0]
        (mixed,) = mix(Order(source=save(song, sheet), cwd=song, out=song.parent / name)).songs
        made[name] = digests(mixed.mix.parent)
    assert made["other"]["stems/other.wav"] == made["horns"]["stems/horns.wav"]
    assert made["other"]["Song.wav"] == made["horns"]["Song.wav"]


# ---------------------------------------------------------------- one that cannot be read


@pytest.fixture
def two_songs(song: Path, tmp_path: Path) -> Path:
    """A home with two songs, the second of which has a sheet of an old format."""
    other = write_sheet(song.parent / "02 Other", tmp_path / "take", "Other", 0.1).parent
    for one in (song, other):
        assert run_here("mix", one / "recall.json", cwd=tmp_path).returncode == 0
    save(other, load(other) | {"recall": 1})
    home = song.parent.parent
    inputs = "".join(f'[[input]]\nfile = "{name}.wav"\nlevel_db = 0.0\n' for name in ("kick", "guitar", "vocal"))
    songs = "".join(f'[[song]]\ntitle = "{title}"\nstart = 0.0\nend = {SECONDS}\n' for title in ("Song", "Other"))
    recipe = f'recipe = 1\n[rehearsal]\ntracks = "../take"\n{inputs}{songs}'
    (home / "recipe.toml").write_text(recipe, encoding="utf-8")
    return home


def test_a_song_whose_sheet_cannot_be_read_is_skipped_and_the_others_are_not(two_songs: Path, tmp_path: Path) -> None:
    wishes = tmp_path / "wishes.txt"
    wishes.write_text("morningmix wishes\nsong: Song\nfrom: Mara\nguitar +2\n", encoding="utf-8")
    recipe = two_songs / "recipe.toml"
    for words, says in (
        (("why", recipe), "Song: 0:00.6 long"),
        (("share", two_songs), "Packed 1 song into"),
        (("compare", two_songs, two_songs), '"Song": no audible difference'),
        (("wishes", recipe, wishes), "1 change"),
    ):
        done = run_here(*words, cwd=tmp_path)
        assert done.returncode == 0, done.stderr
        assert says in done.stdout
        for line in done.stderr.splitlines():
            assert line.startswith("morningmix: skipped 02 Other: recall.json is not a recall sheet"), line
            assert line.endswith("Mix from the recipe instead."), line
        assert done.stderr, words
    one_line(run_here("why", two_songs / "mixes" / "02 Other" / "recall.json", cwd=tmp_path), 3, "recall.json")


def test_where_no_sheet_can_be_read_that_is_an_error(two_songs: Path, tmp_path: Path) -> None:
    save(two_songs / "mixes" / "01 Song", {})
    one_line(run_here("share", two_songs, cwd=tmp_path), 3, "recall.json is not a recall sheet")
