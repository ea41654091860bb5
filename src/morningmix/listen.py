"""What lies in a folder of raw tracks, measured and understood: names, roles, who sings where, and the recipe."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

from morningmix.decide.bass import line_and_microphone
from morningmix.decide.gate import hear_cleaned_singing, hear_singing
from morningmix.decide.repair import decide_repair
from morningmix.decide.roles import GUESSED, choose_lead, guess_no_parts, identify
from morningmix.decide.songs import find_songs
from morningmix.errors import RecipeError, RecordingsError
from morningmix.facts import (
    BleedFacts,
    Cleaned,
    Defaults,
    FoundSong,
    Input,
    InputWish,
    Measurements,
    Recipe,
    Recording,
    Singing,
    SongWish,
    Take,
    TrackFacts,
    Turned,
)
from morningmix.files.inputs import find_input_list, merge, read_input_list
from morningmix.files.presets import load_roles, load_target, role_from_name
from morningmix.files.recipe import read_recipe
from morningmix.files.recipe_text import InputLine, new_recipe
from morningmix.files.text import write_text_new
from morningmix.files.toml_lines import plain
from morningmix.home import Home, output_errors, refuse_inside
from morningmix.laws.grid import on_grid
from morningmix.laws.levels import spans_to_mask
from morningmix.measure.activity import hear_activity
from morningmix.measure.alignment import Pair
from morningmix.measure.clean import clean_take
from morningmix.measure.kept import heard_alignments, heard_bleed, heard_clicks, heard_desk_mixes
from morningmix.measure.spectrum import BandStore
from morningmix.measure.take import measure_take
from morningmix.measure.turned import find_turn, heap_step_db
from morningmix.plan import Cleaning
from morningmix.recordings import find_takes, pair
from morningmix.units import amplitude_db

Progress = Callable[[str, float], None]
"""Told the step and the share of it that is done, 0..1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """A take, measured and understood."""

    home: Home
    recipe: Recipe
    recipe_is_new: bool
    take: Take
    measured: Measurements
    store: BandStore
    inputs: tuple[Input, ...]
    singing: dict[int, Singing | None]
    cleaning: Cleaning | None


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
    names = [take.folder.name for take in takes]
    if song.take is None and len(takes) > 1:
        raise RecipeError(f'The song "{song.title}" does not say which take it is in. Add take = "{names[0]}" to it.')
    if song.take is not None and plain(song.take) not in {plain(name) for name in names}:
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
    takes = tuple(_paired(take, merge(recipe.inputs if recipe else (), names)) for take in takes)
    seconds = sum(take.duration_s * len(take.recordings) for take in takes)
    told = share(progress, "listening to the tracks", seconds)
    measured = [measure_take(take, home.cache, workers, told) for take in takes]
    cleaned_s = share(progress, "taking the bleed out", sum(take.duration_s for take in takes))

    def understand(recipe: Recipe | None) -> list[_Understood]:
        defaults = recipe.defaults if recipe else Defaults()
        wishes = merge(recipe.inputs if recipe else (), names)

        def clean(take: Take, store: BandStore, one: Cleaning) -> dict[int, Cleaned]:
            return clean_take(take, store, one, home.cache, workers, cleaned_s, only_kept=not take_bleed_out)

        return [
            _understand(take, facts, store, wishes, defaults, partial(clean, take, store), home.cache)
            for take, (facts, store) in zip(takes, measured, strict=True)
        ]

    heard = understand(recipe)
    is_new = recipe is None
    if recipe is None and not write_recipe:
        recipe = Recipe(path=None, tracks=tracks, title=tracks.name or "Rehearsal", target=load_target("demo"))
    elif recipe is None:
        lines = [_line(one) for one in _each_once(takes, [inputs for inputs, *_ in heard])]
        text = new_recipe(tracks=path_from(tracks, home.root), title=tracks.name or "Rehearsal", inputs=lines)
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
            measured=replace(facts, tracks=tuple(one.facts for one in inputs)),
            store=store,
            inputs=inputs,
            singing=singing,
            cleaning=cleaning,
        )
        for take, (facts, store), (inputs, singing, cleaning) in zip(takes, measured, heard, strict=True)
    )


def _each_once(takes: Sequence[Take], inputs: Sequence[Sequence[Input]]) -> list[Input]:
    """The inputs of the longest take, then what only others have."""
    longest_first = sorted(range(len(takes)), key=lambda place: -takes[place].frames / takes[place].rate_hz)
    found: dict[tuple[str, ...], Input] = {}
    for place in longest_first:
        for one in inputs[place]:
            found.setdefault(one.facts.files, one)
    return list(found.values())


def all_inputs(heards: Sequence[Heard]) -> tuple[Input, ...]:
    """Every input of a rehearsal once, as it is in its longest take."""
    return tuple(_each_once([one.take for one in heards], [one.inputs for one in heards]))


def listed(heard: Heard) -> tuple[SongWish, ...]:
    """The songs that the recipe lists for a take."""
    name = plain(heard.take.folder.name)
    return tuple(song for song in heard.recipe.songs if song.take is None or plain(song.take) == name)


def hear_songs(heard: Heard) -> tuple[FoundSong, ...]:
    """Where the songs of the take begin and end, and what was put aside."""
    families = ["" if one.facts.silent else one.preset.family for one in heard.inputs]
    return find_songs(hear_activity(heard.store, families), families)


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
    wishes: Sequence[InputWish],
    defaults: Defaults,
    clean: Callable[[Cleaning], dict[int, Cleaned]],
    cache: Path,
) -> _Understood:
    """Roles, the microphones without their bleed, and where the people at them sing."""
    roles = load_roles()
    by_files = {recording.files: _wish_of(recording, wishes) for recording in take.recordings}
    name_says = partial(role_from_name, roles=roles)
    inputs = identify(take.recordings, measured, by_files, roles, name_says)
    # Only where nobody has said a role yet, not even as a guess.
    unknown = [one.index for one in inputs if one.role_source == GUESSED and one.wish.role is None]
    if unknown:
        no_mix = [one.index for one in inputs if one.role != "desk mix"]
        no_parts = guess_no_parts(
            heard_desk_mixes(take, measured, store, no_mix, cache), heard_clicks(take, measured, store, unknown, cache)
        )
        inputs = identify(take.recordings, measured, by_files, roles, name_says, no_parts)
    inputs = tuple(_without_howls(one, measured.slot_s) for one in inputs)
    playing = [one for one in inputs if one.preset.family and not one.facts.silent]
    ears = [one.index for one in playing if one.preset.gate_floor_db is not None]
    others = [one.index for one in playing if one.index not in ears]
    bleed = heard_bleed(store, ears, others, cache)
    turned = {index: found for index in ears if (found := _turn(bleed.get(index))) is not None}
    if turned:
        # What was learnt from two gains at once is worth little: bring them back and listen again.
        bleed = heard_bleed(replace(store, turned=tuple(turned.items())), ears, others, cache)
        turned = {index: _refined(found, bleed.get(index)) for index, found in turned.items()}
    cleaning = _cleaning(playing, turned, defaults)
    cleaned = clean(cleaning) if cleaning else {}
    singing = {
        index: hear_cleaned_singing(cleaned[index]) if index in cleaned else hear_singing(bleed.get(index))
        for index in ears
    }
    aligned = heard_alignments(take, measured, store, _pairs(playing), cache)
    inputs = tuple(_without_bleed(one, cleaned.get(one.index), measured.slot_s) for one in inputs)
    inputs = tuple(
        replace(
            one,
            facts=_brought_back(one.facts, turned.get(one.index), measured.slot_s),
            alignment=aligned.get(one.index),
            turned=turned.get(one.index),
        )
        for one in inputs
    )
    return choose_lead(inputs, _sings_alone_s(inputs, singing, measured), roles), singing, cleaning


def _cleaning(playing: Sequence[Input], turned: Mapping[int, Turned], defaults: Defaults) -> Cleaning | None:
    """Microphones in front of people are cleaned unless somebody says otherwise; everything that plays helps."""
    methods = {one.index: one.wish.bleed or defaults.bleed for one in playing if one.preset.gate_floor_db is not None}
    ears = tuple((index, method == "full") for index, method in methods.items() if method in ("full", "mask"))
    if not ears or len(playing) < 2:
        return None
    clipped = [(one.index, decide_repair(one, defaults)[0]) for one in playing if one.index in dict(ears)]
    cleaning = Cleaning(
        ears=ears,
        repaired=tuple((index, longest_s) for index, longest_s in clipped if longest_s),
        references=tuple(one.index for one in playing),
        turned=tuple((index, one.at_s, one.step_db) for index, one in turned.items()),
    )
    return on_grid(cleaning)


def _without_bleed(one: Input, cleaned: Cleaned | None, slot_s: float) -> Input:
    """The input with the slots of its cleaned sound; pops and howls are left out of them again."""
    if cleaned is None:
        return one
    spans = [*one.facts.pops_s, *((howl.start_s, howl.end_s) for howl in one.facts.howls)]
    facts = replace(one.facts, slots=cleaned.slots.without(_touched(spans, slot_s)))
    return replace(one, facts=facts, cleaned=cleaned, recorded=one.facts.slots)


def _touched(spans: Sequence[tuple[float, float]], slot_s: float) -> set[int]:
    return {slot for start, end in spans for slot in range(int(start / slot_s), int(end / slot_s) + 1)}


def _without_howls(one: Input, slot_s: float) -> Input:
    """Slots without feedback in voice and brass microphones; elsewhere a steady tone is taken to be meant."""
    if not one.facts.howls:
        return one
    if one.preset.gate_floor_db is None:
        return replace(one, facts=replace(one.facts, howls=()))
    slots = one.facts.slots.without(_touched([(howl.start_s, howl.end_s) for howl in one.facts.howls], slot_s))
    peak_dbfs = amplitude_db(float(slots.peaks.max(initial=0.0)))
    return replace(one, facts=replace(one.facts, slots=slots, peak_dbfs=peak_dbfs))


def _turn(bleed: BleedFacts | None) -> Turned | None:
    if bleed is None:
        return None
    return find_turn(bleed.excess_db, bleed.hop_s) or find_turn(bleed.excess_of_instruments_db, bleed.hop_s)


def _refined(turned: Turned, bleed: BleedFacts | None) -> Turned:
    """What was still missing, now that the bleed is learnt from one gain."""
    if bleed is None:
        return turned
    rest_db = heap_step_db(bleed.excess_db, round(turned.at_s / bleed.hop_s))
    return replace(turned, step_db=round(turned.step_db + rest_db, 1))


def _brought_back(facts: TrackFacts, turned: Turned | None, slot_s: float) -> TrackFacts:
    """Slots as if the gain had never been turned; what was recorded (peak, clipping) stays as it was."""
    if turned is None:
        return facts
    gain = np.ones(len(facts.slots), np.float32)
    gain[round(turned.at_s / slot_s) :] = 10.0 ** (-turned.step_db / 20.0)
    return replace(facts, slots=facts.slots.scaled(gain))


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


def _wish_of(recording: Recording, wishes: Sequence[InputWish]) -> InputWish:
    files = {name.casefold() for name in recording.files}
    found = next((wish for wish in wishes if {name.casefold() for name in wish.files} & files), None)
    return found or InputWish(files=recording.files)


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


def path_from(folder: Path, start: Path) -> str:
    """`folder` as seen from `start`, with forward slashes; absolute where the system knows no way."""
    try:
        return Path(os.path.relpath(folder, start)).as_posix()
    except ValueError:
        return folder.as_posix()


def share(progress: Progress, step: str, total: float) -> Callable[[float], None]:
    """Turns seconds of sound done into the share of a step."""
    done = 0.0

    def told(seconds: float) -> None:
        nonlocal done
        done += seconds
        progress(step, min(1.0, done / total) if total > 0.0 else 1.0)

    return told
