"""Clean the microphones of bleed in the songs that are kept."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial

from morningmix.analysis.analyse import touched
from morningmix.analysis.analysed import AnalysedTake, kept_songs
from morningmix.bleed.cleaned import over_take
from morningmix.bleed.gain_step import slots_without_step
from morningmix.bleed.singing import measure_cleaned_singing
from morningmix.bleed.song import clean_song, read_song
from morningmix.bleed.stretch import Stretch, stretches_of
from morningmix.decide.cleaning import cleaning_of
from morningmix.model.input import Input
from morningmix.model.measured import Cleaned, CleanedStretch
from morningmix.storage.cache import entries, remove
from morningmix.workers.jobs import Lane, side_by_side

StretchTimes = tuple[float, float]


def clean_kept(
    analysed_takes: Sequence[AnalysedTake],
    lane: Lane,
    first: Callable[[tuple[AnalysedTake, ...], Lane], None] | None = None,
) -> tuple[AnalysedTake, ...]:
    """The takes with every microphone cleaned in the songs that are kept.

    `first` is called as soon as the first stretch is cleaned, with the takes as they are known then, if there are more.
    Raises `RecordingsError`, `OutputError`, and what `first` raises.
    """
    wanted = _stretches(analysed_takes)
    _remove_others(analysed_takes, [stretch for *_, stretches in wanted for stretch in stretches])
    step = "taking the other instruments out of the vocal and drum mics"
    lane.run.meter.step(step)

    def clean(number: int, lane: Lane) -> dict[int, CleanedStretch]:
        place, times, stretches = wanted[number]
        cleaned = clean_song(stretches, lane)
        if number == 0 and first is not None and len(wanted) > 1:
            first(_with(analysed_takes, [(place, times, cleaned)]), lane)
            lane.run.meter.step(step)
        return cleaned

    cleaned = side_by_side(lane.run, [partial(clean, number) for number in range(len(wanted))], lane.last)
    return _with(analysed_takes, [(place, times, one) for (place, times, _), one in zip(wanted, cleaned, strict=True)])


def with_cached(analysed_takes: Sequence[AnalysedTake]) -> tuple[AnalysedTake, ...]:
    """The takes with every microphone cleaned as far as a mix has cleaned it before."""
    found = [(place, times, read_song(stretches)) for place, times, stretches in _stretches(analysed_takes)]
    if any(one is None for *_, one in found):
        return tuple(analysed_takes)
    return _with(analysed_takes, [(place, times, one) for place, times, one in found if one is not None])


def _stretches(analysed_takes: Sequence[AnalysedTake]) -> list[tuple[int, StretchTimes, tuple[Stretch, ...]]]:
    """What is cleaned: the place of the take, start and end in seconds, each once, in the order of the songs."""
    found: dict[tuple[int, StretchTimes], tuple[Stretch, ...]] = {}
    for _, analysed, song in kept_songs(analysed_takes):
        place = next(place for place, one in enumerate(analysed_takes) if one is analysed)
        cleaning = cleaning_of(analysed.cleaning, song.start_s, song.end_s, analysed.take.duration_s)
        if cleaning is not None and cleaning.stretch_s is not None and (place, cleaning.stretch_s) not in found:
            stretches = stretches_of(analysed.take, analysed.store, cleaning, analysed.home.cache)
            found[place, cleaning.stretch_s] = stretches
    return [(place, times, stretches) for (place, times), stretches in found.items() if stretches]


def _remove_others(analysed_takes: Sequence[AnalysedTake], wanted: Sequence[Stretch]) -> None:
    """Remove what was cleaned for other songs and with other settings: it is large."""
    stems = {stretch.stem for stretch in wanted}
    takes = {stem[0] for stem in stems}
    for entry in entries(analysed_takes[0].home.cache):
        if entry.kind in ("clean", "cleaned") and entry.of[0] in takes and entry.of[:3] not in stems:
            remove(entry.path)


def _with(
    analysed_takes: Sequence[AnalysedTake], found: Sequence[tuple[int, StretchTimes, dict[int, CleanedStretch]]]
) -> tuple[AnalysedTake, ...]:
    return tuple(
        _with_cleaned(analysed, [(times, cleaned) for of, times, cleaned in found if of == place])
        for place, analysed in enumerate(analysed_takes)
    )


def _with_cleaned(
    analysed: AnalysedTake, stretches: Sequence[tuple[StretchTimes, dict[int, CleanedStretch]]]
) -> AnalysedTake:
    """The take, with levels, spectra and singing measured from the cleaned sound."""
    slot_s = analysed.measured.slot_s
    inputs, singing = list(analysed.inputs), dict(analysed.singing)
    for place, input_ in enumerate(inputs):
        mine = []
        for (start_s, end_s), of_stretch in stretches:
            if (found := of_stretch.get(input_.index)) is not None:
                slots = slots_without_step(found.slots, input_.gain_step, slot_s, round(start_s / slot_s))
                mine.append(((start_s, end_s), replace(found, slots=slots)))
        if mine:
            cleaned = over_take(mine, input_.facts.slots, slot_s, analysed.store.hops)
            if input_.preset.cleaned:
                singing[input_.index] = measure_cleaned_singing(cleaned)
            inputs[place] = _without_bleed(input_, cleaned, slot_s)
    return replace(
        analysed,
        inputs=tuple(inputs),
        singing=singing,
        measured=replace(analysed.measured, tracks=tuple(one.facts for one in inputs)),
    )


def _without_bleed(input_: Input, cleaned: Cleaned, slot_s: float) -> Input:
    """The input with the slots of its cleaned sound, again without pops and feedback."""
    spans = [*input_.facts.pops_s, *((tone.start_s, tone.end_s) for tone in input_.facts.feedback)]
    facts = replace(input_.facts, slots=cleaned.slots.without(touched(spans, slot_s)))
    return replace(input_, facts=facts, cleaned=cleaned, recorded=input_.facts.slots)
