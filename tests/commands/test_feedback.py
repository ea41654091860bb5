"""Wishes from a page or a chat: read strictly, merged fairly, written into the recipe once."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from command_line import digests
from commands.made import GOOD, read
from end_to_end.said import one_line, run_here
from morningmix.commands.agreement import Agreed, Conflict, merge
from morningmix.commands.meant import still_wanted, understood, what_of
from morningmix.files.feedback import WishedMove, Wishes
from morningmix.files.recall import read_recall
from morningmix.files.recipe import read_recipe
from morningmix.model.plan import Filter, Move, Reason, SongPlan, TrackPlan
from recall_sheets import write_sheet, write_tracks
from synthetic import write_take


def wishes(who: str, *moves: tuple[str, float] | tuple[str, float, float, float]) -> Wishes:
    return Wishes(
        song="Song",
        mix="",
        who=who,
        moves=tuple(
            WishedMove(name=m[0], level_db=m[1], where="", **({"from_s": m[2], "to_s": m[3]} if len(m) == 4 else {}))
            for m in moves
        ),
        notes=(),
        where="",
    )


# ---------------------------------------------------------------- merging


def test_agreeing_wishes_get_the_mean_and_opposite_ones_change_nothing() -> None:
    agreed, conflicts = merge(
        [
            wishes("Mara", ("vocals", 2.0), ("drums", 1.0), ("bass", 1.0)),
            wishes("Theo", ("Vocals", 4.0), ("drums", -2.0)),
        ]
    )
    assert agreed == (
        Agreed(song="Song", name="vocals", level_db=3.0, stretch=None, asked=(("Mara", 2.0), ("Theo", 4.0))),
        Agreed(song="Song", name="bass", level_db=1.0, stretch=None, asked=(("Mara", 1.0),)),
    )
    assert conflicts == (Conflict(song="Song", name="drums", stretch=None, asked=(("Mara", 1.0), ("Theo", -2.0))),)


def test_overlapping_wishes_are_merged() -> None:
    agreed, conflicts = merge(
        [
            wishes("Mara", ("vocals", 2.0, 10.0, 20.0), ("bass", 1.0, 0.0, 5.0), ("vocals", 1.0)),
            wishes("Theo", ("vocals", 1.0, 15.0, 30.0), ("bass", -1.0, 4.0, 6.0), ("vocals", 1.0, 40.0, 50.0)),
        ]
    )
    assert [(change.name, change.stretch, change.level_db) for change in agreed] == [
        ("vocals", None, 1.0),
        ("vocals", (10.0, 30.0), 1.5),
        ("vocals", (40.0, 50.0), 1.0),
    ]
    assert [(one.name, one.stretch) for one in conflicts] == [("bass", (0.0, 6.0))]


def test_two_people_without_names_count_as_two(tmp_path: Path) -> None:
    nameless = GOOD.replace("from: Mara\n", "")
    other = GOOD.replace("from: Mara", "from: somebody").replace("vocals +2\n", "vocals -2\n")
    _, (conflict,) = merge(read(tmp_path, nameless + other))
    assert [who for who, _ in conflict.asked] == ["somebody (wishes.txt, line 1)", "somebody (wishes.txt, line 8)"]


def test_the_last_of_two_wishes_by_one_person_counts() -> None:
    (one,), _ = merge([wishes("Mara", ("vocals", 4.0)), wishes("Mara", ("vocals", -1.0))])
    assert one.level_db == -1.0


def test_reverb_and_level_of_one_input_are_two_matters() -> None:
    meant = [understood(wishes(who, *moves), song_of("lead"))[0] for who, *moves in CHOICES]
    agreed, conflicts = merge(meant)
    assert [(one.name, one.part, one.level_db) for one in agreed] == [("lead", "level", 2.0), ("lead", "room", 4.0)]
    assert [(one.name, one.part) for one in conflicts] == [("lead", "high")]


CHOICES = (
    ("Mara", ("lead", 2.0), ("Lead ROOM", 3.0), ("lead high", 2.0)),
    ("Theo", ("lead room", 5.0), ("lead high", -1.0)),
)


# ---------------------------------------------------------------- what a name means


def song_of(*names: str, left_out: Sequence[str] = ()) -> SongPlan:
    return SongPlan(
        title="Song",
        start_s=0.0,
        end_s=24.0,
        rate_hz=32_000,
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
        reverb=None,
        tracks=tuple(
            TrackPlan(
                files=(f"{name}.wav",),
                name=name,
                role="vocal",
                role_is_guess=False,
                family="" if name in left_out else "vocals",
            )
            for name in (*names, *left_out)
        ),
    )


@pytest.mark.parametrize(
    ("typed", "name", "part"),
    [
        ("drum room", "drum room", "level"),
        ("Drum-Room room", "drum room", "room"),
        ("room", "room", "level"),
        ("room low", "room", "low"),
        ("drum low", "drum", "low"),
        ("vocals high", "vocals", "high"),
        ("too low", "too low", "level"),
        ("too low low", "too low", "low"),
    ],
)
def test_the_longest_known_name_is_meant(typed: str, name: str, part: str) -> None:
    song = song_of("drum", "drum room", "room", "too low")
    (move,) = understood(wishes("Mara", (typed, 2.0)), song)[0].moves
    assert (move.name, move.part) == (name, part)


@pytest.mark.parametrize(
    ("wish", "says"),
    [
        (("room", 2.0), 'nothing in "Song" is called "room"'),
        (("dram room", 2.0), 'called "dram room". The inputs and families are: vocals, drum, lead.'),
        (("drum level", 2.0), 'is called "drum level"'),
        (("drum low", 6.5), r"\+6.5 dB is more than a wish may ask for \(low: 6 dB"),
        (("drum high", 2.0, 1.0, 2.0), "only the level can change for one part of a song"),
        # No reverb for the drum, whose room microphone somebody has left out.
        (("drum room", 2.0), '"drum room" is not in the mix of "Song"'),
    ],
)
def test_what_a_song_does_not_have_is_refused(wish: tuple[str, float], says: str) -> None:
    left_out = ["drum room"] if "drum room" in says else []
    clear, (error,) = understood(wishes("Mara", wish), song_of("drum", "lead", left_out=left_out))
    assert not clear.moves
    assert re.search(says, str(error))


@pytest.mark.parametrize(
    ("change", "left"),
    [
        ({}, []),
        ({"fader_db": 0.04}, []),
        ({"fader_db": 1.0}, ["lead"]),
        ({"moves": (Move(from_s=1.0, to_s=2.0, level_db=1.0, ramp_s=0.1),)}, ["lead"]),
        ({"filters": (Filter(kind="low_shelf", corner_hz=200.0, gain_db=1.0),)}, ["lead low"]),
        ({"filters": (Filter(kind="high_shelf", corner_hz=4000.0, gain_db=1.0),)}, ["lead high"]),
        ({"reasons": (Reason(what="send_db", because="+2 dB from the recipe", source="recipe"),)}, ["lead room"]),
    ],
)
def test_wishes_for_an_older_mix_count_but_for_what_has_changed_since(
    change: dict[str, Any], left: list[str], tmp_path: Path
) -> None:
    write_tracks(tmp_path / "tracks")
    sheet = read_recall(write_sheet(tmp_path / "01 Song", tmp_path / "tracks"))
    before = song_of("drum", "lead")
    now = replace(before, tracks=(before.tracks[0], replace(before.tracks[1], **change)))
    sheets = [sheet.model_copy(update={"plan": plan}) for plan in (before, now)]
    mara = wishes("Mara", ("lead", 1.0), ("lead low", 1.0), ("lead high", 1.0), ("lead room", 1.0), ("drum", 1.0))
    meant, _ = understood(replace(mara, mix="01234567"), now)
    kept, changed = still_wanted(meant, sheets[1], lambda: sheets[0], "")
    assert [what_of(move) for move in meant.moves if move not in kept.moves] == left
    assert [re.sub(r" has changed since Mara listened.*", "", str(error)[2:]) for error in changed] == left
    # Of a mix that nobody has any more only what was written for others is known to have changed.
    kept, _ = still_wanted(meant, sheets[1], lambda: None, "# wishes of Theo for mix 01234567 (aaaaaa): Lead low: +1\n")
    assert [what_of(move) for move in kept.moves] == ["lead", "lead high", "lead room", "drum"]
    assert still_wanted(replace(meant, mix=""), sheets[1], lambda: sheets[0], "") == (replace(meant, mix=""), [])


# ---------------------------------------------------------------- into the recipe


@pytest.fixture(scope="module")
def mixed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("place")
    write_take(place / "Thursday", 4.0, 24_000)
    assert run_here("mix", "Thursday", cwd=place).returncode == 0
    return place


def asked_for(place: Path, *lines: str, who: str = "Mara") -> str:
    sheet = read_recall(next(place.glob("* mix/mixes/01*/recall.json")))
    return "\n".join(["morningmix wishes", f"song: {sheet.title}", f"mix: {sheet.mix_id}", f"from: {who}", *lines, ""])


def taken(place: Path, *files: str) -> tuple[str, str]:
    """The recipe before and after; it is put back."""
    recipe = place / "Thursday mix" / "recipe.toml"
    before = recipe.read_text(encoding="utf-8")
    names = []
    for number, text in enumerate(files):
        names.append(f"w{number}.txt")
        (place / names[-1]).write_text(text, encoding="utf-8")
    done = run_here("wishes", "Thursday mix/recipe.toml", *names, cwd=place)
    after = recipe.read_text(encoding="utf-8")
    recipe.write_text(before, encoding="utf-8")
    assert done.returncode == 0, done.stderr
    return done.stdout, after


def faders(place: Path) -> dict[str, float]:
    sheet = json.loads(next(place.glob("* mix/mixes/01*/recall.json")).read_text(encoding="utf-8"))
    return {track["name"]: track["fader_db"] for track in sheet["plan"]["tracks"]}


def test_the_new_faders_differ_by_exactly_what_was_wished(mixed: Path, tmp_path: Path) -> None:
    import shutil

    place = shutil.copytree(mixed, tmp_path / "place")
    before = faders(place)
    old = asked_for(place, "guitars -1.5", "lead vocal +2", "note 0:02 later?")
    (place / "w.txt").write_text(old, encoding="utf-8")
    assert run_here("wishes", "Thursday mix/recipe.toml", "w.txt", cwd=place).returncode == 0
    assert run_here("mix", "Thursday mix/recipe.toml", cwd=place).returncode == 0
    moved = {name: round(now - before[name], 2) for name, now in faders(place).items()}
    wished = {"lead vocal": 2.0, "guitar 1": -1.5, "guitar 2": -1.5}
    assert moved == {name: wished.get(name, 0.0) for name in before}
    assert "  Thursday, 0:02.0 Mara: later?" in run_here("why", "Thursday mix", cwd=place).stdout
    # Who listened to the mix before still wants what has not changed since.
    (place / "w.txt").write_text(old.replace("Mara", "Theo").replace("note", "bass +1\nnote"), encoding="utf-8")
    done = run_here("wishes", "Thursday mix/recipe.toml", "w.txt", cwd=place).stdout
    assert "1 change and 1 note" in done
    assert "  Thursday: bass   +1     +1 dB\n" in done
    assert 'Theo listened to an older mix of "Thursday".' in done
    assert "guitars was changed for Mara since Theo listened" in done
    assert "lead vocal was changed for Mara since Theo listened" in done
    report = (place / "Thursday mix" / "mixes" / "report.html").read_text(encoding="utf-8")
    assert "<li>0:02 <bdi>Mara</bdi>: <bdi>later?</bdi></li>" in report
    # The same wishes once more are known.
    (place / "w.txt").write_text(old, encoding="utf-8")
    kept = digests(place)
    one_line(run_here("wishes", "Thursday mix/recipe.toml", "w.txt", cwd=place), 3, "already in the recipe")
    assert digests(place) == kept


def test_a_wish_for_a_stretch_becomes_a_move_and_a_note_a_comment(mixed: Path) -> None:
    said, after = taken(mixed, asked_for(mixed, "vocals +2 from 0:01 to 0:02", "note 0:01.5 \x1b[2J hm, \u202e ok?"))
    assert "1 change and 1 note" in said
    (mixed / "changed.toml").write_text(after, encoding="utf-8")
    (song,) = read_recipe(mixed / "changed.toml").songs
    assert {(m.name, m.from_s, m.to_s, m.level_db) for m in song.moves} == {
        ("lead vocal", 1.0, 2.0, 2.0),
        ("backing vocal", 1.0, 2.0, 2.0),
    }
    assert re.search(r"^# note 0:01\.5 Mara: \[2J hm, ok\?$", after, re.MULTILINE)
    assert all(sign.isprintable() or sign == "\n" for sign in after)


def test_tone_and_room_are_added_to_what_the_recipe_says_and_one_that_has_no_room_stops_nothing(mixed: Path) -> None:
    recipe = mixed / "Thursday mix" / "recipe.toml"
    before = recipe.read_text(encoding="utf-8")
    recipe.write_text(f'{before}\n[[family]]\nname = "drums"\nlow_db = -5\nroom_db = 1\n', encoding="utf-8")
    said, after = taken(mixed, asked_for(mixed, "drums low -2", "drums room +2.5", "lead vocal high -1", "vocals +1"))
    recipe.write_text(before, encoding="utf-8")
    assert "3 changes" in said
    assert "  Thursday: drums room        +2.5   +2.5 dB\n" in said
    assert "Left out: Thursday: The low_db of" in said
    (mixed / "changed.toml").write_text(after, encoding="utf-8")
    changed = read_recipe(mixed / "changed.toml")
    assert {(one.name, one.level_db, one.low_db, one.room_db) for one in changed.families} == {
        ("drums", 0.0, -5.0, 3.5),
        ("vocals", 1.0, 0.0, 0.0),
    }
    assert [one.name for one in changed.inputs if one.high_db == -1.0] == ["lead vocal"]


def test_conflicts_are_reported_and_change_nothing(mixed: Path) -> None:
    said, after = taken(mixed, asked_for(mixed, "bass +2"), asked_for(mixed, "bass -1", who="Theo"))
    assert "One disagreement, left unchanged: talk about it." in said
    assert said.splitlines()[-2:] == [
        "                   Mara   Theo",
        "  Thursday: bass   +2     -1     left unchanged",
    ]
    assert "level_db = 2.0" not in after


def test_what_cannot_be_merged_is_named_and_the_rest_goes_on(mixed: Path) -> None:
    mara = asked_for(mixed, "bass +2", "tuba -1")
    older = re.sub("mix: .*", "mix: 00000000", asked_for(mixed, "bass +6", who="Theo"))
    other = asked_for(mixed, "bass +6", who="Ole").replace("song: Thursday", "song: Friday")
    said, after = taken(
        mixed, f"hello\n{mara}nice!\n{other}{older}", mara, asked_for(mixed, "bass +1", "drums a lot +3", who="Ilka")
    )
    assert "1 change" in said
    assert "  Thursday: bass   +2     +6     +1     +3 dB\n" in said
    assert 'Theo listened to an older mix of "Thursday".' in said
    assert "# wishes of Mara for mix" in after
    assert after.count(": bass: +") == 3
    left_out = [line.strip()[10:].partition(":")[0] for line in said.splitlines() if "Left out" in line]
    assert left_out == ["w0.txt, line 7", "w0.txt, line 9", "w2.txt, line 6"]
    # The same chat again: what was refused is refused again, and nothing is merged twice, nor for somebody else.
    recipe = mixed / "Thursday mix" / "recipe.toml"
    before = recipe.read_text(encoding="utf-8")
    recipe.write_text(after, encoding="utf-8")
    one_line(run_here("wishes", "Thursday mix/recipe.toml", "w1.txt", cwd=mixed), 3, "already in the recipe")
    (mixed / "late.txt").write_text(asked_for(mixed, "bass +2", who="Uma"), encoding="utf-8")
    says = "bass was changed for Ilka since Uma listened"
    one_line(run_here("wishes", "Thursday mix/recipe.toml", "late.txt", cwd=mixed), 3, says)
    assert recipe.read_text(encoding="utf-8") == after
    recipe.write_text(before, encoding="utf-8")


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (lambda text: text.replace("bass", "tuba"), 2, ["line 5", "tuba", "guitars"]),
        (lambda text: text.replace("song: Thursday", "song: Friday"), 2, ["line 1", "Friday", "Thursday"]),
        (lambda text: text + "\0\n", 3, ["line"]),
    ],
)
def test_wishes_for_something_else_are_refused_and_nothing_is_touched(
    mixed: Path, change: object, code: int, words: Sequence[str]
) -> None:
    assert callable(change)
    (mixed / "bad.txt").write_text(change(asked_for(mixed, "bass +2", "%%")).replace("%%\n", ""), encoding="utf-8")
    if code == 3 and words == ["line"]:
        (mixed / "bad.txt").write_bytes(b"morningmix wishes\n\xff\xfe\n")
    before = digests(mixed)
    one_line(run_here("wishes", "Thursday mix/recipe.toml", "bad.txt", cwd=mixed), code, *words)
    assert digests(mixed) == before
