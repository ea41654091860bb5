"""A take is set up and its songs are planned: the plan of a small rehearsal as text, changed only on purpose.

Measurements are made by hand, so that nothing but a decision can change it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from decide.made import an_input, bump, facts_of, measurements
from morningmix.decide.song_plan import decide_song
from morningmix.decide.take_setup import Evidence, set_up
from morningmix.files.presets import load_roles, load_target
from morningmix.model.input import Input
from morningmix.model.measured import AlignmentFacts, Singing
from morningmix.model.plan import Reason, SongPlan, TrackPlan
from morningmix.model.recipe import MoveWish, SongInputWish, SongWish

GOLDEN = Path(__file__).with_name("golden_plan.txt")
SECONDS = 60
SLOT = np.arange(10 * SECONDS)
SUNG_S = tuple((float(start), start + 4.0) for start in range(2, SECONDS - 4, 8))
SONGS = (
    SongWish(
        title="First",
        start_s=0.0,
        end_s=28.0,
        inputs=(SongInputWish(name="electric guitar 4", level_db=2.0, pan=-0.5),),
        moves=(MoveWish(name="bass 3", from_s=10.0, to_s=14.0, level_db=1.5),),
    ),
    SongWish(title="Second", start_s=30.0, end_s=60.0),
)


def hits(every: int, at: int, power: float) -> NDArray[np.float64]:
    return np.where(SLOT % every == at, power, power * 1e-4)


def held(power: float, period: int) -> NDArray[np.float64]:
    """A steady level that swells by 2 dB."""
    return np.asarray(power * 10.0 ** (0.1 * (1.0 + np.sin(2.0 * np.pi * SLOT / period))))


def sung(power: float) -> NDArray[np.float64]:
    level = np.full(len(SLOT), power * 1e-4)
    for start_s, end_s in SUNG_S:
        level[round(10 * start_s) : round(10 * end_s)] = power
    return level * held(1.0, 17)


def inputs() -> tuple[Input, ...]:
    """A kit on three microphones, bass, a loud and a soft guitar, a voice, and an input that recorded nothing."""
    quiet = np.zeros(len(SLOT))
    made = [
        an_input("kick", facts_of(bump(65.0, 1.0), hits(10, 0, 0.08)), 0),
        an_input("snare", facts_of(bump(220.0, 1.5), hits(10, 5, 0.05), clipped_runs=3), 1),
        an_input("overhead", facts_of(bump(3_000.0, 4.0), held(2e-3, 10), channels=2, side_fraction=0.2), 2),
        an_input("bass", facts_of(bump(90.0, 1.5), held(4e-3, 23)), 3, player="Ole", called="bass 3"),
        an_input(
            "electric guitar", facts_of(bump(900.0, 2.5), held(6e-3, 31)), 4, level_db=-1.0, called="electric guitar 4"
        ),
        an_input("electric guitar", facts_of(bump(1_500.0, 2.5), held(8e-4, 37), pops_s=((33.0, 33.1),)), 5),
        an_input("lead vocal", facts_of(bump(1_200.0, 2.5), sung(5e-3)), 6),
        an_input("playback", facts_of(bump(1_000.0, 4.0), quiet, peak_dbfs=-120.0), 7),
    ]
    beside = AlignmentFacts(
        other="the overhead", delay_s=0.004, correlation=0.3, flipped_delay_s=0.003, flipped_correlation=0.99
    )
    return (replace(made[0], alignment=beside), *made[1:])


def words(value: object) -> str:
    """A value, or the fields of one that holds no others, on one line; of a reason, what a band reads."""
    if isinstance(value, Reason):
        return value.because
    if is_dataclass(value):
        return " ".join(f"{field.name}={getattr(value, field.name)!r}" for field in fields(value))
    return repr(value)


def lines(value: SongPlan | TrackPlan) -> Iterator[str]:
    """A line for everything that is not as it would be if nothing were decided."""
    for field in fields(value):
        decided = getattr(value, field.name)
        if decided == field.default:
            continue
        if not (isinstance(decided, tuple) and decided and is_dataclass(decided[0])):
            yield f"{field.name}: {words(decided)}"
            continue
        for one in decided:
            if isinstance(one, TrackPlan):
                yield from ("", *lines(one))
            else:
                yield f"{one.what if isinstance(one, Reason) else field.name}: {words(one)}"
        if isinstance(decided[0], TrackPlan):
            yield ""


@pytest.mark.parametrize(("correlation", "flipped"), [(0.2, 0.0), (0.0, 0.2), (0.19, 0.19)])
def test_lows_come_from_the_line_of_a_bass_where_its_microphone_carries_the_same(
    correlation: float, flipped: float
) -> None:
    rests = SLOT % 10 < 7
    sounds = [np.where(rests, 1e-2, rest) for rest in (1e-9, 1e-6)]
    line, microphone = (an_input("bass", facts_of(bump(90.0, 1.5), sound), index) for index, sound in enumerate(sounds))
    beside = AlignmentFacts(
        other="bass 1", delay_s=0.0, correlation=correlation, flipped_delay_s=0.0, flipped_correlation=flipped
    )
    known = (replace(line, alignment=beside), microphone)
    take = Evidence(
        inputs=known,
        singing={},
        measured=measurements(*(one.facts for one in known)),
        target=load_target("demo"),
        roles=load_roles(),
    )
    setups = set_up(take, [SongWish(title="", start_s=0.0, end_s=float(SECONDS))])
    corners_hz = [[each.corner_hz for each in setups.of[index, "bass"].filters] for index in (0, 1)]
    assert (120.0 in corners_hz[1]) == (max(correlation, flipped) >= 0.2)
    assert 120.0 not in corners_hz[0]


def test_the_plan_of_a_small_rehearsal(tmp_path: Path) -> None:
    known = inputs()
    singing = Singing(sings_s=SUNG_S, open_s=tuple((a - 0.3, b + 0.3) for a, b in SUNG_S), because="opens in 7 places")
    take = Evidence(
        inputs=known,
        singing={6: singing},
        measured=measurements(*(one.facts for one in known)),
        target=load_target("demo"),
        roles=load_roles(),
    )
    setups = set_up(take, SONGS)
    text = "\n".join(line for song in SONGS for line in (*lines(decide_song(take, setups, song)), "")) + "\n"
    (tmp_path / GOLDEN.name).write_text(text, encoding="utf-8")
    assert text == GOLDEN.read_text(encoding="utf-8"), f"if that is meant, take {tmp_path / GOLDEN.name} over"
