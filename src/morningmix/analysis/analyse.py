"""What lies in a folder of raw tracks, measured and understood: names, roles, who sings where, and the recipe."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from morningmix.analysis.cached import cached_alignments, cached_bleed, cached_clicks, cached_desk_mixes
from morningmix.analysis.heard import Heard, each_once
from morningmix.audio.takes import find_takes, pair
from morningmix.bleed.clean import clean_take
from morningmix.bleed.gain_step import detect_gain_step, refine_gain_step, undo_gain_step
from morningmix.bleed.singing import measure_cleaned_singing, measure_singing
from morningmix.decide.bass_pair import line_and_microphone
from morningmix.decide.cleaning import decide_cleaning
from morningmix.decide.roles import GUESSED, choose_lead, guess_no_parts, identify
from morningmix.errors import RecipeError, RecordingsError
from morningmix.files.inputs import find_input_list, merge, read_input_list, spelt_as, wish_of_each
from morningmix.files.presets import load_roles, load_target, role_from_name
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_edit import InputLine, new_recipe
from morningmix.laws.track_power import spans_to_mask
from morningmix.measure.alignment import Pair
from morningmix.measure.band_store import BandStore
from morningmix.measure.take import measure_take
from morningmix.model.input import Input
from morningmix.model.measured import Cleaned, Measurements, Singing
from morningmix.model.names import means, name_as_text
from morningmix.model.plan import Cleaning
from morningmix.model.recipe import Defaults, InputWish, Recipe, SongWish
from morningmix.model.recording import Take
from morningmix.storage.cache import keep_current, take_key
from morningmix.storage.home import Home, output_errors, path_from, refuse_inside
from morningmix.storage.text import write_text_new
from morningmix.units import amplitude_db
from morningmix.workers.progress import Progress, step_progress


def look(source: Path, home: Home) -> tuple[Recipe | None, tuple[Take, ...]]:
    """The recipe, if there is one, and the takes it or the folder `source` means. Writes nothing, not even a lock.

    Raises `RecipeError`, `RecordingsError`, and `UsageError` where home would lie among the raw tracks.
    """
    recipe = read_recipe(home.recipe) if home.recipe.exists() else None
    if source.is_dir():
        if recipe is not None and not (recipe.tracks.exists() and recipe.tracks.samefile(source)):
            raise RecipeError(
                f"{home.recipe} mixes the tracks in {recipe.tracks}, not those in {source}. "
                "Name another place with --out, or change its tracks line."
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
    """A song must say which take it is in where there are several, and that one must be there."""
    names = [take.name for take in takes]
    if song.take is None and len(takes) > 1:
        raise RecipeError(f'The song "{song.title}" does not say which take it is in. Add take = "{names[0]}" to it.')
    if song.take is not None and not any(means(song.take, name, names) for name in names):
        raise RecipeError(
            f'The song "{song.title}" is in a take "{song.take}", which is not there. There are: {", ".join(names)}.'
        )


def listen(
    source: Path,
    home: Home,
    workers: int,
    progress: Progress,
    *,
    write_recipe: bool = True,
    take_bleed_out: bool = True,
) -> tuple[Heard, ...]:
    """Read, measure and name the takes, and see to it that there is a recipe (but for `write_recipe` being False).

    Without `take_bleed_out` it is much faster, and good for anything but mixing: microphones are clean only where a mix
    has cleaned them before. `source` is the folder or the recipe, absolute. Raises `RecipeError`, `RecordingsError`,
    `OutputError`.
    """
    recipe, takes = look(source, home)
    tracks = source if recipe is None or source.is_dir() else recipe.tracks
    list_path = find_input_list(tracks, home.root)
    names = read_input_list(list_path) if list_path else ()
    takes = tuple(_paired(take, _wishes(recipe, names, take)) for take in takes)
    seconds = sum(take.duration_s * len(take.recordings) for take in takes)
    told = step_progress(progress, "listening to the tracks", seconds)
    measured = [measure_take(take, home.cache, workers, told) for take in takes]
    for take, (_, store) in zip(takes, measured, strict=True):
        keep_current(home.cache, take_key(take.folder), store.sources)
    cleaned_s = step_progress(progress, "taking the bleed out", sum(take.duration_s for take in takes))

    def understand(recipe: Recipe | None) -> list[_Understood]:
        def wishes_of(take: Take) -> dict[tuple[str, ...], InputWish]:
            wishes = _wishes(recipe, names, take)
            return wish_of_each(
                (one.files for one in take.recordings), wishes, recipe.defaults if recipe else Defaults()
            )

        def clean(take: Take, store: BandStore, one: Cleaning) -> dict[int, Cleaned]:
            return clean_take(take, store, one, home.cache, workers, cleaned_s, only_cached=not take_bleed_out)

        return [
            _understand(take, facts, store, wishes_of(take), partial(clean, take, store), home.cache)
            for take, (facts, store) in zip(takes, measured, strict=True)
        ]

    heard = understand(recipe)
    is_new = recipe is None
    title = name_as_text(tracks.name) or "Rehearsal"
    if recipe is None and not write_recipe:
        recipe = Recipe(path=None, tracks=tracks, title=title, target=load_target("demo"))
    elif recipe is None:
        lines = [_line(one) for one in each_once(takes, [inputs for inputs, *_ in heard])]
        text = new_recipe(tracks=path_from(tracks, home.root), title=title, inputs=lines)
        with output_errors(home.root):
            home.root.mkdir(parents=True, exist_ok=True)
        write_text_new(home.recipe, text)
        recipe = read_recipe(home.recipe)
        # From here on all that counts is what the recipe says, as it will next time.
        heard = understand(recipe)
    _refuse_missing(recipe, takes)
    recipe = replace(recipe, input_list=list_path)
    return tuple(
        Heard(
            home=home,
            recipe=recipe,
            recipe_is_new=is_new,
            take=take,
            take_names=tuple(one.name for one in takes),
            measured=replace(facts, tracks=tuple(one.facts for one in inputs)),
            store=store,
            inputs=inputs,
            singing=singing,
            cleaning=cleaning,
        )
        for take, (facts, store), (inputs, singing, cleaning) in zip(takes, measured, heard, strict=True)
    )


def _wishes(recipe: Recipe | None, list_inputs: Sequence[InputWish], take: Take) -> tuple[InputWish, ...]:
    """What recipe and input list say of a take's inputs."""
    present = [name for recording in take.recordings for name in recording.files]
    return merge(recipe.inputs if recipe else (), spelt_as(list_inputs, present))


def _paired(take: Take, wishes: Sequence[InputWish]) -> Take:
    """Stereo pairs in two files, as recipe or input list ask for them."""
    present = {name for recording in take.recordings for name in recording.files}
    for wish in wishes:
        if len(wish.files) == 2 and set(wish.files) <= present:
            take = pair(take, (wish.files[0], wish.files[1]))
    return take


def _refuse_missing(recipe: Recipe, takes: Sequence[Take]) -> None:
    present = {name for take in takes for recording in take.recordings for name in recording.files}
    missing = [name for wish in recipe.inputs for name in wish.files if name not in present]
    if missing:
        left_out = next((says for take in takes for says in take.left_out if missing[0] in says), None)
        raise RecordingsError(
            left_out
            or f"The recipe names {missing[0]}, which is not in {recipe.tracks}. "
            "Put the file back, or take its [[input]] out of the recipe."
        )


_Understood = tuple[tuple[Input, ...], dict[int, Singing | None], Cleaning | None]


def _understand(
    take: Take,
    measured: Measurements,
    store: BandStore,
    wishes: Mapping[tuple[str, ...], InputWish],
    clean: Callable[[Cleaning], dict[int, Cleaned]],
    cache: Path,
) -> _Understood:
    """Roles, the microphones without their bleed, and where the people at them sing."""
    roles = load_roles()
    name_says = partial(role_from_name, roles=roles)
    inputs = identify(take.recordings, measured, wishes, roles, name_says)
    # Only where nobody has said a role yet, not even as a guess.
    unknown = [one.index for one in inputs if one.role_source == GUESSED and one.wish.role is None]
    if unknown:
        no_mix = [one.index for one in inputs if one.role != "desk mix"]
        no_parts = guess_no_parts(
            cached_desk_mixes(take, measured, store, no_mix, cache),
            cached_clicks(take, measured, store, unknown, cache),
        )
        inputs = identify(take.recordings, measured, wishes, roles, name_says, no_parts)
    inputs = tuple(_without_feedback(one, measured.slot_s) for one in inputs)
    playing = [one for one in inputs if one.preset.family and not one.facts.silent]
    targets = [one.index for one in playing if one.preset.cleaned]
    others = [one.index for one in playing if one.index not in targets]
    bleed = cached_bleed(take, store, targets, others, cache)
    gain_steps = {index: found for index in targets if (found := detect_gain_step(bleed.get(index))) is not None}
    if gain_steps:
        # What was learnt from two gains at once is worth little: bring them back and listen again.
        bleed = cached_bleed(take, replace(store, gain_steps=tuple(gain_steps.items())), targets, others, cache)
        gain_steps = {index: refine_gain_step(found, bleed.get(index)) for index, found in gain_steps.items()}
    cleaning = decide_cleaning(playing, gain_steps)
    cleaned = clean(cleaning) if cleaning else {}
    singing = {
        index: measure_cleaned_singing(cleaned[index]) if index in cleaned else measure_singing(bleed.get(index))
        for index in targets
    }
    aligned = cached_alignments(take, measured, store, _pairs(playing), cache)
    inputs = tuple(_without_bleed(one, cleaned.get(one.index), measured.slot_s) for one in inputs)
    inputs = tuple(
        replace(
            one,
            facts=undo_gain_step(one.facts, gain_steps.get(one.index), measured.slot_s),
            alignment=aligned.get(one.index),
            gain_step=gain_steps.get(one.index),
        )
        for one in inputs
    )
    return choose_lead(inputs, _sings_alone_s(inputs, singing, measured), roles), singing, cleaning


def _without_bleed(one: Input, cleaned: Cleaned | None, slot_s: float) -> Input:
    """The input with the slots of its cleaned sound; pops and howls are left out of them again."""
    if cleaned is None:
        return one
    spans = [*one.facts.pops_s, *((howl.start_s, howl.end_s) for howl in one.facts.feedback)]
    facts = replace(one.facts, slots=cleaned.slots.without(_touched(spans, slot_s)))
    return replace(one, facts=facts, cleaned=cleaned, recorded=one.facts.slots)


def _touched(spans: Sequence[tuple[float, float]], slot_s: float) -> set[int]:
    return {slot for start, end in spans for slot in range(int(start / slot_s), int(end / slot_s) + 1)}


def _without_feedback(one: Input, slot_s: float) -> Input:
    """Slots without feedback in voice and brass microphones; elsewhere a steady tone is taken to be meant."""
    if not one.facts.feedback:
        return one
    if not one.preset.cleaned:
        return replace(one, facts=replace(one.facts, feedback=()))
    slots = one.facts.slots.without(_touched([(howl.start_s, howl.end_s) for howl in one.facts.feedback], slot_s))
    peak_dbfs = amplitude_db(float(slots.peaks.max(initial=0.0)))
    return replace(one, facts=replace(one.facts, slots=slots, peak_dbfs=peak_dbfs))


def _pairs(playing: Sequence[Input]) -> list[Pair]:
    """Kick and snare with the first overhead, a bass's line with its microphone."""
    overhead = next((one for one in playing if one.role == "overhead"), None)
    pairs = [
        (one.index, overhead.index, one.role, "the overhead")
        for one in playing
        if overhead and one.role in ("kick", "snare")
    ]
    bass = line_and_microphone(playing)
    if bass is not None:
        line, microphone = bass
        pairs.append((line.index, microphone.index, line.role, microphone.name))
    return pairs


def _sings_alone_s(
    inputs: Sequence[Input], singing: dict[int, Singing | None], measured: Measurements
) -> dict[int, float]:
    """Seconds in which each voice sings and no other does."""
    masks = {
        one.index: spans_to_mask(heard.sings_s, measured.slots, measured.slot_s)
        for one in inputs
        if one.preset.family == "vocals" and (heard := singing.get(one.index)) is not None
    }
    alone: dict[int, float] = {}
    for index, mask in masks.items():
        others = [other for at, other in masks.items() if at != index]
        by_itself = mask & ~np.any(others, axis=0) if others else mask
        alone[index] = float(np.count_nonzero(by_itself)) * measured.slot_s
    return alone


def _line(one: Input) -> InputLine:
    return InputLine(
        files=one.facts.files,
        name=one.name,
        role=one.role,
        player=one.wish.player,
        guessed=one.role_is_guess,
        note="recorded nothing" if one.facts.silent else None,
    )
