"""From measurements to a plan: every number, its reason, and what a recipe says to it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from morningmix.decide.bass import line_and_microphone
from morningmix.decide.compress import decide_compressor
from morningmix.decide.de_ess import decide_de_esser
from morningmix.decide.desk import find_faults
from morningmix.decide.filters import decide_filters
from morningmix.decide.gain import HEADROOM_DBFS, WORKING_LUFS, match_gain
from morningmix.decide.gate import hear_cleaned_singing
from morningmix.decide.master import (
    MOST_DRUM_PEAK_DB,
    MOST_TRIM_DB,
    decide_master,
    decide_trims,
    mix_loudness,
    reachable_lufs,
)
from morningmix.decide.pan import WIDTHS, decide_pans
from morningmix.decide.roles import choose_lead, guess_roles, identify
from morningmix.decide.setup import Setups, set_up
from morningmix.decide.song import FAMILY_RANGE_DB, LEVEL_RANGE_DB, decide_song, keep_relation
from morningmix.decide.space import MOST_OFFSET_DB, room_offset_db
from morningmix.errors import RecipeError
from morningmix.explain import input_in_words
from morningmix.facts import (
    Cleaned,
    Defaults,
    Howl,
    Input,
    InputWish,
    Measurements,
    MoveWish,
    Part,
    Recipe,
    Recording,
    Singing,
    SongInputWish,
    SongWish,
    SumFacts,
    Take,
    TrackFacts,
)
from morningmix.files.presets import load_roles, role_from_name
from morningmix.files.recall import MixFile, Recall, RecordedInput, Settings, read_recall, recall_text
from morningmix.home import home_of
from morningmix.laws.curves import gain_db as compressor_gain_db
from morningmix.laws.grid import on_grid
from morningmix.laws.levels import k_powers, loud_mask, loudness_of
from morningmix.laws.loudness import power_of
from morningmix.listen import Heard, listen
from morningmix.plan import Goal, MasterPlan, Move, SongPlan, TrackPlan, Trims
from morningmix.slots import Slots
from morningmix.units import powers_db
from synthetic import NAMES, ROLES, SINGERS, slots_of, write_take

SECONDS = 12.0
QUIETED = ("kick", "snare", "overhead", "guitar 1", "guitar 2")


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> Heard:
    folder = tmp_path_factory.mktemp("room")
    write_take(folder / "take", SECONDS, 24_000)
    (found,) = listen(folder / "take", home_of(folder / "take", folder, None), 2, lambda _step, _share: None)
    for track in found.measured.tracks:
        guard(track.slots)
    for one in found.inputs:
        guard(one.facts.slots)
    return found


def arrays_of(slots: Slots) -> tuple[NDArray[Any], ...]:
    return slots.powers, slots.peaks, slots.spectra, slots.spectrum_of


def guard(slots: Slots) -> None:
    for array in arrays_of(slots):
        array.flags.writeable = False


def plan_of(
    heard: Heard,
    wishes: Mapping[str, Mapping[str, object]] | None = None,
    *,
    start_s: float = 0.0,
    end_s: float = SECONDS,
    song: SongWish | None = None,
    defaults: Defaults | None = None,
) -> SongPlan:
    """The plan of a song, with changed wishes by input name."""
    changes = wishes or {}
    inputs = [
        replace(one, wish=InputWish(files=one.wish.files, **changes.get(one.name, {})))  # type: ignore[arg-type]
        for one in heard.inputs
    ]
    recipe = replace(heard.recipe, defaults=defaults or heard.recipe.defaults)
    songs = [replace(song or SongWish(title="Song", start_s=0.0, end_s=0.0), start_s=start_s, end_s=end_s)]
    return decide_song(
        title="Song",
        start_s=start_s,
        end_s=end_s,
        inputs=inputs,
        singing=heard.singing,
        measured=heard.measured,
        recipe=recipe,
        roles=load_roles(),
        setups=setups_of(heard, inputs, recipe, songs),
        song=song,
    )


def setups_of(heard: Heard, inputs: Sequence[Input], recipe: Recipe, songs: Sequence[SongWish]) -> Setups:
    return set_up(
        inputs=inputs,
        singing=heard.singing,
        measured=heard.measured,
        recipe=recipe,
        roles=load_roles(),
        songs=songs,
    )


def tracks(plan: SongPlan) -> dict[str, TrackPlan]:
    return {track.name: track for track in plan.tracks}


def without_reasons(track: TrackPlan) -> TrackPlan:
    return replace(track, reasons=())


# ---------------------------------------------------------------- a whole song


def test_every_input_is_there_with_its_role(heard: Heard) -> None:
    plan = plan_of(heard)
    assert {name: track.role for name, track in tracks(plan).items()} == ROLES
    assert [track.files for track in plan.tracks] == [recording.files for recording in heard.take.recordings]
    assert all(track.sounds for track in plan.tracks)
    assert {goal.family for goal in plan.goals} == {"drums", "bass", "guitars", "vocals"}


REASON_OF = {"flip": "flip", "delay_s": "delay_s", "role": "role", "role_is_guess": "role", "family": "role"}
"""Fields whose reason has another name than the field; the rest carry their own."""
SAID_ELSEWHERE = {"files", "name", "reasons", "filters", "moves"}
"""Names, and lists whose items are looked at one by one."""


def test_every_number_has_a_reason(heard: Heard) -> None:
    late = {"kick": {"delay_ms": 1.5, "flip": True}, "guitar 1": {"pan": 0.2, "level_db": 1.0}}
    plan = plan_of(heard, late)
    checked = set()
    for track in plan.tracks:
        said = {reason.what for reason in track.reasons}
        for field in dataclasses.fields(track):
            value = getattr(track, field.name)
            if field.name in SAID_ELSEWHERE or (field.default is not dataclasses.MISSING and value == field.default):
                continue
            assert REASON_OF.get(field.name, field.name) in said, f"{track.name}: {field.name} = {value}"
            checked.add(field.name)
        for one in track.filters:
            assert f"{one.kind}_hz" in said
        assert all(reason.because and reason.source for reason in track.reasons)
        # A gate or compressor that is not there has its reason too.
        assert {"gain_db", "gate", "compressor", "fader_db", "pan", "send_db"} <= said
    assert {"gain_db", "gate", "compressor", "fader_db", "pan", "send_db", "delay_s", "flip"} <= checked
    assert plan.reverb is not None
    assert plan.reverb.reasons
    assert all(goal.because and goal.source for goal in plan.goals)


def test_a_long_take_is_set_up_as_a_short_one_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In two hours twelve slots share a spectrum: the same sound is taken for the same, and compressed as much."""
    write_take(tmp_path / "take", SECONDS, 24_000)

    def set_up_in(home: str) -> tuple[list[str], Setups]:
        heard = listen(tmp_path / "take", home_of(tmp_path / "take", tmp_path, tmp_path / home), 2, lambda *_: None)[0]
        whole = SongWish(title="", start_s=0.0, end_s=SECONDS)
        setups = setups_of(heard, heard.inputs, heard.recipe, [whole])
        return [guess.role for guess in guess_roles(heard.measured)], setups

    roles, fine = set_up_in("fine")
    monkeypatch.setattr("morningmix.measure.take._MOST_SPECTRA", round(SECONDS * 10 / 12))
    coarse_roles, coarse = set_up_in("coarse")
    assert coarse_roles == roles
    for key, setup in fine.of.items():
        other = coarse.of[key]
        assert other.gain_db == pytest.approx(setup.gain_db, abs=0.3)
        assert other.level_db == pytest.approx(setup.level_db, abs=0.5)
        assert (other.compressor is None) == (setup.compressor is None)
        if setup.compressor and other.compressor:
            assert other.compressor.threshold_db == pytest.approx(setup.compressor.threshold_db, abs=0.5)
            assert other.compressor.ratio == pytest.approx(setup.compressor.ratio, abs=0.1)


def test_decisions_are_the_same_again_and_touch_nothing(heard: Heard) -> None:
    # The measurements are read-only here, so that whoever wrote into them would be refused.
    before = [[array.copy() for array in arrays_of(track.slots)] for track in heard.measured.tracks]
    assert plan_of(heard) == plan_of(heard)
    for track, arrays in zip(heard.measured.tracks, before, strict=True):
        for now, then in zip(arrays_of(track.slots), arrays, strict=True):
            np.testing.assert_array_equal(now, then)


def test_drums_and_amplifiers_are_never_gated_and_voices_are(heard: Heard) -> None:
    for name, track in tracks(plan_of(heard)).items():
        if name not in SINGERS:
            assert track.gate is None
            continue
        assert track.gate is not None
        assert track.gate.floor_db == -20.0
        spans = track.gate.open_s
        assert all(0.0 <= a < b <= SECONDS for a, b in spans)
        assert list(spans) == sorted(spans)


@pytest.mark.parametrize(("start_s", "end_s"), [(0.0, SECONDS), (1.23, 8.765), (3.0, 3.9), (11.0, SECONDS)])
def test_a_song_is_a_slice_of_the_take(heard: Heard, start_s: float, end_s: float) -> None:
    plan = plan_of(heard, start_s=start_s, end_s=end_s)
    assert (plan.start_s, plan.end_s) == (start_s, end_s)
    for track in plan.tracks:
        heard_there = heard.singing.get(next(one.index for one in heard.inputs if one.name == track.name))
        if track.gate is not None:
            assert heard_there is not None
            expected = [
                (max(a, start_s) - start_s, min(b, end_s) - start_s)
                for a, b in heard_there.open_s
                if b > start_s and a < end_s
            ]
            np.testing.assert_allclose(np.array(track.gate.open_s).ravel(), np.ravel(expected), atol=1e-3)
        assert np.isfinite(track.fader_db)
        assert np.isfinite(track.gain_db)


def test_gains_bring_every_input_to_the_working_level_or_to_its_headroom(heard: Heard) -> None:
    for one in heard.inputs:
        track = tracks(plan_of(heard))[one.name]
        assert one.facts.peak_dbfs + track.gain_db <= HEADROOM_DBFS + 0.01
        if one.preset.gate_floor_db is None:
            filters = [each for each in track.filters if each.kind != "peak"]
            powers = k_powers(one.facts, heard.measured, filters)
            level = loudness_of(powers, loud_mask(powers, heard.measured.slot_s))
            assert level is not None
            wanted = min(WORKING_LUFS - level, HEADROOM_DBFS - one.facts.peak_dbfs)
            assert track.gain_db == pytest.approx(wanted, abs=0.01)


def test_two_guitars_mirror_each_other(heard: Heard) -> None:
    by_name = tracks(plan_of(heard))
    assert by_name["guitar 1"].pan == -by_name["guitar 2"].pan
    assert abs(by_name["guitar 1"].pan) == WIDTHS["guitars"]
    assert all(by_name[name].pan == 0.0 for name in ("kick", "snare", "overhead", "bass", "lead vocal"))


def test_what_is_sent_into_the_room(heard: Heard) -> None:
    """The presets say who sends more than whom; all together are moved to where the room is wanted."""
    roles = load_roles()
    moved = set()
    for track in plan_of(heard).tracks:
        send = roles[track.role].send_lu
        assert (track.send_db is None) == (send is None)
        if track.send_db is not None and send is not None:
            moved.add(round(track.send_db - send.value, 1))
    (offset_db,) = moved
    assert abs(offset_db) <= MOST_OFFSET_DB


@pytest.mark.parametrize(("sent", "offset_db"), [(10.0**-1.52, 0.0), (10.0**-1.72, 2.0), (1e-4, 6.0), (1.0, -6.0)])
def test_a_room_that_would_be_too_small_or_too_large_is_moved(sent: float, offset_db: float) -> None:
    assert room_offset_db(sent, 1.0) == pytest.approx(offset_db, abs=0.06)
    assert room_offset_db(0.0, 1.0) == 0.0


# ---------------------------------------------------------------- several songs of one take


def songs_of(heard: Heard, *songs: SongWish, halves_db: Mapping[str, float] | None = None) -> list[SongPlan]:
    """Plans of songs that are set up together, inputs so much louder in the second half of the take."""
    half = heard.measured.slots // 2
    inputs = []
    for one in heard.inputs:
        gain = np.ones(len(one.facts.slots), np.float32)
        gain[half:] = 10.0 ** ((halves_db or {}).get(one.name, 0.0) / 20.0)
        inputs.append(replace(one, facts=replace(one.facts, slots=one.facts.slots.scaled(gain))))
    measured = replace(heard.measured, tracks=tuple(one.facts for one in inputs))
    setups = setups_of(replace(heard, measured=measured), inputs, heard.recipe, songs)
    return [
        decide_song(
            title=song.title,
            start_s=song.start_s,
            end_s=song.end_s,
            inputs=inputs,
            singing=heard.singing,
            measured=measured,
            recipe=heard.recipe,
            roles=load_roles(),
            setups=setups,
            song=song,
        )
        for song in songs
    ]


FIRST = SongWish(title="First", start_s=0.0, end_s=SECONDS / 2)
SECOND = SongWish(title="Second", start_s=SECONDS / 2, end_s=SECONDS)


def test_songs_of_a_take_share_all_but_their_faders(heard: Heard) -> None:
    first, second = (tracks(one) for one in songs_of(heard, FIRST, SECOND, halves_db={"bass": -9.0, "snare": 4.0}))
    for name, track in first.items():
        other = second[name]
        assert (track.gain_db, track.filters, track.compressor, track.pan) == (
            other.gain_db,
            other.filters,
            other.compressor,
            other.pan,
        )
        assert (track.delay_s, track.flip, track.send_db) == (other.delay_s, other.flip, other.send_db)


@pytest.mark.parametrize("step_db", [-30.0, -12.0, -4.0, 4.0, 12.0])
def test_a_fader_never_goes_far_from_where_it_rests(heard: Heard, step_db: float) -> None:
    first, second = (tracks(one) for one in songs_of(heard, FIRST, SECOND, halves_db={"guitar 1": step_db}))
    moved = {name: second[name].fader_db - first[name].fader_db for name in first if first[name].sounds}
    middle = float(np.median(list(moved.values())))
    assert all(abs(move - middle) <= 2.0 * (LEVEL_RANGE_DB + FAMILY_RANGE_DB) + 0.02 for move in moved.values())
    # Up when it was played softer, and down when louder.
    assert (moved["guitar 1"] - moved["guitar 2"]) * step_db <= 0.0


def test_who_sits_a_song_out_is_not_raised(heard: Heard) -> None:
    out, in_ = (tracks(one) for one in songs_of(heard, FIRST, SECOND, halves_db={"guitar 1": 40.0}))
    both = tracks(songs_of(heard, FIRST, SECOND)[1])
    assert (
        out["guitar 1"].fader_db - out["guitar 2"].fader_db <= in_["guitar 1"].fader_db - in_["guitar 2"].fader_db + 3.0
    )
    assert both["guitar 1"].sounds


def test_who_leads_in_any_song_stands_in_the_centre_in_all(heard: Heard) -> None:
    backing = next(name for name, track in tracks(plan_of(heard)).items() if track.role == "backing vocal")
    apart = [tracks(one)[backing].pan for one in songs_of(heard, FIRST, SECOND)]
    swapped = replace(SECOND, inputs=(SongInputWish(name=backing, role="lead vocal"),))
    assert apart[0] == apart[1] != 0.0
    assert [tracks(one)[backing].pan for one in songs_of(heard, FIRST, swapped)] == [0.0, 0.0]


def test_an_album_keeps_what_lay_between_its_songs(heard: Heard) -> None:
    """AES TD1008.1.21-9 (2021): the loudest track at the target, the others as far below it as they are."""
    heard = replace(heard, inputs=tuple(replace(one, wish=replace(one.wish, compress="off")) for one in heard.inputs))
    names = [one.name for one in heard.inputs]
    plans = songs_of(heard, FIRST, SECOND, halves_db=dict.fromkeys(names, -6.0))
    alike = songs_of(heard, FIRST, SECOND)
    target = heard.recipe.target.loudness_lufs.value
    assert [one.target_lufs for one in plans] == [target, target]
    first, second = (one.target_lufs for one in keep_relation(plans))
    assert first == target
    as_they_were = np.diff([one.target_lufs for one in keep_relation(alike)])[0]
    assert second - target == pytest.approx(-6.0 + as_they_were, abs=0.3)


# ---------------------------------------------------------------- wishes


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("level_db", [-4.5, 2.25])
def test_a_level_wish_moves_one_fader_by_exactly_that(heard: Heard, name: str, level_db: float) -> None:
    plain, wished = tracks(plan_of(heard)), tracks(plan_of(heard, {name: {"level_db": level_db}}))
    assert wished[name].fader_db - plain[name].fader_db == pytest.approx(level_db, abs=1e-9)
    for other in NAMES:
        same = replace(wished[other], fader_db=plain[other].fader_db)
        assert without_reasons(same) == without_reasons(plain[other])
        if other != name:
            assert wished[other].fader_db == plain[other].fader_db


def test_wishes_land_as_they_are_written(heard: Heard) -> None:
    wishes: dict[str, dict[str, object]] = {
        "guitar 1": {"pan": 0.77},
        "bass": {"flip": True, "delay_ms": 2.5},
        "snare": {"high_pass_hz": 123.4},
        "kick": {"mute": True},
        "lead vocal": {"bleed": "off", "compress": "off"},
    }
    by_name = tracks(plan_of(heard, wishes))
    assert by_name["guitar 1"].pan == 0.77
    assert by_name["bass"].flip
    assert by_name["bass"].delay_s == 0.0025
    assert [(one.kind, one.corner_hz) for one in by_name["snare"].filters] == [("high_pass", 123.4)]
    assert not by_name["kick"].sounds
    assert ("mute", "muted", "recipe") in {(r.what, r.because, r.source) for r in by_name["kick"].reasons}
    assert by_name["lead vocal"].gate is None
    assert by_name["lead vocal"].compressor is None
    # The guitar that was not asked about does not jump to the same side by chance: it is alone in its spread now.
    assert abs(by_name["guitar 2"].pan) <= WIDTHS["guitars"]


def test_defaults_count_for_everybody_who_does_not_say_otherwise(heard: Heard) -> None:
    off = Defaults(bleed="off", compress="off", eq="off", high_pass="off", align="off", repair="off")
    plan = plan_of(heard, {"snare": {"high_pass": "auto", "compress": "auto"}}, defaults=off)
    for track in plan.tracks:
        assert track.gate is None
        assert bool(track.filters) == (track.name == "snare")
        assert (track.compressor is not None) == (track.name == "snare")
        assert not track.flip
        assert track.delay_s == 0.0


def test_pops_and_howls_are_turned_down_together(heard: Heard) -> None:
    howls = (Howl(start_s=1.0, end_s=2.0, hz=900.0), Howl(start_s=3.0, end_s=4.0, hz=900.0))
    inputs = tuple(
        replace(one, facts=replace(one.facts, pops_s=((0.5, 0.56), (1.98, 2.04)), howls=howls))
        if one.name == "lead vocal"
        else one
        for one in heard.inputs
    )
    measured = replace(heard.measured, tracks=tuple(one.facts for one in inputs))
    track = tracks(plan_of(replace(heard, inputs=inputs, measured=measured)))["lead vocal"]
    assert track.ducked_s == ((0.5, 0.56), (1.0, 2.04), (3.0, 4.0))
    (because,) = [reason.because for reason in track.reasons if reason.what == "ducked_s"]
    assert because == "2 pops and 2 howls turned down by 20 dB"


def test_clipping_is_mended_and_said(heard: Heard) -> None:
    clean = tracks(plan_of(heard))["snare"]
    assert clean.repair_s == 0.0
    assert "repair_s" not in {reason.what for reason in clean.reasons}

    def snare(wish: dict[str, object], defaults: Defaults | None = None, **facts: object) -> tuple[TrackPlan, str]:
        inputs = tuple(
            replace(one, facts=replace(one.facts, **facts)) if one.name == "snare" else one for one in heard.inputs
        )
        measured = replace(heard.measured, tracks=tuple(one.facts for one in inputs))
        changed = replace(heard, inputs=inputs, measured=measured)
        track = tracks(plan_of(changed, {"snare": wish}, defaults=defaults))["snare"]
        (said,) = [line for line in input_in_words(track) if "lipping" in line]
        return track, said

    mended, said = snare({}, clipped_runs=214, peak_dbfs=0.0)
    assert mended.repair_s == 0.001
    assert "214 clipped runs" in said
    assert "1 ms" in said
    for left, said in (
        snare({"repair": "off"}, clipped_runs=214, peak_dbfs=0.0),
        snare({}, Defaults(repair="off"), clipped_runs=214, peak_dbfs=0.0),
        # A float file may reach over full scale: then it was not cut off there.
        snare({}, clipped_runs=3, peak_dbfs=2.5),
    ):
        assert left.repair_s == 0.0
        assert "not mended" in said
    assert snare({"repair": "auto"}, Defaults(repair="off"), clipped_runs=1, peak_dbfs=0.0)[0].repair_s == 0.001


def test_a_songs_own_wishes_come_on_top(heard: Heard) -> None:
    song = SongWish(
        title="Song",
        start_s=0.0,
        end_s=SECONDS,
        inputs=(
            SongInputWish(name="Guitar-1", level_db=-3.0, pan=-0.25),
            SongInputWish(name="kick", mute=False),
            SongInputWish(name="overhead", mute=True),
            SongInputWish(name="guitar 2", role="keys"),
        ),
        moves=(MoveWish(name="lead vocal", from_s=2.0, to_s=4.0, level_db=1.5),),
    )
    wishes = {"guitar 1": {"level_db": 1.0, "pan": 0.9}, "kick": {"mute": True}}
    by_name = tracks(plan_of(heard, wishes, song=song))
    plain = tracks(plan_of(heard, {"overhead": {"mute": True}, "guitar 2": {"role": "keys"}}, song=replace(
        song, inputs=song.inputs[2:], moves=()
    )))  # fmt: skip
    assert by_name["guitar 1"].fader_db - plain["guitar 1"].fader_db == pytest.approx(-2.0, abs=1e-9)
    assert by_name["guitar 1"].pan == -0.25
    assert by_name["kick"].sounds
    assert not by_name["overhead"].sounds
    assert (by_name["guitar 2"].role, by_name["guitar 2"].family) == ("keys", "keys")
    moves = by_name["lead vocal"].moves
    assert [(move.from_s, move.to_s, move.level_db) for move in moves] == [(2.0, 4.0, 1.5)]
    assert all(not track.moves for name, track in by_name.items() if name != "lead vocal")
    assert isinstance(moves[0], Move)


@pytest.mark.parametrize(("muted", "level_lu"), [((), -4.0), (("guitar 1", "guitar 2"), -4.0), (QUIETED, -3.0)])
def test_voices_sit_higher_in_a_quiet_line_up(heard: Heard, muted: Sequence[str], level_lu: float) -> None:
    goals = {one.family: one for one in plan_of(heard, {name: {"mute": True} for name in muted}).goals}
    assert goals["vocals"].level_lu == level_lu


def test_goals_know_what_wishes_do_to_a_family(heard: Heard) -> None:
    goals = {goal.family: goal for goal in plan_of(heard, {"bass": {"level_db": 3.0}}).goals}
    assert goals["bass"].wishes_db == pytest.approx(3.0, abs=0.01)
    assert all(goal.wishes_db == 0.0 for family, goal in goals.items() if family != "bass")


# ---------------------------------------------------------------- the recall sheet


def test_a_plan_survives_the_recall_sheet(heard: Heard, tmp_path: Path) -> None:
    song = SongWish(
        title="S", start_s=0.5, end_s=9.0, moves=(MoveWish(name="bass", from_s=1.0, to_s=2.0, level_db=-1.0),)
    )
    plan = plan_of(heard, {"kick": {"delay_ms": 0.3}}, start_s=0.5, end_s=9.0, song=song)
    trims = decide_trims(
        plan, ("drums", "vocals"), np.tile(np.eye(2) * 1e-3, (85, 1, 1)), np.full(100, -9.0, np.float32)
    )
    facts = SumFacts(
        step_s=0.001,
        steps_per_hop=100,
        key_db=np.linspace(-20.0, -3.0, 8_500).astype(np.float32),
        powers=np.full(8_500, 1e-2, np.float32),
    )
    sheet = Recall(
        morningmix="0.1.0",
        title="S",
        tracks_folder="../take",
        recordings=tuple(
            RecordedInput(files=one.files, parts=one.files, sha256=("0" * 64,)) for one in heard.take.recordings
        ),
        settings=Settings(bits=24, file_format="wav", tracks=False),
        plan=plan,
        master=decide_master(plan, trims, facts, plan.target_lufs),
        mix=MixFile(file="S.wav", integrated_lufs=-16.0, range_lu=None, true_peak_dbtp=-1.0),
        stems=(),
        files=["S.wav"],
        sha256={"S.wav": "1" * 64},
        versions={"numpy": "2.4"},
    )
    path = tmp_path / "recall.json"
    path.write_text(recall_text(sheet), encoding="utf-8")
    again = read_recall(path)
    assert again == sheet
    assert again.plan == plan
    assert again.master == sheet.master
    assert on_grid(again.plan) == again.plan
    assert on_grid(again.master) == again.master
    assert type(again.plan.tracks[0]) is TrackPlan
    path.write_text(recall_text(sheet).replace('"recall": 3', '"recall": 1'), encoding="utf-8")
    with pytest.raises(RecipeError, match="not a recall sheet this version can read"):
        read_recall(path)


# ---------------------------------------------------------------- what processors differ by


def disturbed(heard: Heard, seed: int) -> Heard:
    """What another processor might have measured: every number off by up to a millionth."""
    rng = np.random.default_rng(seed)

    def near(array: NDArray[np.float32]) -> NDArray[np.float32]:
        return (array * (1.0 + 1e-6 * rng.uniform(-1.0, 1.0, array.shape))).astype(np.float32)

    def slots(of: Slots) -> Slots:
        return replace(of, powers=near(of.powers), peaks=near(of.peaks), spectra=near(of.spectra))

    facts = [replace(one.facts, slots=slots(one.facts.slots)) for one in heard.inputs]
    cleaned = [one.cleaned and replace(one.cleaned, clear_db=near(one.cleaned.clear_db)) for one in heard.inputs]
    inputs = tuple(
        replace(one, facts=each, cleaned=clean) for one, each, clean in zip(heard.inputs, facts, cleaned, strict=True)
    )
    singing = heard.singing | {one.index: hear_cleaned_singing(one.cleaned) for one in inputs if one.cleaned}
    return replace(heard, inputs=inputs, singing=singing, measured=replace(heard.measured, tracks=tuple(facts)))


@pytest.mark.parametrize("seed", range(6))
def test_a_millionth_decides_nothing(heard: Heard, seed: int) -> None:
    assert any(one.cleaned for one in heard.inputs)
    assert plan_of(disturbed(heard, seed)) == plan_of(heard)


@pytest.mark.parametrize("seed", range(6))
def test_a_millionth_decides_nothing_about_the_sum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    names = ("drums", "guitars", "vocals")
    plan = a_song(goal("drums", -7.5), goal("guitars", None), goal("vocals", -4.0))
    gram = gram_of(-21.0, -20.0, -22.7) * rng.uniform(0.5, 1.5, (100, 1, 1))
    peaks_db = rng.normal(-20.0, 4.0, 10_000).astype(np.float32)
    powers = rng.exponential(0.02, 10_000).astype(np.float32)

    def master(off: float) -> MasterPlan:
        def near(array: NDArray[Any]) -> NDArray[Any]:
            return array * (1.0 + off * np.random.default_rng(1).uniform(-1.0, 1.0, array.shape)).astype(array.dtype)

        trims = decide_trims(plan, names, near(gram), near(peaks_db))
        facts = SumFacts(step_s=0.001, steps_per_hop=100, key_db=near(peaks_db) + 17, powers=near(powers))
        return decide_master(plan, trims, facts, min(plan.target_lufs, reachable_lufs(plan, trims, facts)))

    assert master(1e-6) == master(0.0)


# ---------------------------------------------------------------- one decision at a time

CENTRES_HZ = np.geomspace(40.0, 18_000.0, 36)
EDGES_HZ = np.concatenate(
    ([CENTRES_HZ[0] ** 1.5 / CENTRES_HZ[1] ** 0.5], np.sqrt(CENTRES_HZ[:-1] * CENTRES_HZ[1:]), [19_600.0])
)


def facts_of(
    spectrum: NDArray[np.float64],
    level: NDArray[np.float64],
    crest_db: float = 9.0,
    channels: int = 1,
    side_share: float = 0.0,
    **changes: object,
) -> TrackFacts:
    """A track of a steady spectrum ``(bands,)`` (any scale) at a power per slot ``(slots,)``."""
    bands = (np.outer(spectrum / spectrum.sum(), level)).astype(np.float32)
    peaks = (np.sqrt(level) * 10.0 ** (crest_db / 20.0)).astype(np.float32)
    plain = {
        "files": ("a.wav",),
        "channels": channels,
        "peak_dbfs": float(20.0 * np.log10(max(float(peaks.max()), 1e-6))),
        "clipped_runs": 0,
        "dc": 0.0,
        "side_share": side_share,
        "slots": slots_of(bands, peaks),
    }
    missing = {
        field.name: {"hum": None, "pops_s": (), "howls": (), "dropouts": 0, "broken_samples": 0}[field.name]
        for field in dataclasses.fields(TrackFacts)
        if field.name not in plain
    }
    return TrackFacts(**{**missing, **plain, **changes})  # type: ignore[arg-type]


def bump(centre_hz: float, octaves: float, floor_db: float = -90.0) -> NDArray[np.float64]:
    distance = np.log2(CENTRES_HZ / centre_hz) / octaves
    return np.asarray(10.0 ** (np.maximum(-3.0 * distance**2, floor_db / 10.0)))


def measurements(*facts: TrackFacts) -> Measurements:
    return Measurements(rate_hz=48_000, frames=len(facts[0].slots) * 4_800, slot_s=0.1, band_hz=EDGES_HZ, tracks=facts)


def an_input(role: str, facts: TrackFacts, index: int = 0, **wish: object) -> Input:
    return Input(
        index=index,
        name=f"{role} {index}",
        role=role,
        role_is_guess=False,
        role_because="as written",
        role_source="recipe",
        preset=load_roles()[role],
        wish=InputWish(files=facts.files, **wish),  # type: ignore[arg-type]
        facts=facts,
    )


STEADY = np.full(100, 1e-2)
HITS = np.where(np.arange(100) % 5 == 0, 1e-1, 1e-6)


@pytest.mark.parametrize(
    ("role", "facts"),
    [
        ("kick", facts_of(bump(60.0, 0.7), HITS, 14.0)),
        ("snare", facts_of(bump(250.0, 1.0), HITS, 14.0)),
        ("bass", facts_of(bump(90.0, 1.0), STEADY)),
        ("electric guitar", facts_of(bump(900.0, 1.5), STEADY)),
        ("playback", facts_of(bump(500.0, 2.0), np.where(np.arange(100) < 30, 1e-2, 1e-9), channels=2)),
        ("keys", facts_of(bump(500.0, 2.0), STEADY, channels=2, side_share=0.1)),
        ("other", facts_of(bump(500.0, 2.0), np.full(100, 1e-12), peak_dbfs=-100.0)),
    ],
)
def test_a_role_from_the_sound_alone(role: str, facts: TrackFacts) -> None:
    (guess,) = guess_roles(measurements(facts))
    assert guess.role == role
    assert guess.because


def test_the_brightest_open_microphone_beside_drums_is_the_overhead() -> None:
    voice = facts_of(bump(1_500.0, 2.0) + 0.2 * bump(10_000.0, 1.0), STEADY)
    other = facts_of(bump(1_300.0, 2.0) + 0.2 * bump(10_000.0, 1.0), STEADY)
    cymbals = facts_of(bump(6_000.0, 1.5) + bump(12_000.0, 1.0), STEADY)
    kick = facts_of(bump(60.0, 0.7), HITS, 14.0)
    guesses = guess_roles(measurements(voice, cymbals, other, kick))
    assert [guess.role for guess in guesses] == ["lead vocal", "overhead", "backing vocal", "kick"]
    # Without a drum, no microphone hears cymbals.
    assert [guess.role for guess in guess_roles(measurements(voice, cymbals))] == ["lead vocal", "backing vocal"]


def recordings(*names: str) -> list[Recording]:
    parts = [
        Part(path=Path(f"{name}.wav"), rate_hz=48_000, channels=1, frames=48_000, subtype="PCM_24") for name in names
    ]
    return [Recording(lanes=((part,),)) for part in parts]


def identified(names: Sequence[str], *wishes: InputWish) -> tuple[Input, ...]:
    roles = load_roles()
    facts = [facts_of(bump(90.0, 1.0), STEADY, files=(f"{name}.wav",)) for name in names]
    return identify(
        recordings(*names),
        measurements(*facts),
        {wish.files: wish for wish in wishes},
        roles,
        lambda name: role_from_name(name, roles),
    )


def test_what_is_written_comes_before_the_name_and_the_name_before_the_sound() -> None:
    written, named, heard = identified(
        ["snare top", "kick in", "TRK03"], InputWish(files=("snare top.wav",), role="keys", name="Piano")
    )
    assert (written.role, written.name, written.role_is_guess) == ("keys", "Piano", False)
    assert (named.role, named.name, named.role_is_guess) == ("kick", "kick in", False)
    assert (heard.role, heard.name, heard.role_is_guess) == ("bass", "bass", True)
    assert all(one.role_because for one in (written, named, heard))


def test_names_that_no_one_could_type_are_written_so_that_one_can() -> None:
    turned, odd = identified(["kick\u202e", "snare\x1b[31m"])
    assert (turned.name, odd.name) == ("kick\\u202e", "snare\\x1b[31m")


def test_names_that_differ_by_what_stands_between_their_words_are_numbered() -> None:
    names = [one.name for one in identified(["gtr_1", "gtr 1", "GTR-1", "kick"])]
    assert names == ["gtr_1 1", "gtr 1 2", "GTR-1 3", "kick"]


def test_a_role_with_a_question_mark_stays_a_guess() -> None:
    (one,) = identified(["TRK01"], InputWish(files=("TRK01.wav",), role="keys", role_is_guess=True))
    assert (one.role, one.role_is_guess) == ("keys", True)


def test_names_are_made_distinct() -> None:
    inputs = identified(["TRK01", "TRK02", "x"], InputWish(files=("x.wav",), name="Bass-1", role="bass"))
    assert [one.name for one in inputs] == ["bass 2", "bass 3", "Bass-1"]


def test_who_sings_most_by_themselves_leads() -> None:
    roles = load_roles()
    facts = [facts_of(bump(1_500.0, 2.0), STEADY) for _ in range(3)]
    voices = [replace(an_input("backing vocal", one, i), role_is_guess=True) for i, one in enumerate(facts)]
    chosen = choose_lead(voices, {0: 3.0, 1: 40.0, 2: 10.0}, roles)
    assert [one.role for one in chosen] == ["backing vocal", "lead vocal", "backing vocal"]
    assert len({one.name for one in chosen}) == 3
    written = [replace(an_input("lead vocal", facts[0], 0), role_is_guess=False), *voices[1:]]
    assert [one.role for one in choose_lead(written, {1: 40.0}, roles)] == [
        "lead vocal",
        "backing vocal",
        "backing vocal",
    ]
    assert choose_lead(written[:1], {}, roles) == (written[0],)


@settings(max_examples=40, deadline=None)
@given(lufs=st.floats(-60.0, -5.0), peak_dbfs=st.floats(-40.0, 0.0))
def test_gain_is_bounded_by_the_peak(lufs: float, peak_dbfs: float) -> None:
    powers = np.full(50, power_of(lufs))
    gain, reason = match_gain(facts_of(bump(500.0, 1.0), STEADY, peak_dbfs=peak_dbfs), powers, np.ones(50, np.bool_))
    assert gain == pytest.approx(min(-23.0 - lufs, -3.0 - peak_dbfs), abs=0.006)
    assert ("leave no room" in reason.because) == (-3.0 - peak_dbfs < -23.0 - lufs)


def test_nothing_played_no_gain() -> None:
    gain, reason = match_gain(facts_of(bump(500.0, 1.0), STEADY), np.full(50, 1e-2), np.zeros(50, np.bool_))
    assert gain == 0.0
    assert reason.because


@pytest.mark.parametrize(
    ("role", "sharp_db", "eq", "softened"),
    [
        ("lead vocal", -9.0, "auto", True),
        ("backing vocal", -9.0, "auto", True),
        ("lead vocal", -16.0, "auto", False),
        ("lead vocal", -9.0, "off", False),
        ("electric guitar", -9.0, "auto", False),
    ],
)
def test_only_a_voice_with_a_sharp_s_is_de_essed(role: str, sharp_db: float, eq: str, softened: bool) -> None:
    facts = facts_of(bump(400.0, 1.0), STEADY)
    sharp = bump(8_000.0, 0.4)
    bands = facts.slots.spectra.copy()
    bands[:, ::20] += np.outer(sharp / sharp.sum(), STEADY[::20] * 10.0 ** (sharp_db / 10.0)).astype(np.float32)
    facts = replace(facts, slots=slots_of(bands, facts.slots.peaks))
    one = an_input(role, facts, eq=eq)
    plays = np.ones(len(STEADY), np.bool_)
    found, reasons = decide_de_esser(one, 6.0, plays, (), Defaults(), measurements(facts))
    assert (found is not None) == bool(reasons) == softened
    if found is not None:
        # The mean level at the desk is -20 + 6 dB; an s is held from 13 dB under it, as peaks 8 dB higher.
        assert found.compressor.threshold_db == pytest.approx(-14.0 - 13.0 + 8.0, abs=0.3)
        assert found.compressor.max_reduction_db == 4.0


def test_a_line_is_told_from_a_microphone_by_its_rests() -> None:
    rests = np.where(np.arange(100) % 10 < 7, 1e-2, 1e-9)
    line = an_input("bass", facts_of(bump(90.0, 1.0), rests), 0)
    amplifier = an_input("bass", facts_of(bump(90.0, 1.0), rests + 1e-6), 1)
    other = an_input("bass", facts_of(bump(90.0, 1.0), rests + 1e-9), 2)
    drum = an_input("kick", facts_of(bump(60.0, 1.0), rests), 3)
    assert line_and_microphone([amplifier, drum, line]) == (line, amplifier)
    assert line_and_microphone([line, other]) is None
    assert line_and_microphone([line, drum]) is None
    assert line_and_microphone([line, amplifier, other]) is None
    filters, (why,) = decide_filters(amplifier, Defaults(eq="off"), measurements(line.facts), line_too=line.name)
    assert [(one.kind, one.corner_hz) for one in filters] == [("high_pass", 120.0)]
    assert line.name in why.because


@pytest.mark.parametrize("role", sorted(load_roles()))
def test_filters_by_role_and_their_switches(role: str) -> None:
    facts = facts_of(bump(300.0, 2.0), STEADY)
    here = measurements(facts)
    corner = load_roles()[role].high_pass_hz
    filters, reasons = decide_filters(an_input(role, facts), Defaults(), here)
    expected = [] if corner is None else [corner.value]
    assert [one.corner_hz for one in filters if one.kind == "high_pass"] == expected
    assert [reason.source for reason in reasons if reason.what == "high_pass_hz"] == (
        [] if corner is None else [corner.source]
    )
    for one, defaults in (
        (an_input(role, facts, high_pass="off"), Defaults()),
        (an_input(role, facts), Defaults(high_pass="off")),
    ):
        filters, reasons = decide_filters(one, defaults, here)
        assert all(f.kind != "high_pass" for f in filters)
        assert "turned off" in {reason.because for reason in reasons}
    filters, _ = decide_filters(an_input(role, facts, high_pass_hz=77.0, high_pass="off"), Defaults(), here)
    assert [f.corner_hz for f in filters if f.kind == "high_pass"] == [77.0]


def test_only_a_bass_without_a_loudspeaker_is_rolled_off() -> None:
    direct = facts_of(bump(90.0, 1.0) + 1e-3 * bump(8_000.0, 0.5), STEADY)
    speaker = facts_of(bump(90.0, 1.0) + 1e-6 * bump(8_000.0, 0.5), STEADY)
    kinds = {
        (role, name, eq): [
            one.kind for one in decide_filters(an_input(role, facts, eq=eq), Defaults(), measurements(facts))[0]
        ]
        for role in ("bass", "electric guitar")
        for name, facts in (("direct", direct), ("speaker", speaker))
        for eq in ("auto", "off")
    }
    assert [key for key, found in kinds.items() if "low_pass" in found] == [("bass", "direct", "auto")]


@settings(max_examples=40, deadline=None)
@given(
    role=st.sampled_from(sorted(role for role, preset in load_roles().items() if preset.compressor)),
    seed=st.integers(0, 2**32 - 1),
    crest_db=st.floats(3.0, 25.0),
    gain_db=st.floats(-20.0, 30.0),
    spread_db=st.floats(0.0, 15.0),
)
def test_compressors_keep_to_their_bounds(
    role: str, seed: int, crest_db: float, gain_db: float, spread_db: float
) -> None:
    rng = np.random.default_rng(seed)
    level = 10.0 ** ((-30.0 + rng.uniform(-spread_db, spread_db, 100)) / 10.0)
    one = an_input(role, facts_of(bump(500.0, 2.0), level, crest_db))
    plays = rng.random(100) < 0.8
    plays[0] = True
    compressor, reason = decide_compressor(one, gain_db, plays, [2.0, 4.0, 6.0], [0.5, 0.9], 0.7)
    bounds = one.preset.compressor
    assert bounds is not None
    assert compressor is not None
    assert 1.0 <= compressor.ratio <= bounds.ratio_max.value
    assert 0.0 <= compressor.knee_db <= 12.0
    assert (compressor.attack_s, compressor.release_s) == (bounds.attack_s.value, bounds.release_s.value)
    assert compressor.max_reduction_db == bounds.max_reduction_db.value
    peaks_db = powers_db(one.facts.slots.peaks[plays].astype(np.float64) ** 2) + gain_db
    mean_db = -float(compressor_gain_db(peaks_db, compressor.threshold_db, compressor.ratio, compressor.knee_db).mean())
    # The threshold is rounded to a tenth of a decibel, and so is what it takes at most.
    assert mean_db <= bounds.mean_reduction_db.value + 0.05
    assert "dB" in reason.because


def test_who_plays_nothing_is_not_compressed() -> None:
    one = an_input("kick", facts_of(bump(60.0, 0.7), HITS))
    assert decide_compressor(one, 0.0, np.zeros(100, np.bool_), [2.0], [0.5], 0.5)[0] is None
    playback = an_input("playback", facts_of(bump(60.0, 0.7), HITS))
    assert decide_compressor(playback, 0.0, np.ones(100, np.bool_), [2.0], [0.5], 0.5)[0] is None


@pytest.mark.parametrize("count", [1, 2, 3, 4, 5])
def test_neighbours_in_pitch_go_to_opposite_sides(count: int) -> None:
    facts = [facts_of(bump(300.0 * 1.3**i, 1.0), STEADY) for i in range(count)]
    guitars = [an_input("electric guitar", one, i) for i, one in enumerate(facts)]
    pans = [decide_pans(guitars, measurements(*facts))[i][0] for i in range(count)]
    assert sum(pans) == pytest.approx(0.0) or count == 1
    assert all(abs(pan) <= WIDTHS["guitars"] for pan in pans)
    sides = np.sign([pan for pan in pans if pan])
    assert np.all(sides[1:] == -sides[:-1])


# ---------------------------------------------------------------- the sum


def a_song(*goals: Goal, **changes: object) -> SongPlan:
    plan = SongPlan(
        title="S",
        start_s=0.0,
        end_s=10.0,
        rate_hz=48_000,
        tracks=(),
        reverb=None,
        target_lufs=-16.0,
        ceiling_dbtp=-1.0,
        max_limiting_db=3.0,
        goals=goals,
    )
    return replace(plan, **changes)  # type: ignore[arg-type]


def goal(family: str, level_lu: float | None, wishes_db: float = 0.0) -> Goal:
    return Goal(family=family, level_lu=level_lu, where_s=((0.0, 10.0),), wishes_db=wishes_db, because="b", source="s")


def gram_of(*levels_db: float) -> NDArray[np.float64]:
    return np.tile(np.diag(10.0 ** (np.array(levels_db) / 10.0)), (100, 1, 1))


def test_trims_reach_goals_within_three_decibels() -> None:
    # The vocals are 6 dB under the guitars: 20 % of the power, and -4 LU is 40 %.
    plan = a_song(goal("guitars", None), goal("vocals", -4.0))
    trims = decide_trims(plan, ("guitars", "vocals"), gram_of(-20.0, -21.0), None)
    got = dict(trims.trims_db)
    assert got["guitars"] == 0.0
    power = 10.0 ** ((got["vocals"] - 21.0) / 10.0)
    assert 10.0 * np.log10(power / (power + 1e-2)) == pytest.approx(-4.0, abs=0.05)
    far = decide_trims(plan, ("guitars", "vocals"), gram_of(-20.0, -40.0), None)
    assert dict(far.trims_db)["vocals"] == MOST_TRIM_DB
    assert any("held at" in reason.because for reason in far.reasons)


def test_a_trim_never_undoes_a_wish() -> None:
    names = ("guitars", "vocals")
    plain = decide_trims(a_song(goal("guitars", None), goal("vocals", -4.0)), names, gram_of(-20.0, -21.0), None)
    turned = decide_trims(
        a_song(goal("guitars", None), goal("vocals", -4.0, wishes_db=5.0)), names, gram_of(-20.0, -16.0), None
    )
    assert turned.trims_db == plain.trims_db


def test_the_gain_before_limiting_is_what_is_missing() -> None:
    plan = a_song(goal("guitars", None), goal("vocals", -4.0))
    gram = gram_of(-30.0, -31.0)
    trims = decide_trims(plan, ("guitars", "vocals"), gram, None)
    gains = 10.0 ** (np.array([gain for _, gain in trims.trims_db]) / 20.0)
    loudness = mix_loudness(gram, gains)
    assert loudness is not None
    assert trims.gain_db == pytest.approx(-16.0 - loudness, abs=0.0051)
    assert mix_loudness(gram[:3], gains) is None


@pytest.mark.parametrize(
    ("highest_db", "usual_db", "held_db"), [(-1.0, -20.0, -1.0 - MOST_DRUM_PEAK_DB), (-1.0, -2.0, -2.0)]
)
def test_only_the_highest_drum_peaks_are_held(highest_db: float, usual_db: float, held_db: float) -> None:
    peaks = np.full(1000, usual_db, np.float32)
    peaks[500] = highest_db
    plan = a_song(goal("drums", None))
    assert decide_trims(plan, ("drums",), gram_of(-20.0), peaks).drum_peak_dbfs == pytest.approx(held_db, abs=0.01)
    silent = decide_trims(plan, ("drums",), gram_of(-20.0), np.full(1000, -120.0, np.float32))
    assert silent.drum_peak_dbfs is None
    assert decide_trims(plan, ("drums",), gram_of(-20.0), None).drum_peak_dbfs is None


def test_silence_has_a_master_too() -> None:
    trims = decide_trims(a_song(), (), np.zeros((100, 0, 0)), None)
    assert trims.gain_db == 0.0
    facts = SumFacts(
        step_s=0.001, steps_per_hop=100, key_db=np.full(10_000, -120.0, np.float32), powers=np.zeros(10_000, np.float32)
    )
    master = decide_master(a_song(), trims, facts, -16.0)
    assert np.isfinite(master.gain_db)
    assert isinstance(master.trims, Trims)


# ---------------------------------------------------------------- faults


def test_faults_are_said_worst_first() -> None:
    bad = facts_of(bump(500.0, 1.0), STEADY, clipped_runs=7, peak_dbfs=0.0, files=("a.wav",))
    quiet = facts_of(bump(500.0, 1.0), STEADY, peak_dbfs=-45.0, files=("b.wav",))
    silent = facts_of(bump(500.0, 1.0), np.full(100, 1e-12), peak_dbfs=-110.0, files=("c.wav",))
    fine = facts_of(bump(500.0, 1.0), STEADY, peak_dbfs=-8.0, files=("d.wav",))
    inputs = [an_input("electric guitar", one, i) for i, one in enumerate((fine, quiet, bad, silent))]
    found = recordings("d", "b", "a", "c")
    (part,) = found[0].lanes[0]
    found[0] = Recording(lanes=((replace(part, damage="its end is missing"),),))
    take = Take(
        folder=Path("take"),
        recordings=tuple(found),
        rate_hz=48_000,
        frames=480_000,
        left_out=("song.mp3: compressed sound",),
    )
    faults = find_faults(inputs, take, measurements(fine, quiet, bad, silent), {})
    kinds = [(fault.name, fault.kind) for fault in faults]
    assert kinds == [
        (inputs[0].name, "damaged"),
        ("", "left out"),
        (inputs[3].name, "silent"),
        (inputs[2].name, "clipped"),
        (inputs[1].name, "quiet"),
    ]
    assert [fault.weight for fault in faults] == sorted((fault.weight for fault in faults), reverse=True)
    assert "7 times" in next(fault.says for fault in faults if fault.kind == "clipped")


def test_everything_muted(heard: Heard) -> None:
    plan = plan_of(heard, {name: {"mute": True} for name in NAMES})
    assert not any(track.sounds for track in plan.tracks)
    assert plan.goals == ()
    assert plan.reverb is None


@pytest.mark.parametrize(("band_db", "drowned"), [(-6.0, False), (-1.0, False), (1.0, True)])
def test_a_voice_is_drowned_where_more_was_taken_out_of_it_than_stayed(band_db: float, drowned: bool) -> None:
    """Bleed at `band_db` re the voice, both in the same bands, while the voice sings."""
    level = np.full(100, 1e-2)
    clean = facts_of(bump(800.0, 1.5), level)
    recorded = clean.slots.scaled(np.full(100, np.sqrt(1.0 + 10.0 ** (band_db / 10.0)), np.float32))
    whole = Recording(lanes=recordings("lead")[0].lanes)
    nothing = np.zeros(500, np.float32)
    cleaned = Cleaned(sound=whole, subtracted=True, slots=clean.slots, hop_s=0.02, clear_db=nothing, heard_of=())
    lead = replace(an_input("lead vocal", clean, 0), cleaned=cleaned, recorded=recorded)
    spans = ((0.0, 8.0),)
    take = Take(folder=Path("card"), recordings=(whole,), rate_hz=48_000, frames=480_000)
    said = find_faults((lead,), take, measurements(clean), {0: Singing(open_s=spans, sings_s=spans, because="")})
    assert any(one.kind == "drowned" and one.name == lead.name for one in said) is drowned
    said = find_faults((replace(lead, cleaned=None),), take, measurements(clean), {0: None})
    assert not any(one.kind == "drowned" for one in said)
