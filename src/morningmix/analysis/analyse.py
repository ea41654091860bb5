"""From a folder of raw tracks to inputs with names, roles and measurements, and the recipe."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from morningmix.analysis.analysed import AnalysedTake, each_once
from morningmix.analysis.cached import (
    cached_alignments,
    cached_bleed,
    cached_clicks,
    cached_desk_mixes,
    cached_each,
    cached_feedback,
)
from morningmix.audio.takes import find_takes, pair
from morningmix.bleed.gain_step import detect_gain_step, refine_gain_step, undo_gain_step
from morningmix.bleed.singing import holds_own_sound, measure_singing
from morningmix.decide.acoustic_feedback import may_feed_back, with_feedback
from morningmix.decide.align import pairs_to_align
from morningmix.decide.cleaning import decide_cleaning
from morningmix.decide.roles import GUESSED, choose_lead, guess_no_parts, identify, sings_alone_s
from morningmix.decide.unplayed import unplayed
from morningmix.errors import RecipeError, RecordingsError
from morningmix.files.band import NAMES, read_band
from morningmix.files.new_recipe import InputLine, new_recipe
from morningmix.files.presets import load_roles, load_target, role_from_name
from morningmix.files.recipe import read_recipe, wish_of_each, wishes_in
from morningmix.measure.band_store import BandStore
from morningmix.measure.take import measure_take, measuring_cost
from morningmix.model.band import Band
from morningmix.model.input import Input
from morningmix.model.measured import AcousticFeedback, BleedFacts, GainStep, Measurements, Singing
from morningmix.model.names import means, name_as_text
from morningmix.model.plan import Cleaning
from morningmix.model.recipe import Defaults, InputWish, Recipe, SongWish
from morningmix.model.recording import Take
from morningmix.storage.cache import keep_current, take_key
from morningmix.storage.home import Home, output_errors, path_from, refuse_inside
from morningmix.storage.text import write_text_new
from morningmix.units import amplitude_db
from morningmix.workers.jobs import Job, Lane

_COMPARING_COST, _COMPARISONS = 0.002, 4
"""Seconds of one core per second of a take (measured), and how often inputs are compared."""
_FEEDBACK_COST, _FEEDBACK_SHARE = 0.0014, 0.5
"""Seconds of one core per second of an input (measured), and in about what share of the inputs it is looked for."""


def look(source: Path, home: Home) -> tuple[Recipe | None, tuple[Take, ...]]:
    """The recipe, if there is one, and the takes that it or the folder `source` means. Writes nothing, not even a lock.

    Raises `RecipeError`, `RecordingsError`, and `UsageError` if the mix folder would lie among the raw tracks.
    """
    recipe = read_recipe(home.recipe) if home.recipe.exists() else None
    if source.is_dir():
        if recipe is not None and not (recipe.tracks.exists() and recipe.tracks.samefile(source)):
            raise RecipeError(
                f"{home.recipe} mixes the tracks in {recipe.tracks}, not those in {source}. "
                "Choose another folder with --out, or change its tracks line."
            )
        tracks = source
    else:
        assert recipe is not None
        tracks = recipe.tracks
    refuse_inside(home, tracks)
    takes = find_takes(tracks)
    for song in recipe.songs if recipe else ():
        _refuse_lost(song, takes)
    return recipe, takes


def _refuse_lost(song: SongWish, takes: Sequence[Take]) -> None:
    """Raise where a song does not say which of several takes it is in, or names one that is not there."""
    names = [take.name for take in takes]
    if song.take is None and len(takes) > 1:
        raise RecipeError(f'The song "{song.title}" does not say which take it is in. Add take = "{names[0]}" to it.')
    if song.take is not None and not any(means(song.take, name, names) for name in names):
        raise RecipeError(
            f'The song "{song.title}" names the take "{song.take}", which does not exist. '
            f"The takes are: {', '.join(names)}."
        )


def analyse(
    source: Path, home: Home, lane: Lane, *, write_recipe: bool = True, later_cost: float = 0.0, hashes: bool = False
) -> tuple[AnalysedTake, ...]:
    """Read, measure and name the takes, and see to it that there is a recipe (but for `write_recipe` being False).

    Microphones still have their bleed: `analysis.kept` cleans what is kept. `source` is the folder or the recipe,
    absolute. `later_cost` is what comes after it, in seconds of one core per second of a take, for the progress;
    `hashes` as for `measure_take`. Raises `RecipeError`, `RecordingsError`, `OutputError`.
    """
    recipe, takes = look(source, home)
    comparing_cost = _COMPARISONS * _COMPARING_COST + later_cost
    lane.run.meter.expect(
        sum(
            sum(measuring_cost(take, recording) for recording in take.recordings)
            + take.duration_s * (_FEEDBACK_SHARE * _FEEDBACK_COST * len(take.recordings) + comparing_cost)
            for take in takes
        )
    )
    tracks = source if recipe is None or source.is_dir() else recipe.tracks
    band = read_band(tracks, home.root) if recipe is None else recipe.usual
    takes = tuple(_paired(take, wishes_in(recipe, band, _files(take))) for take in takes)
    measured = _measure(takes, home.cache, lane, hashes=hashes)

    def understand(recipe: Recipe | None) -> list[_Understood]:
        return [_understand(of, _wish_of_each(recipe, band, of.take), lane) for of in measured]

    understood = understand(recipe)
    is_new = recipe is None
    if recipe is None and not write_recipe:
        recipe = Recipe(path=None, tracks=tracks, title=_title(tracks), target=load_target("demo"), usual=band)
    elif recipe is None:
        recipe = _write_recipe(home, tracks, each_once(takes, [take.inputs for take in understood]), band)
        # From here on only the recipe counts, as it will next time; measurements are kept.
        understood = understand(recipe)
    _refuse_missing(recipe, takes)
    return tuple(
        AnalysedTake(
            home=home,
            recipe=recipe,
            recipe_is_new=is_new,
            take=of.take,
            take_names=tuple(take.name for take in takes),
            measured=replace(of.facts, tracks=tuple(input_.facts for input_ in found.inputs)),
            store=of.store,
            inputs=found.inputs,
            singing=found.singing,
            cleaning=found.cleaning,
        )
        for of, found in zip(measured, understood, strict=True)
    )


def with_settings(analysed_takes: Sequence[AnalysedTake], recipe: Recipe) -> tuple[AnalysedTake, ...]:
    """The takes with what a recipe sets now, whose names and roles are those they were measured with."""

    def with_wishes(analysed: AnalysedTake) -> AnalysedTake:
        wishes = _wish_of_each(recipe, recipe.usual, analysed.take)
        inputs = tuple(replace(input_, wish=wishes[input_.facts.files]) for input_ in analysed.inputs)
        return replace(analysed, recipe=recipe, inputs=inputs)

    return tuple(map(with_wishes, analysed_takes))


@dataclass(frozen=True, slots=True, kw_only=True)
class _MeasuredTake:
    """A take after the first reading, and where its other measurements are stored."""

    take: Take
    facts: Measurements
    store: BandStore
    cache: Path


def _measure(takes: Sequence[Take], cache: Path, lane: Lane, *, hashes: bool) -> list[_MeasuredTake]:
    lane.run.meter.step("listening to every input")
    measured = []
    for take in takes:
        facts, store = measure_take(take, cache, lane, hashes=hashes)
        measured.append(_MeasuredTake(take=take, facts=facts, store=store, cache=cache))
    for of in measured:
        keep_current(cache, take_key(of.take.folder), of.store.sources)
    return measured


def _title(tracks: Path) -> str:
    return name_as_text(tracks.name) or "Rehearsal"


def _write_recipe(home: Home, tracks: Path, inputs: Sequence[Input], band: Band) -> Recipe:
    lines = [_line(input_) for input_ in inputs]
    text = new_recipe(tracks=path_from(tracks, home.root), title=_title(tracks), inputs=lines, band=band)
    with output_errors(home.root):
        home.root.mkdir(parents=True, exist_ok=True)
    write_text_new(home.recipe, text)
    return read_recipe(home.recipe)


def _files(take: Take) -> list[str]:
    return [name for recording in take.recordings for name in recording.files]


def _wish_of_each(recipe: Recipe | None, band: Band, take: Take) -> dict[tuple[str, ...], InputWish]:
    """Settings of every input of a take, defaults filled in, by its files."""
    defaults = recipe.defaults if recipe else Defaults()
    return wish_of_each(
        (recording.files for recording in take.recordings), wishes_in(recipe, band, _files(take)), defaults
    )


def _paired(take: Take, wishes: Sequence[InputWish]) -> Take:
    """The take with two files joined as a stereo pair wherever the recipe or the band asks for it."""
    present = set(_files(take))
    for wish in wishes:
        if len(wish.files) == 2 and set(wish.files) <= present:
            take = pair(take, (wish.files[0], wish.files[1]))
    return take


def _refuse_missing(recipe: Recipe, takes: Sequence[Take]) -> None:
    present = {name for take in takes for name in _files(take)}
    missing = [name for wish in recipe.inputs for name in wish.files if name not in present]
    if missing:
        left_out = next((says for take in takes for says in take.left_out if missing[0] in says), None)
        raise RecordingsError(
            left_out
            or f"The recipe names {missing[0]}, which is not in {recipe.tracks}. "
            "Put the file back, or remove its [[input]] from the recipe."
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Understood:
    """A take with everything that was found in it."""

    inputs: tuple[Input, ...]
    singing: dict[int, Singing | None]
    cleaning: Cleaning | None


def _understand(of: _MeasuredTake, wishes: Mapping[tuple[str, ...], InputWish], lane: Lane) -> _Understood:
    """Decide what each input is, measure its bleed, and decide what to clean."""
    lane.run.meter.step("finding out who plays what")
    slot_s = of.facts.slot_s
    inputs = _identify(of, wishes, lane)
    playing = [input_ for input_ in inputs if input_.preset.family and not input_.facts.silent]
    targets = [input_.index for input_ in playing if input_.preset.cleaned]
    others = [input_.index for input_ in playing if input_.index not in targets]

    # Drums are in each other's microphones in any case.
    explained = [input_.index for input_ in playing if input_.index in others and input_.preset.family != "drums"]
    in_doubt = [input_.index for input_ in inputs if may_feed_back(input_)]
    bleed, over_others, aligned, *fed_back = lane.all(
        [
            _bleed_job(of, of.store, targets, others),
            _each_job(of, explained, [input_.index for input_ in playing]),
            _comparing_job(of, cached_alignments, pairs_to_align(playing)),
            *(_feedback_job(of, index) for index in in_doubt),
        ]
    )
    inputs = _with_feedback(of, inputs, {at: tones for found in fed_back for at, tones in found.items()}, lane)
    playing = [input_ for input_ in inputs if input_.index in {*targets, *others}]
    bleed, gain_steps = _at_one_gain(of, bleed, targets, others, lane)
    only_bleed = unplayed(playing, {index for index in explained if not holds_own_sound(over_others.get(index))})
    inputs = tuple(replace(input_, only_bleed=input_.index in only_bleed) for input_ in inputs)
    cleaning = decide_cleaning([input_ for input_ in playing if input_.index not in only_bleed], gain_steps)

    singing = {index: measure_singing(bleed.get(index)) for index in targets}
    inputs = tuple(
        replace(
            input_,
            facts=undo_gain_step(input_.facts, gain_steps.get(input_.index), slot_s),
            alignment=aligned.get(input_.index),
            gain_step=gain_steps.get(input_.index),
        )
        for input_ in inputs
    )

    sings_alone = sings_alone_s(inputs, singing, of.facts)
    return _Understood(inputs=choose_lead(inputs, sings_alone, load_roles()), singing=singing, cleaning=cleaning)


def _comparing_job(
    of: _MeasuredTake,
    measure: Callable[[Take, Measurements, BandStore, Sequence[Any], Path], Mapping[int, Any]],
    inputs: Sequence[Any],
) -> Job[Mapping[int, Any]]:
    """Measures unless the cache knows the answer."""
    call = partial(measure, of.take, of.facts, of.store, inputs, of.cache)
    return Job(what="compare inputs", call=call, cost=_COMPARING_COST * of.take.duration_s)


def _identify(of: _MeasuredTake, wishes: Mapping[tuple[str, ...], InputWish], lane: Lane) -> tuple[Input, ...]:
    """Names and roles: as written, as the file names say, or guessed from the sound."""
    roles = load_roles()
    name_says = partial(role_from_name, roles=roles)
    inputs = identify(of.take.recordings, of.facts, wishes, roles, name_says)
    # Only where no role is written, not even as a guess.
    unknown = [input_.index for input_ in inputs if input_.role_source == GUESSED and input_.wish.role is None]
    if not unknown:
        return inputs
    no_mix = [input_.index for input_ in inputs if input_.role != "desk mix"]
    no_parts = guess_no_parts(
        *lane.all([_comparing_job(of, cached_desk_mixes, no_mix), _comparing_job(of, cached_clicks, unknown)])
    )
    return identify(of.take.recordings, of.facts, wishes, roles, name_says, no_parts)


def _at_one_gain(
    of: _MeasuredTake, bleed: Mapping[int, BleedFacts], targets: Sequence[int], others: Sequence[int], lane: Lane
) -> tuple[Mapping[int, BleedFacts], dict[int, GainStep]]:
    """The bleed in every microphone without the gains that were turned in mid-take, and these gains."""
    gain_steps = {index: found for index in targets if (found := detect_gain_step(bleed.get(index))) is not None}
    if gain_steps:
        # Bleed learnt from two gains at once is worth little: undo the steps and learn it again.
        bleed = lane.one(_bleed_job(of, replace(of.store, gain_steps=tuple(gain_steps.items())), targets, others))
        gain_steps = {index: refine_gain_step(found, bleed.get(index)) for index, found in gain_steps.items()}
    return bleed, gain_steps


def _bleed_job(
    of: _MeasuredTake, store: BandStore, targets: Sequence[int], others: Sequence[int]
) -> Job[Mapping[int, BleedFacts]]:
    call = partial(cached_bleed, of.take, store, targets, others, of.cache)
    return Job(what="measure bleed", call=call, cost=_COMPARING_COST * of.take.duration_s)


def _each_job(of: _MeasuredTake, explained: Sequence[int], playing: Sequence[int]) -> Job[Mapping[int, BleedFacts]]:
    call = partial(cached_each, of.take, of.store, explained, playing, of.cache)
    return Job(what="compare inputs", call=call, cost=_COMPARING_COST * of.take.duration_s)


def _feedback_job(of: _MeasuredTake, index: int) -> Job[Mapping[int, tuple[AcousticFeedback, ...]]]:
    call = partial(cached_feedback, of.take, of.store, index)
    return Job(what="listen for feedback", call=call, cost=_FEEDBACK_COST * of.take.duration_s)


def _with_feedback(
    of: _MeasuredTake, inputs: Sequence[Input], found: Mapping[int, tuple[AcousticFeedback, ...]], lane: Lane
) -> tuple[Input, ...]:
    """The inputs with the feedback `found`, by index; statistics and peaks leave it out."""
    # The same tone is only looked for in the others where there is one.
    others = [input_.index for input_ in inputs if input_.index not in found and not input_.facts.silent]
    in_others = lane.all([_feedback_job(of, index) for index in others]) if any(found.values()) else []
    tones = {index: of_one for each in (found, *in_others) for index, of_one in each.items()}
    measured = [replace(input_, facts=replace(input_.facts, feedback=tones.get(input_.index, ()))) for input_ in inputs]
    return tuple(_without_feedback(input_, of.facts.slot_s) for input_ in with_feedback(measured))


def touched(spans: Sequence[tuple[float, float]], slot_s: float) -> set[int]:
    """Slots that spans of seconds lie in."""
    return {slot for start, end in spans for slot in range(int(start / slot_s), int(end / slot_s) + 1)}


def _without_feedback(input_: Input, slot_s: float) -> Input:
    """The input with the slots of its feedback left out."""
    if not input_.facts.feedback:
        return input_
    slots = input_.facts.slots.without(touched([(tone.start_s, tone.end_s) for tone in input_.facts.feedback], slot_s))
    peak_dbfs = amplitude_db(float(slots.peaks.max(initial=0.0)))
    return replace(input_, facts=replace(input_.facts, slots=slots, peak_dbfs=peak_dbfs))


def _line(input_: Input) -> InputLine:
    return InputLine(
        files=input_.facts.files,
        name=input_.name,
        role=input_.role,
        player=input_.wish.player,
        guessed=input_.role_is_guess,
        note="recorded nothing" if input_.facts.silent else None,
        usual=tuple(one for one in input_.wish.usual if one.key not in NAMES),
    )
