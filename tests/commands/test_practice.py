"""Practice mixes: who is left out of them, and who is up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from morningmix.bleed.without import Leak
from morningmix.commands.practice import AUDIBLE_DB, UP_DB, audible, hears, practice_mixes, wants_practice
from morningmix.model.plan import SongPlan, TrackPlan
from recall_sheets import write_sheet, write_tracks


def track(name: str, family: str, player: str | None, *, cleaned: bool = False) -> TrackPlan:
    return TrackPlan(
        files=(f"{name}.wav",),
        name=name,
        role=name,
        role_is_guess=False,
        family=family,
        player=player,
        cleaned=cleaned,
    )


def song(tracks: Sequence[TrackPlan]) -> SongPlan:
    return SongPlan(
        title="Song",
        start_s=0.0,
        end_s=24.0,
        rate_hz=32_000,
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
        tracks=tuple(tracks),
        reverb=None,
    )


def test_players_whose_names_clash_have_a_file_each() -> None:
    players = ["A/B", "A-B", "a-b", "without A-B"]
    tracks = [track(player, "guitars", player) for player in players]
    names = [practice.name for practice in practice_mixes(song(tracks))]
    assert len({name.casefold() for name in names}) == 2 * len(players)
    assert names[:4] == [
        "Song - without A-B's guitar",
        "Song - more of A-B's guitar",
        "Song - without A-B's guitar 2",
        "Song - more of A-B's guitar 2",
    ]


def test_a_long_title_leaves_room_for_who_is_left_out() -> None:
    plan = replace(song([track("keys", "keys", "Ida"), track("bass", "bass", None)]), title="A song of the sea " * 5)
    without, more = practice_mixes(plan)
    assert without.name == "A song of the sea A song of the sea A - without Ida's keys"
    assert more.name.endswith(" - more of Ida's keys")


def test_an_instrument_and_a_voice_of_one_player_go_apart_and_each_with_all_its_inputs() -> None:
    tracks = [
        track("kick", "drums", "Ole"),
        track("snare", "drums", "Ole"),
        track("bass", "bass", None),
        track("guitar", "guitars", "Uma"),
        track("lead vocal", "vocals", "Uma", cleaned=True),
    ]
    found = {practice.name.removeprefix("Song - "): practice.plan for practice in practice_mixes(song(tracks))}
    parts = ["Ole's drums", "Uma's guitar", "Uma's voice"]
    assert list(found) == [f"{says} {part}" for part in parts for says in ("without", "more of")]
    left = {name: [each.name for each in plan.tracks if each.sounds] for name, plan in found.items()}
    assert left["without Ole's drums"] == ["bass", "guitar", "lead vocal"]
    assert left["without Uma's guitar"] == ["kick", "snare", "bass", "lead vocal"]
    assert left["without Uma's voice"] == ["kick", "snare", "bass", "guitar"]
    assert [each.fader_db for each in found["more of Uma's voice"].tracks] == [0.0, 0.0, 0.0, 0.0, UP_DB]
    # Nobody is left to play along with.
    assert [practice.name for practice in practice_mixes(song(tracks[:2]))] == ["Song - more of Ole's drums"]


@pytest.mark.parametrize("had_them", [True, False])
def test_practice_mixes_are_kept_until_somebody_says_otherwise(had_them: bool, tmp_path: Path) -> None:
    assert not wants_practice(None, tmp_path)
    write_tracks(tmp_path / "tracks")
    sheet = write_sheet(tmp_path / "01 Song", tmp_path / "tracks")
    text = sheet.read_text(encoding="utf-8")
    sheet.write_text(text.replace('"practice": false', f'"practice": {str(had_them).lower()}'), encoding="utf-8")
    assert wants_practice(None, sheet.parent) == had_them
    assert wants_practice(True, sheet.parent)
    assert not wants_practice(False, sheet.parent)


def test_microphones_that_stay_are_rid_of_who_is_left_out() -> None:
    tracks = [
        track("kick", "drums", "Ole"),
        track("bass", "bass", "Ida"),
        track("guitar", "guitars", "Uma"),
        replace(track("clipped", "guitars", None), repair_s=0.001),
        replace(track("lead vocal", "vocals", "Uma", cleaned=True), repair_s=0.001),
        track("unused", "", None),
    ]
    absent = {practice.name.removeprefix("Song - "): practice.absent for practice in practice_mixes(song(tracks))}
    assert absent["without Uma's voice"] == (4,)
    assert absent["more of Uma's voice"] == ()
    # Cables pick up nothing, and a repair needs clipped runs as they were.
    assert hears(song(tracks), (2,)) == [0, 4]
    assert hears(song(tracks), (4,)) == [0, 2]


@pytest.mark.parametrize(
    ("mic_db", "player_db", "is_audible"), [(0.0, 0.0, False), (6.0, 0.0, True), (6.0, 6.0, False)]
)
def test_bleed_counts_by_its_level_in_the_mix(mic_db: float, player_db: float, is_audible: bool) -> None:
    tracks = (
        replace(track("mic", "guitars", None), fader_db=mic_db),
        replace(track("bass", "bass", "Ida"), gain_db=player_db),
    )
    leak = Leak(np.zeros(1, np.float32), 10.0 ** ((AUDIBLE_DB - 3.0) / 10.0))
    assert audible(song(tracks), 0, (1,), [leak]) == is_audible
    assert not audible(song(tracks), 0, (1,), [Leak(leak.ratio, 0.0)])
