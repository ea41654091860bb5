"""From measurements to a plan: every number, its reason, and what a recipe says to it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import cycle
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from lanes import lane_here
from morningmix.analysis.analyse import analyse
from morningmix.analysis.analysed import AnalysedTake
from morningmix.analysis.kept import clean_kept
from morningmix.bleed.singing import measure_cleaned_singing
from morningmix.decide.gain import HEADROOM_DBFS, WORKING_LUFS
from morningmix.decide.master import (
    decide_master,
    decide_trims,
)
from morningmix.decide.pan import WIDTHS
from morningmix.decide.rehearsal import keep_relation
from morningmix.decide.reverb import MOST_OFFSET_DB
from morningmix.decide.roles import guess_roles
from morningmix.decide.song_plan import FAMILY_RANGE_DB, LEVEL_RANGE_DB, decide_song
from morningmix.decide.take_setup import Evidence, Setups, set_up
from morningmix.errors import RecipeError
from morningmix.files.presets import load_roles
from morningmix.files.recall import MixFile, Recall, RecordedInput, Settings, read_recall, recall_text
from morningmix.laws.grid import on_grid
from morningmix.laws.track_power import PLAYS_WITHIN_DB, k_powers, loud_mask, loudness_of
from morningmix.model.band import Usual
from morningmix.model.input import Input
from morningmix.model.measured import AcousticFeedback, GainStep, SumFacts
from morningmix.model.plan import Move, SongPlan, TrackPlan
from morningmix.model.recipe import Defaults, FamilyWish, InputWish, MoveWish, SongInputWish, SongWish
from morningmix.model.slots import Slots
from morningmix.report.explain import input_in_words
from morningmix.storage.home import home_of
from morningmix.units import amplitude_db
from synthetic import NAMES, ROLES, SINGERS, write_take

SECONDS = 12.0


@pytest.fixture(scope="module")
def heard(tmp_path_factory: pytest.TempPathFactory) -> AnalysedTake:
    folder = tmp_path_factory.mktemp("room")
    write_take(folder / "take", SECONDS, 24_000)
    (found,) = clean_kept(analyse(folder / "take", home_of(folder / "take", folder, None), lane_here()), lane_here())
    for track in found.measured.tracks:
        guard(track.slots)
    for input_ in found.inputs:
        guard(input_.facts.slots)
    return found


@pytest.fixture(scope="module")
def usual(heard: AnalysedTake) -> SongPlan:
    """The plan without any wishes."""
    return plan_of(heard)


def arrays_of(slots: Slots) -> tuple[NDArray[Any], ...]:
    return slots.powers, slots.peaks, slots.spectra, slots.spectrum_of


def guard(slots: Slots) -> None:
    for array in arrays_of(slots):
        array.flags.writeable = False


def plan_of(
    heard: AnalysedTake,
    wishes: Mapping[str, Mapping[str, object]] | None = None,
    *,
    start_s: float = 0.0,
    end_s: float = SECONDS,
    song: SongWish | None = None,
    defaults: Defaults | None = None,
    families: Sequence[FamilyWish] = (),
) -> SongPlan:
    """The plan of a song, with changed wishes by input name."""
    changes: Mapping[str, Mapping[str, Any]] = wishes or {}
    said = defaults or Defaults()
    inputs = [
        replace(
            input_,
            wish=replace(
                said.fill(InputWish(files=input_.wish.files, called=input_.name)), **changes.get(input_.name, {})
            ),
        )
        for input_ in heard.inputs
    ]
    wanted = replace(song or SongWish(title="Song", start_s=0.0, end_s=0.0), title="Song", start_s=start_s, end_s=end_s)
    take = replace(evidence(heard, inputs), families=tuple(families))
    return decide_song(take, set_up(take, [wanted]), wanted)


def evidence(heard: AnalysedTake, inputs: Sequence[Input]) -> Evidence:
    return Evidence(
        inputs=tuple(inputs),
        singing=heard.singing,
        measured=heard.measured,
        target=heard.recipe.target,
        roles=load_roles(),
    )


def tracks(plan: SongPlan) -> dict[str, TrackPlan]:
    return {track.name: track for track in plan.tracks}


def without_reasons(track: TrackPlan) -> TrackPlan:
    return replace(track, reasons=())


# ---------------------------------------------------------------- a whole song


def test_every_input_is_there_with_its_role(heard: AnalysedTake) -> None:
    plan = plan_of(heard)
    assert {name: track.role for name, track in tracks(plan).items()} == ROLES
    assert [track.files for track in plan.tracks] == [recording.files for recording in heard.take.recordings]
    assert all(track.sounds for track in plan.tracks)
    assert {goal.family for goal in plan.goals} == {"drums", "bass", "guitars", "vocals"}


REASON_OF = {"flip": "flip", "delay_s": "delay_s", "role": "role", "role_is_guess": "role", "family": "role"}
"""Fields whose reason has another name than the field; the rest carry their own."""
SAID_ELSEWHERE = {"files", "name", "reasons", "filters", "moves"}
"""Names, and lists whose items are looked at one by one."""


def test_every_number_has_a_reason(heard: AnalysedTake) -> None:
    late = {
        "kick": {"delay_ms": 1.5, "flip": True},
        "guitar 1": {"pan": 0.2, "level_db": 1.0, "low_db": 1.0, "high_db": -1.0, "room_db": 2.0},
    }
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
        for planned in track.filters:
            assert {f"{planned.kind}_hz", "tone_db" if planned.kind == "peak" else ""} & said
        assert all(reason.because and reason.source for reason in track.reasons)
        # A gate or compressor that is not there has its reason too.
        assert {"gain_db", "gate", "compressor", "fader_db", "pan", "send_db"} <= said
    assert {"gain_db", "gate", "compressor", "fader_db", "pan", "send_db", "delay_s", "flip"} <= checked
    assert plan.reverb is not None
    assert plan.reverb.reasons
    assert all(goal.because and goal.source for goal in plan.goals)


@pytest.mark.slow
def test_a_long_take_is_set_up_as_a_short_one_is(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In two hours twelve slots share a spectrum: the same sound is taken for the same, and compressed as much."""
    write_take(tmp_path / "take", SECONDS, 24_000)

    def set_up_in(home: str) -> tuple[list[str], Setups]:
        place = home_of(tmp_path / "take", tmp_path, tmp_path / home)
        (heard,) = clean_kept(analyse(tmp_path / "take", place, lane_here()), lane_here())
        whole = SongWish(title="", start_s=0.0, end_s=SECONDS)
        setups = set_up(evidence(heard, heard.inputs), [whole])
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


def test_decisions_are_the_same_again_and_touch_nothing(heard: AnalysedTake) -> None:
    # The measurements are read-only here, so that whoever wrote into them would be refused.
    before = [[array.copy() for array in arrays_of(track.slots)] for track in heard.measured.tracks]
    assert plan_of(heard) == plan_of(heard)
    for track, arrays in zip(heard.measured.tracks, before, strict=True):
        for now, then in zip(arrays_of(track.slots), arrays, strict=True):
            np.testing.assert_array_equal(now, then)


def test_drums_and_amplifiers_are_never_gated_and_voices_are(heard: AnalysedTake) -> None:
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
def test_a_song_is_a_slice_of_the_take(heard: AnalysedTake, start_s: float, end_s: float) -> None:
    plan = plan_of(heard, start_s=start_s, end_s=end_s)
    assert (plan.start_s, plan.end_s) == (start_s, end_s)
    for track in plan.tracks:
        heard_there = heard.singing.get(next(input_.index for input_ in heard.inputs if input_.name == track.name))
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


def test_gains_bring_every_input_to_the_working_level_or_to_its_headroom(heard: AnalysedTake) -> None:
    for input_ in heard.inputs:
        track = tracks(plan_of(heard))[input_.name]
        peak_dbfs = amplitude_db(float(input_.facts.slots.peaks.max()))
        assert peak_dbfs + track.gain_db <= HEADROOM_DBFS + 0.01
        if not input_.preset.cleaned:
            filters = [each for each in track.filters if each.kind != "peak"]
            powers = k_powers(input_.facts, heard.measured, filters)
            level = loudness_of(powers, loud_mask(powers, heard.measured.slot_s))
            assert level is not None
            wanted = min(WORKING_LUFS - level, HEADROOM_DBFS - peak_dbfs)
            assert track.gain_db == pytest.approx(wanted, abs=0.01)


def test_two_guitars_mirror_each_other(heard: AnalysedTake) -> None:
    by_name = tracks(plan_of(heard))
    assert by_name["guitar 1"].pan == -by_name["guitar 2"].pan
    assert abs(by_name["guitar 1"].pan) == WIDTHS["guitars"]
    assert all(by_name[name].pan == 0.0 for name in ("kick", "snare", "overhead", "bass", "lead vocal"))


def test_what_is_sent_into_the_room(heard: AnalysedTake) -> None:
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


# ---------------------------------------------------------------- several songs of one take


def songs_of(heard: AnalysedTake, *songs: SongWish, halves_db: Mapping[str, float] | None = None) -> list[SongPlan]:
    """Plans of songs that are set up together, inputs so much louder in the second half of the take."""
    half = heard.measured.slots // 2
    inputs = []
    for input_ in heard.inputs:
        gain = np.ones(len(input_.facts.slots), np.float32)
        gain[half:] = 10.0 ** ((halves_db or {}).get(input_.name, 0.0) / 20.0)
        inputs.append(replace(input_, facts=replace(input_.facts, slots=input_.facts.slots.scaled(gain))))
    measured = replace(heard.measured, tracks=tuple(input_.facts for input_ in inputs))
    take = evidence(replace(heard, measured=measured), inputs)
    setups = set_up(take, songs)
    return [decide_song(take, setups, song) for song in songs]


FIRST = SongWish(title="First", start_s=0.0, end_s=SECONDS / 2)
SECOND = SongWish(title="Second", start_s=SECONDS / 2, end_s=SECONDS)


def test_songs_of_a_take_share_all_but_their_faders(heard: AnalysedTake) -> None:
    first, second = (tracks(song) for song in songs_of(heard, FIRST, SECOND, halves_db={"bass": -9.0, "snare": 4.0}))
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
def test_a_fader_never_goes_far_from_where_it_rests(heard: AnalysedTake, step_db: float) -> None:
    first, second = (tracks(song) for song in songs_of(heard, FIRST, SECOND, halves_db={"guitar 1": step_db}))
    moved = {name: second[name].fader_db - first[name].fader_db for name in first if first[name].sounds}
    middle = float(np.median(list(moved.values())))
    assert all(abs(move - middle) <= 2.0 * (LEVEL_RANGE_DB + FAMILY_RANGE_DB) + 0.02 for move in moved.values())
    # Up when it was played softer, and down when louder; 30 dB softer counts as not played.
    if abs(step_db) <= PLAYS_WITHIN_DB:
        assert (moved["guitar 1"] - moved["guitar 2"]) * step_db <= 0.0


@pytest.mark.parametrize("sign", [-1.0, 1.0])
def test_a_song_moves_an_input_by_three_decibels_and_a_family_by_six_at_most(heard: AnalysedTake, sign: float) -> None:
    """Guitars in the second half of a take are louder or softer than in the first, one of them or both.

    Each is moved by up to 3 dB in either song; both together by 6 dB more in that in which they are soft.
    """

    def moved_db(step_db: float, *names: str) -> dict[str, float]:
        halves_db = dict.fromkeys(names, sign * step_db)
        first, second = (tracks(song) for song in songs_of(heard, FIRST, SECOND, halves_db=halves_db))
        return {name: second[name].fader_db - first[name].fader_db for name in first}

    alone = moved_db(12.0, "guitar 1")
    assert -sign * (alone["guitar 1"] - alone["guitar 2"]) == pytest.approx(5.1, abs=0.6)
    both = moved_db(18.0, "guitar 1", "guitar 2")
    for name in ("guitar 1", "guitar 2"):
        assert -sign * (both[name] - both["kick"]) == pytest.approx(11.5, abs=1.0)


def test_an_input_that_sits_a_song_out_is_not_raised(heard: AnalysedTake) -> None:
    out, in_ = (tracks(song) for song in songs_of(heard, FIRST, SECOND, halves_db={"guitar 1": 40.0}))
    both = tracks(songs_of(heard, FIRST, SECOND)[1])
    assert (
        out["guitar 1"].fader_db - out["guitar 2"].fader_db <= in_["guitar 1"].fader_db - in_["guitar 2"].fader_db + 3.0
    )
    assert both["guitar 1"].sounds


def test_a_lead_in_any_song_is_panned_to_the_centre_in_all(heard: AnalysedTake) -> None:
    backing = next(name for name, track in tracks(plan_of(heard)).items() if track.role == "backing vocal")
    apart = [tracks(song)[backing].pan for song in songs_of(heard, FIRST, SECOND)]
    swapped = replace(SECOND, inputs=(SongInputWish(name=backing, role="lead vocal"),))
    assert apart[0] == apart[1] != 0.0
    assert [tracks(song)[backing].pan for song in songs_of(heard, FIRST, swapped)] == [0.0, 0.0]


def test_an_album_keeps_what_lay_between_its_songs(heard: AnalysedTake) -> None:
    """AES TD1008.1.21-9 (2021): the loudest track at the target, the others as far below it as they are."""
    heard = replace(
        heard, inputs=tuple(replace(input_, wish=replace(input_.wish, compress="off")) for input_ in heard.inputs)
    )
    names = [input_.name for input_ in heard.inputs]
    plans = songs_of(heard, FIRST, SECOND, halves_db=dict.fromkeys(names, -6.0))
    alike = songs_of(heard, FIRST, SECOND)
    target = heard.recipe.target.loudness_lufs.value
    assert [song_plan.target_lufs for song_plan in plans] == [target, target]
    first, second = (song_plan.target_lufs for song_plan in keep_relation(plans))
    assert first == target
    as_they_were = np.diff([song_plan.target_lufs for song_plan in keep_relation(alike)])[0]
    assert second - target == pytest.approx(-6.0 + as_they_were, abs=0.3)


# ---------------------------------------------------------------- wishes


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("level_db", [-4.5, 2.25])
def test_a_level_wish_moves_one_fader_by_exactly_that(heard: AnalysedTake, name: str, level_db: float) -> None:
    plain, wished = tracks(plan_of(heard)), tracks(plan_of(heard, {name: {"level_db": level_db}}))
    assert wished[name].fader_db - plain[name].fader_db == pytest.approx(level_db, abs=1e-9)
    for other in NAMES:
        same = replace(wished[other], fader_db=plain[other].fader_db)
        assert without_reasons(same) == without_reasons(plain[other])
        if other != name:
            assert wished[other].fader_db == plain[other].fader_db


SHELVED = {"low_db": ("low_shelf", 200.0), "high_db": ("high_shelf", 4000.0)}


@pytest.mark.parametrize(("name", "by_db"), list(zip(NAMES, cycle((-4.5, 2.25)), strict=False)))
@pytest.mark.parametrize("key", ["low_db", "high_db", "room_db"])
def test_a_wish_for_tone_or_room_changes_that_alone(
    heard: AnalysedTake, usual: SongPlan, name: str, key: str, by_db: float
) -> None:
    before, after = usual, plan_of(heard, {name: {key: by_db}})
    was, now = tracks(before), tracks(after)
    if key == "room_db":
        changed_in = replace(was[name], send_db=now[name].send_db)
        sent_db, send_db = was[name].send_db, now[name].send_db
        if sent_db is not None:
            assert send_db == pytest.approx(sent_db + by_db, abs=1e-9)
        else:
            assert (send_db is None) == (by_db < 0.0)
    else:
        kind, corner_hz = SHELVED[key]
        assert now[name].filters[:-1] == was[name].filters
        shelf = now[name].filters[-1]
        assert (shelf.kind, shelf.corner_hz, shelf.gain_db) == (kind, corner_hz, by_db)
        changed_in = replace(was[name], filters=now[name].filters)
    assert without_reasons(now[name]) == without_reasons(changed_in)
    assert all(now[other] == was[other] for other in NAMES if other != name)
    # What it does to its family's level is known, so that no trim undoes it.
    family = was[name].family
    assert [replace(goal, wishes_db=0.0) for goal in after.goals] == list(before.goals)
    assert all(goal.wishes_db == 0.0 for goal in after.goals if goal.family != family)
    assert (after.tilt_db, after.played_lufs, after.reverb) == (before.tilt_db, before.played_lufs, before.reverb)


@pytest.mark.parametrize("key", ["level_db", "low_db", "high_db", "room_db"])
@pytest.mark.parametrize("family", ["drums", "guitars", "vocals"])
def test_a_wish_for_a_family_is_that_wish_for_all_its_inputs(
    heard: AnalysedTake, usual: SongPlan, family: str, key: str
) -> None:
    members = [name for name, track in tracks(usual).items() if track.family == family]
    each = plan_of(heard, {name: {key: 1.75} for name in members})
    assert each != usual
    assert plan_of(heard, families=[FamilyWish(name=family, **{key: 1.75})]) == each  # type: ignore[arg-type]
    half = FamilyWish(name=family, **{key: 0.75})  # type: ignore[arg-type]
    song = SongWish(title="Song", start_s=0.0, end_s=0.0, families=(half,))
    own = {name: {key: 0.5} for name in members}
    both = plan_of(heard, own, song=song, families=[FamilyWish(name=family, **{key: 0.5})])  # type: ignore[arg-type]
    assert both == each


def test_a_singer_who_plays_keys_in_a_song_belongs_to_the_keys_there(heard: AnalysedTake) -> None:
    swapped = (SongInputWish(name="guitar 2", role="keys"),)
    song = SongWish(title="Song", start_s=0.0, end_s=0.0, inputs=swapped)
    by_name = tracks(plan_of(heard, song=song, families=[FamilyWish(name="keys", low_db=3.0)]))
    assert [name for name, track in by_name.items() if any(each.is_shelf for each in track.filters)] == ["guitar 2"]


@pytest.mark.parametrize(
    ("name", "key", "value", "what", "says"),
    [
        ("guitar 1", "pan", 0.5, "pan", "usual for this input"),
        ("bass", "flip", True, "flip", "usual for this input"),
        ("bass", "delay_ms", 2.0, "delay_s", "usual for this input"),
        ("snare", "high_pass_hz", 120.0, "high_pass_hz", "usual for this input"),
        ("snare", "high_pass", "off", "high_pass_hz", "turned off, usual for this input"),
        ("lead vocal", "bleed", "off", "gate", "turned off, usual for this input"),
        ("bass", "compress", "off", "compressor", "turned off, usual for this input"),
        ("bass", "low_db", 1.5, "low_shelf_hz", "+1.5 dB, usual for this input"),
        ("bass", "high_db", -2.0, "high_shelf_hz", "-2 dB, usual for this input"),
        ("bass", "level_db", 2.0, "fader_db", "; +2 dB, usual for this input"),
        ("lead vocal", "room_db", 2.0, "send_db", "; +2 dB, usual for this input"),
        ("bass", "room_db", 2.0, "send_db", "+2 dB, usual for this input; without that a bass stays dry"),
    ],
)
def test_what_is_usual_sounds_as_if_the_recipe_said_it_and_has_its_line(
    heard: AnalysedTake, name: str, key: str, value: float | str | bool, what: str, says: str
) -> None:
    def plan(*usual: Usual) -> SongPlan:
        return plan_of(heard, {name: {key: value, "usual": usual}})

    line = Usual(key=key, value=value, whose="this input", file="band.toml", line=7)
    taught, written = plan(line), plan()
    track = tracks(taught)[name]
    (reason,) = [one for one in track.reasons if one.what == what]
    assert reason.because.endswith(says)
    assert reason.place == "band.toml, line 7"
    assert "recipe" not in reason.because
    assert [*map(without_reasons, taught.tracks)] == [*map(without_reasons, written.tracks)]
    assert taught != written
    assert taught == plan(replace(line, line=8))


def test_what_a_song_says_itself_is_not_usual(heard: AnalysedTake) -> None:
    line = Usual(key="pan", value=0.5, whose="this input", file="band.toml", line=7)
    song = SongWish(title="", start_s=0.0, end_s=0.0, inputs=(SongInputWish(name="bass", pan=-0.5, level_db=1.0),))
    track = tracks(plan_of(heard, {"bass": {"pan": 0.5, "usual": (line,)}}, song=song))["bass"]
    assert track.pan == -0.5
    assert {one.what: one.in_full for one in track.reasons}["pan"] == "as the recipe says"


def test_wishes_land_as_they_are_written(heard: AnalysedTake) -> None:
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
    passes = [(each.kind, each.corner_hz) for each in by_name["snare"].filters if each.kind != "peak"]
    assert passes == [("high_pass", 123.4)]
    assert not by_name["kick"].sounds
    assert ("mute", "muted in the recipe", "recipe") in {(r.what, r.because, r.source) for r in by_name["kick"].reasons}
    assert by_name["lead vocal"].gate is None
    assert by_name["lead vocal"].compressor is None
    # The guitar that was not asked about does not jump to the same side by chance: it is alone in its spread now.
    assert abs(by_name["guitar 2"].pan) <= WIDTHS["guitars"]


def test_defaults_count_for_inputs_without_settings_of_their_own(heard: AnalysedTake) -> None:
    off = Defaults(bleed="off", compress="off", eq="off", high_pass="off", align="off", repair="off", feedback="off")
    plan = plan_of(heard, {"snare": {"high_pass": "auto", "compress": "auto"}}, defaults=off)
    for track in plan.tracks:
        assert track.gate is None
        assert bool(track.filters) == (track.name == "snare")
        assert (track.compressor is not None) == (track.name == "snare")
        assert not track.flip
        assert track.delay_s == 0.0


def test_pops_and_feedback_are_turned_down_together(heard: AnalysedTake) -> None:
    feedback = (
        AcousticFeedback(start_s=1.0, end_s=2.0, hz=900.0, rise_db=45.0),
        AcousticFeedback(start_s=3.0, end_s=4.0, hz=900.0, rise_db=45.0),
    )
    inputs = tuple(
        replace(input_, facts=replace(input_.facts, pops_s=((0.5, 0.56), (1.98, 2.04)), feedback=feedback))
        if input_.name == "lead vocal"
        else input_
        for input_ in heard.inputs
    )
    measured = replace(heard.measured, tracks=tuple(input_.facts for input_ in inputs))
    track = tracks(plan_of(replace(heard, inputs=inputs, measured=measured)))["lead vocal"]
    assert track.ducked_s == ((0.5, 0.56), (1.0, 2.04), (3.0, 4.0))
    (because,) = [reason.because for reason in track.reasons if reason.what == "ducked_s"]
    assert because == "2 pops and 2 feedback tones, turned down by 20 dB"


def test_a_gain_step_is_compensated_at_its_place_in_the_song(heard: AnalysedTake) -> None:
    """Somebody brought the lead's microphone up by 4 dB: from there on it comes back down by as much."""
    step = GainStep(at_s=5.0, step_db=4.0)
    inputs = tuple(
        replace(input_, gain_step=step) if input_.name == "lead vocal" else input_ for input_ in heard.inputs
    )
    plan = tracks(plan_of(replace(heard, inputs=inputs), start_s=2.0))
    assert plan["lead vocal"].gain_step == (3.0, -4.0)
    assert plan["backing vocal"].gain_step is None
    (because,) = [reason.because for reason in plan["lead vocal"].reasons if reason.what == "gain_step"]
    assert "+4.0 dB at 0:05.0" in because


def test_a_cleaned_voice_says_how_much_bleed_was_removed_and_whose(heard: AnalysedTake) -> None:
    """Of a recording at twice the amplitude a quarter of the power is left; the three strongest sources are named."""
    sources = ((0, 0.4), (1, 0.3), (2, 0.2), (3, 0.1))
    inputs = tuple(
        replace(
            input_,
            recorded=input_.facts.slots.scaled(np.full(len(input_.facts.slots), 2.0, np.float32)),
            cleaned=replace(input_.cleaned, bleed_sources=sources),
        )
        if input_.cleaned and input_.name == "lead vocal"
        else input_
        for input_ in heard.inputs
    )
    names = [input_.name for input_ in heard.inputs]
    track = tracks(plan_of(replace(heard, inputs=inputs)))["lead vocal"]
    (because,) = [reason.because for reason in track.reasons if reason.what == "cleaned"]
    assert because.endswith(
        f"; it was 75 % of the recording, most of it from {names[0]} (40 %), {names[1]} (30 %), {names[2]} (20 %)"
    )


def test_its_place_is_kept_to_the_millisecond(heard: AnalysedTake) -> None:
    step = GainStep(at_s=5.1238, step_db=4.0)
    inputs = tuple(
        replace(input_, gain_step=step) if input_.name == "lead vocal" else input_ for input_ in heard.inputs
    )
    assert tracks(plan_of(replace(heard, inputs=inputs), start_s=2.0))["lead vocal"].gain_step == (3.124, -4.0)


@pytest.mark.parametrize(
    ("start_s", "end_s", "fade_in_s", "fade_out_s"),
    [
        (0.0, SECONDS, 0.0, 0.0),
        (2.0, SECONDS, 0.05, 0.0),
        (0.0, 9.0, 0.0, 0.5),
        (2.0, 9.0, 0.05, 0.5),
        (6.0, 6.16, 0.04, 0.04),
    ],
)
def test_a_song_fades_where_it_is_cut_out_of_the_take(
    heard: AnalysedTake, start_s: float, end_s: float, fade_in_s: float, fade_out_s: float
) -> None:
    """Half a second at its end, and of a snippet no more than a quarter."""
    plan = plan_of(heard, start_s=start_s, end_s=end_s)
    assert (plan.fade_in_s, plan.fade_out_s) == (fade_in_s, fade_out_s)


def test_clipping_is_repaired_and_reported(heard: AnalysedTake) -> None:
    clean = tracks(plan_of(heard))["snare"]
    assert clean.repair_s == 0.0
    assert "repair_s" not in {reason.what for reason in clean.reasons}

    def snare(wish: dict[str, object], defaults: Defaults | None = None, **facts: object) -> tuple[TrackPlan, str]:
        inputs = tuple(
            replace(input_, facts=replace(input_.facts, **facts)) if input_.name == "snare" else input_
            for input_ in heard.inputs
        )
        measured = replace(heard.measured, tracks=tuple(input_.facts for input_ in inputs))
        changed = replace(heard, inputs=inputs, measured=measured)
        track = tracks(plan_of(changed, {"snare": wish}, defaults=defaults))["snare"]
        (said,) = [line for line in input_in_words(track, sources=False) if line.strip().startswith("Clipping")]
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
        assert "left as recorded" in said
    assert snare({"repair": "auto"}, Defaults(repair="off"), clipped_runs=1, peak_dbfs=0.0)[0].repair_s == 0.001


def test_a_songs_own_wishes_come_on_top(heard: AnalysedTake) -> None:
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
    assert [(move.from_s, move.to_s, move.level_db, move.ramp_s) for move in moves] == [(2.0, 4.0, 1.5, 0.3)]
    assert all(not track.moves for name, track in by_name.items() if name != "lead vocal")
    assert isinstance(moves[0], Move)


def test_a_song_finds_an_input_by_the_name_that_the_recipe_gives_it(heard: AnalysedTake) -> None:
    """Without a name there, that is the file's, whatever the input is called in the mix."""
    inputs = (SongInputWish(name="TRK-05", mute=True),)
    moves = (MoveWish(name="trk 07", from_s=2.0, to_s=4.0, level_db=1.5),)
    song = SongWish(title="Song", start_s=0.0, end_s=SECONDS, inputs=inputs, moves=moves)
    by_name = tracks(plan_of(heard, {"guitar 1": {"called": "TRK05"}, "lead vocal": {"called": "TRK07"}}, song=song))
    assert [name for name, track in by_name.items() if not track.sounds] == ["guitar 1"]
    assert [name for name, track in by_name.items() if track.moves] == ["lead vocal"]


def test_a_name_in_a_song_never_means_an_input_whose_file_another_is_named_after(heard: AnalysedTake) -> None:
    song = SongWish(title="Song", start_s=0.0, end_s=SECONDS, inputs=(SongInputWish(name="bass", mute=True),))
    by_name = tracks(plan_of(heard, {"guitar 1": {"called": "bass"}, "bass": {"called": None}}, song=song))
    assert [name for name, track in by_name.items() if not track.sounds] == ["guitar 1"]


def test_goals_know_what_wishes_do_to_a_family(heard: AnalysedTake) -> None:
    goals = {goal.family: goal for goal in plan_of(heard, {"bass": {"level_db": 3.0}}).goals}
    assert goals["bass"].wishes_db == pytest.approx(3.0, abs=0.01)
    assert all(goal.wishes_db == 0.0 for family, goal in goals.items() if family != "bass")


# ---------------------------------------------------------------- the recall sheet


def test_a_plan_survives_the_recall_sheet(heard: AnalysedTake, tmp_path: Path) -> None:
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
        sidechain_db=np.linspace(-20.0, -3.0, 8_500).astype(np.float32),
        powers=np.full(8_500, 1e-2, np.float32),
    )
    sheet = Recall(
        morningmix="0.1.0",
        title="S",
        tracks_folder="../take",
        recordings=tuple(
            RecordedInput(files=recording.files, parts=recording.files, sha256=("0" * 64,))
            for recording in heard.take.recordings
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


def disturbed(heard: AnalysedTake, seed: int) -> AnalysedTake:
    """What another processor might have measured: every number off by up to a millionth."""
    rng = np.random.default_rng(seed)

    def near(array: NDArray[np.float32]) -> NDArray[np.float32]:
        return (array * (1.0 + 1e-6 * rng.uniform(-1.0, 1.0, array.shape))).astype(np.float32)

    def slots(of: Slots) -> Slots:
        return replace(of, powers=near(of.powers), peaks=near(of.peaks), spectra=near(of.spectra))

    facts = [replace(input_.facts, slots=slots(input_.facts.slots)) for input_ in heard.inputs]
    cleaned = [
        input_.cleaned and replace(input_.cleaned, clear_db=near(input_.cleaned.clear_db)) for input_ in heard.inputs
    ]
    inputs = tuple(
        replace(input_, facts=each, cleaned=clean)
        for input_, each, clean in zip(heard.inputs, facts, cleaned, strict=True)
    )
    singing = heard.singing | {
        input_.index: measure_cleaned_singing(input_.cleaned) for input_ in inputs if input_.cleaned
    }
    return replace(heard, inputs=inputs, singing=singing, measured=replace(heard.measured, tracks=tuple(facts)))


@pytest.mark.parametrize("seed", range(6))
def test_a_millionth_changes_no_decision(heard: AnalysedTake, seed: int) -> None:
    assert any(input_.cleaned for input_ in heard.inputs)
    assert plan_of(disturbed(heard, seed)) == plan_of(heard)


def test_everything_muted(heard: AnalysedTake) -> None:
    plan = plan_of(heard, {name: {"mute": True} for name in NAMES})
    assert not any(track.sounds for track in plan.tracks)
    assert plan.goals == ()
    assert plan.reverb is None
