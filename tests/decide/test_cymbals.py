"""A voice is judged where no cymbal passes for it."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from decide.made import STEADY, an_input, bump, facts_of, measurements
from morningmix.decide.cymbals import cymbals_rest, without_crashes
from morningmix.decide.song_plan import decide_song
from morningmix.decide.take_setup import Evidence, set_up
from morningmix.files.presets import load_roles, load_target
from morningmix.model.measured import Singing, TrackFacts
from morningmix.model.plan import TrackPlan
from morningmix.model.recipe import SongWish

SLOTS = 300
SLOT = np.arange(SLOTS)
CRASHES = (SLOT >= 100) & (SLOT < 130)
SINGS = (SLOT >= 60) & (SLOT < 240)


def cymbals(crash_db: float) -> TrackFacts:
    """An overhead that plays a steady ride, and for three seconds a crash that is so much louder."""
    return facts_of(bump(9_000.0, 1.0), 1e-3 * 10.0 ** (np.where(CRASHES, crash_db, 0.0) / 10.0))


def voice(crash_db: float) -> TrackFacts:
    """A microphone that hears the crash so much louder than the voice."""
    level = np.where(SINGS, 1e-3, 1e-8) * (0.8 + 0.2 * np.sin(SLOT / 3.0))
    return facts_of(bump(800.0, 2.0), level * 10.0 ** (np.where(CRASHES, crash_db, 0.0) / 10.0))


@pytest.mark.parametrize(("crash_db", "counts"), [(5.0, True), (7.0, False)])
def test_a_crash_is_6_db_louder_than_what_else_the_cymbals_play(crash_db: float, counts: bool) -> None:
    drums = [facts_of(bump(60.0, 1.0), np.where(CRASHES, 1e-1, 1e-9)), cymbals(crash_db)]
    judged = without_crashes(drums, SINGS, measurements(*drums))
    # Levels are smoothed over 0.4 s.
    assert judged[103:127].all() == judged[103:127].any() == counts
    assert (judged[:95] == SINGS[:95]).all()
    assert (judged[135:] == SINGS[135:]).all()


@pytest.mark.parametrize(("calm_slots", "counts"), [(19, True), (20, False)])
def test_with_under_two_seconds_beside_the_crash_all_of_it_counts(calm_slots: int, counts: bool) -> None:
    power = np.where(SLOT < 100, 1e-4, 2e-3)
    sings = (SLOT == 110) | ((SLOT < 98) & (SLOT + calm_slots >= 98))
    drums = facts_of(bump(9_000.0, 1.0), power)
    assert without_crashes([drums], sings, measurements(drums))[110] == counts


def test_a_chorus_with_drums_after_a_verse_without_is_no_crash() -> None:
    drums = facts_of(bump(9_000.0, 1.0), np.where(SLOT < 200, 1e-8, 1e-3))
    assert (without_crashes([drums], SINGS, measurements(drums)) == SINGS).all()


def test_without_drums_nothing_crashes() -> None:
    facts = voice(0.0)
    assert (without_crashes([], SINGS, measurements(facts)) == SINGS).all()
    nowhere = np.zeros(SLOTS, np.bool_)
    assert not without_crashes([cymbals(9.0)], nowhere, measurements(facts)).any()


def planned(crash_db: float) -> tuple[TrackPlan, TrackPlan]:
    """A lead without bleed, and who sings with it into a microphone that hears the crash."""
    known = (
        an_input("overhead", cymbals(crash_db), 0),
        an_input("electric guitar", facts_of(bump(900.0, 2.5), np.full(SLOTS, 1e-3)), 1),
        an_input("lead vocal", voice(0.0), 2),
        an_input("backing vocal", voice(crash_db), 3),
    )
    sings = Singing(sings_s=((6.0, 24.0),), open_s=((6.0, 24.0),), because="it opens once")
    take = Evidence(
        inputs=known,
        singing={2: sings, 3: sings},
        measured=measurements(*(each.facts for each in known)),
        target=load_target("demo"),
        roles=load_roles(),
    )
    song = SongWish(title="Song", start_s=0.0, end_s=30.0)
    lead, backing = decide_song(take, set_up(take, [song]), song).tracks[2:]
    return lead, backing


def test_a_crash_in_a_microphone_does_not_make_its_singer_softer() -> None:
    (lead, calm), (same_lead, crash) = planned(0.0), planned(8.0)
    assert crash.gain_db == pytest.approx(calm.gain_db, abs=0.3)
    assert calm.compressor is not None
    assert crash.compressor is not None
    assert crash.compressor.threshold_db == pytest.approx(calm.compressor.threshold_db, abs=0.3)
    assert crash.fader_db - same_lead.fader_db == pytest.approx(calm.fader_db - lead.fader_db, abs=0.3)


def test_cymbals_rest_in_half_of_what_is_sung() -> None:
    power: NDArray[np.float64] = 1e-4 + 1e-6 * np.arange(len(STEADY))
    ride = facts_of(bump(9_000.0, 0.5), power)
    rest = cymbals_rest([ride], np.ones(len(STEADY), np.bool_), measurements(ride))
    assert rest[: len(STEADY) // 2].all()
    assert not rest[len(STEADY) // 2 :].any()
    # A kick has nothing up there, and without drums there is nothing to wait for.
    kick = facts_of(bump(60.0, 0.5), power[::-1])
    assert (cymbals_rest([ride, kick], np.ones(len(STEADY), np.bool_), measurements(ride)) == rest).all()
    assert cymbals_rest([], np.ones(len(STEADY), np.bool_), measurements(ride)).all()
