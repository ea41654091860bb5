"""Practice mixes: who is left out of them, and who is up."""

from __future__ import annotations

from collections.abc import Sequence

from morningmix.commands.practice import UP_DB, practice_mixes
from morningmix.model.plan import SongPlan, TrackPlan


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
    assert names[:4] == ["without A-B", "A-B up", "without A-B 2", "A-B up 2"]


def test_a_player_is_left_out_with_all_inputs_and_up_with_all() -> None:
    tracks = [
        track("kick", "drums", "Ole"),
        track("bass", "bass", None),
        track("guitar", "guitars", "Uma"),
        track("lead vocal", "vocals", "Uma", cleaned=True),
    ]
    found = {practice.name: practice.plan for practice in practice_mixes(song(tracks))}
    assert list(found) == ["without Ole", "Ole up", "without Uma", "Uma up"]
    assert [each.name for each in found["without Uma"].tracks if each.sounds] == ["kick", "bass"]
    assert [each.fader_db for each in found["Uma up"].tracks] == [0.0, 0.0, UP_DB, UP_DB]
    # Nobody is left to play along with.
    assert [practice.name for practice in practice_mixes(song(tracks[:1]))] == ["Ole up"]
