"""The tempo of a song, from what is kept of its take."""

from __future__ import annotations

from collections.abc import Sequence

from morningmix.decide.beats import find_tempo
from morningmix.measure.band_store import BandStore
from morningmix.measure.onsets import measure_onsets
from morningmix.model.input import Input
from morningmix.model.tempo import Tempo


def keeping_time(inputs: Sequence[Input]) -> tuple[int, ...]:
    """The inputs that tell a song's beat: drums, else the desk's mix, else everything that plays."""
    played = [input_ for input_ in inputs if not input_.facts.silent and not input_.only_bleed]
    drums = [input_ for input_ in played if input_.preset.family == "drums"]
    desk = [input_ for input_ in played if input_.role == "desk mix"]
    return tuple(input_.index for input_ in drums or desk or [one for one in played if one.preset.family])


def tempo_of(
    store: BandStore, inputs: Sequence[int], start_s: float, end_s: float, usual_bpm: float | None = None
) -> Tempo | None:
    """Tempo and beats between two times of a take, told by these inputs; None where nothing repeats.

    `usual_bpm` as `find_tempo` takes it.
    """
    return find_tempo(measure_onsets(store, inputs, start_s, end_s), usual_bpm)
