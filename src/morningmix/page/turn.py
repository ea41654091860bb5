"""Step 3, mix and adjust: the songs as they are mixed, and a row for every input to turn it while it plays."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from markupsafe import Markup  # noqa: TID251

from morningmix.commands.last_time import since_last_time, songs_before
from morningmix.commands.listen import Heard
from morningmix.commands.live import LiveSong
from morningmix.commands.order import settings_of
from morningmix.commands.pairs import Song as MixedSong
from morningmix.errors import UsageError
from morningmix.files.move_edit import with_stretch
from morningmix.files.notes import notes_in, without_note
from morningmix.files.recall import Settings
from morningmix.files.recipe import band_of
from morningmix.files.recipe_edit import PARTS, RANGES_DB, Key, turn
from morningmix.files.recipe_tables import checked_file
from morningmix.files.song_edit import with_new_song
from morningmix.files.toml_lines import parse
from morningmix.model.band import NOTHING_USUAL, Band
from morningmix.model.names import means, plain
from morningmix.model.plan import FAMILIES
from morningmix.model.recipe import FamilyWish, InputWish, Recipe, SongInputWish, SongNote, SongWish
from morningmix.page import live, weeks, wishes
from morningmix.page.asked import Asked
from morningmix.page.rehearsal import Rehearsal
from morningmix.page.songs import ridge_of
from morningmix.report.numbers import RIDGES
from morningmix.report.templates import render
from morningmix.report.words import count, loudness_in_words, minutes
from morningmix.units import clock

_WIDE_DB = 12.0
"""How far a level can be turned on the page; the recipe allows more (design choice)."""
_DENSE_DB = 0.75
"""Limiting from which on the file differs audibly from what the page plays (design choice)."""
SCOPES = ("every song", "one song", "one part")
"""What a turn is for, by its number."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Song:
    """One song on the page."""

    number: int
    title: str
    seconds: float
    hills: Markup
    state: str
    """Whether it is mixed, in words."""
    mixed: str
    """Tells the mix in its place from others; "" where there is none."""
    as_mixed: bool
    before: bool
    parts: Sequence[tuple[str, str, float, float, float]]
    """What has a level of its own in one part: name, in words, from and to (s), and dB."""
    since: str
    """How it differs from the last time it was played; "" for nothing."""
    beside_last_time: bool
    """Whether it can be heard at the same beats as the last time."""
    notes: Sequence[tuple[SongNote, bool]]
    """What the band has noted, each with whether it is in the recipe and can be ticked off there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What can be turned: an input, or a whole family."""

    key: str
    """Tells it from the others in names of the page's elements."""
    name: str
    family: str
    whole: bool
    player: str = ""


def section(rehearsal: Rehearsal) -> str:
    """The step as HTML."""
    heard, recipe = rehearsal.heard, rehearsal.recipe()
    known = [] if heard is None or recipe is None else live.songs(rehearsal)
    rows = [] if heard is None else _rows(heard)
    sent_back = wishes.kept(rehearsal) if known else []
    before = {} if heard is None else songs_before(rehearsal.home.root, heard.result.weeks[-1].when)
    return render(
        "turn.html",
        package=__package__,
        heard=heard is not None,
        songs=[] if heard is None else [_song(rehearsal, song, sent_back, before) for song in known],
        families=[(family, [row for row in rows if row.family == family]) for family in FAMILIES],
        settings="{}" if recipe is None else json.dumps(_turned(rows, recipe, known)),
        ranges={part: _range(key) for part, key in PARTS.items()},
        all_mixed=bool(known) and all(song.as_mixed for song in known),
        none_mixed=not any(song.mixed for song in known),
        to_mix=sum(not song.as_mixed for song in known),
        practice=any(song.mixed.settings.practice for song in known if song.mixed),
        players=heard is not None and any(input_.wish.player for _, input_ in heard.inputs),
        ridges=RIDGES,
        count=count,
        clock=clock,
        minutes=minutes,
    )


def _range(key: Key) -> tuple[float, float]:
    low, high = RANGES_DB[key]
    return max(low, -_WIDE_DB), min(high, _WIDE_DB)


def _song(
    rehearsal: Rehearsal, song: LiveSong, sent_back: Sequence[wishes.Kept], before: Mapping[str, MixedSong]
) -> Song:
    heard, recipe, text = rehearsal.all_heard(), rehearsal.recipe(), rehearsal.changes.text() or ""
    take = next(take for take in heard.takes if take.analysed.take.folder == song.analysed.take.folder)
    listed = _listed(song, recipe)
    state = "not mixed yet"
    now = MixedSong(folder=song.mix.parent, recall=song.mixed) if song.mix and song.mixed else None
    if song.mixed is not None:
        loudness = loudness_in_words(song.mixed.mix.integrated_lufs)
        state = loudness if song.as_mixed else "mixed, but not as the recipe says now"
        if song.limiting_db > _DENSE_DB:
            state += "; its peaks are held down a good deal, so the file sounds denser than what you hear here"
    return Song(
        number=song.number,
        title=song.plan.title,
        seconds=song.plan.end_s - song.plan.start_s,
        hills=ridge_of(take, song.plan.start_s, song.plan.end_s),
        state=state,
        mixed=song.mixed.mix_id if song.mixed else "",
        as_mixed=song.as_mixed,
        before=song.before is not None,
        parts=[
            (move.name, f"{in_words(move.level_db)} from {clock(move.from_s)} to {clock(move.to_s)}", *times)
            for move in (listed.moves if listed else ())
            for times in [(move.from_s, move.to_s, move.level_db)]
        ],
        since=since_last_time(before, now),
        beside_last_time=now is not None and weeks.last_time(before, now) is not None,
        notes=_notes(song.plan.title, text, sent_back),
    )


def _notes(title: str, text: str, sent_back: Sequence[wishes.Kept]) -> list[tuple[SongNote, bool]]:
    found = [(note, True) for note in notes_in(text, title)]
    found += [(note, False) for note in wishes.notes_of(sent_back, title)]
    return sorted(found, key=lambda one: one[0].at_s)


def _rows(heard: Heard) -> list[Row]:
    inputs = [
        Row(key=str(place), name=input_.name, family=input_.preset.family, whole=False, player=input_.wish.player or "")
        for place, (_, input_) in enumerate(heard.inputs)
        if input_.preset.family and not input_.facts.silent
    ]
    taken = {plain(row.name) for row in inputs}
    wholes = [
        Row(key=family, name=family, family=family, whole=True)
        for family in FAMILIES
        if plain(family) not in taken and sum(row.family == family for row in inputs) > 1
    ]
    return [*wholes, *inputs]


def _listed(song: LiveSong, recipe: Recipe | None) -> SongWish | None:
    """What the recipe says of a song; None where it lists none for its take."""
    names = song.analysed.take_names
    of_take = [
        wish
        for wish in (recipe.songs if recipe else ())
        if wish.keep and (wish.take is None or means(wish.take, song.analysed.take.name, names))
    ]
    return next((wish for wish in of_take if wish.title == song.plan.title), None)


Values = dict[str, float]


def _turned(rows: Sequence[Row], recipe: Recipe, known: Sequence[LiveSong]) -> dict[str, dict[str, Values]]:
    """What every row is set to: for every song under "all", then for each song by its number."""
    found = {"all": _values(rows, recipe.inputs, recipe.families)}
    for song in known:
        listed = _listed(song, recipe)
        found[str(song.number)] = _values(rows, listed.inputs, listed.families) if listed else {}
    return found


def _values(
    rows: Sequence[Row], inputs: Sequence[InputWish] | Sequence[SongInputWish], families: Sequence[FamilyWish]
) -> dict[str, Values]:
    found: dict[str, Values] = {}
    for row in rows:
        listed: Sequence[InputWish | SongInputWish | FamilyWish] = families if row.whole else inputs
        wish = next((one for one in listed if plain(_name(one)) == plain(row.name)), None)
        values = {part: getattr(wish, key) for part, key in PARTS.items()} if wish else {}
        if any(values.values()):
            found[row.key] = values
    return found


def _name(wish: InputWish | SongInputWish | FamilyWish) -> str:
    return (wish.called or "") if isinstance(wish, InputWish) else wish.name


def in_words(level_db: float, part: str = "level") -> str:
    """A change of level, tone or room as people say it, then the figure."""
    if part != "level":
        what = {"low": "lows", "high": "highs", "room": "reverb"}[part]
        return f"{what} unchanged" if abs(level_db) < 0.05 else f"{_more(level_db)} {what} ({_signed(level_db)} dB)"
    size = abs(level_db)
    if size < 0.05:
        return "as it is"
    how = "a touch" if size <= 1.0 else "clearly" if size <= 3.0 else "much" if size <= 8.0 else "very much"
    return f"{how} {'louder' if level_db > 0 else 'softer'} ({_signed(level_db)} dB)"


def _more(value_db: float) -> str:
    return "more" if value_db > 0 else "less"


def _signed(value_db: float) -> str:
    return f"{'+' if value_db > 0 else '−'}{abs(value_db):g}"


# ---------------------------------------------------------------- what a person changes


def mix(rehearsal: Rehearsal, asked: Asked) -> str:
    """Mix every song that is not as the recipe says, with files as they were written the last time."""
    settings = _settings_now(rehearsal, live.songs(rehearsal))
    rehearsal.mix(settings.model_copy(update={"practice": asked.flag("practice")}))
    return "Mixing. You can play each song as soon as it is ready."


def _settings_now(rehearsal: Rehearsal, known: Sequence[LiveSong]) -> Settings:
    """How files were written the last time, or else as the order says."""
    return next((song.mixed.settings for song in known if song.mixed), settings_of(rehearsal.order))


def set_level(rehearsal: Rehearsal, asked: Asked) -> str:
    """Set level, low, high or room of an input or a family: in every song, in one, or in one part of one."""
    name, part, scope = asked.text("name"), asked.one_of("part", list(PARTS)), asked.one_of("scope", SCOPES)
    low, high = RANGES_DB[PARTS[part]]
    value = round(asked.number("value", low, high), 1)
    if scope == "every song":
        return rehearsal.change(
            _says(name, part, value),
            lambda text: _set(text, name, PARTS[part], value, usual=band_of(rehearsal.home.recipe, text)),
        )
    song = _song_of(rehearsal, asked)
    title = song.plan.title
    if scope == "one song":
        return rehearsal.change(
            f"{_says(name, part, value)}, in {title} only",
            lambda text: _set(_with_listed(text, song), name, PARTS[part], value, title),
        )
    if part != "level":
        raise UsageError("Only the level can be set for one part of a song.")
    from_s, to_s = round(asked.seconds("from"), 1), round(asked.seconds("to"), 1)
    if to_s < from_s + 0.5:
        raise UsageError("A part must be at least half a second long.")
    return rehearsal.change(
        f"{_says(name, part, value)}, in {title} from {clock(from_s)} to {clock(to_s)}",
        lambda text: with_stretch(_with_listed(text, song), title, (name, from_s, to_s, value)),
    )


def _says(name: str, part: str, value: float) -> str:
    return f"{name}: {in_words(value, part)}"


def _set(text: str, name: str, key: Key, value: float, song: str | None = None, usual: Band = NOTHING_USUAL) -> str:
    _, old, _ = turn(text, name, 0.0, song, key, usual)
    return turn(text, name, value - old, song, key, usual)[0] if round(value - old, 1) else text


def _song_of(rehearsal: Rehearsal, asked: Asked) -> LiveSong:
    number = asked.whole("song", 100_000)
    song = next((song for song in live.songs(rehearsal) if song.number == number), None)
    if song is None:
        raise UsageError("The recipe no longer lists that song. Look again.")
    return song


def _with_listed(text: str, song: LiveSong) -> str:
    """The recipe's text with the song in it, if it only stands for its take so far."""
    plan, several = song.plan, len(song.analysed.take_names) > 1
    take = song.analysed.take.name if several else None
    songs = checked_file(parse(text, "recipe.toml")).song
    if any(one.take is None or means(one.take, take or "", song.analysed.take_names) for one in songs):
        return text
    return with_new_song(text, plan.title, (plan.start_s, math.ceil(plan.end_s * 10.0) / 10.0), take)[0]


def tick_off(rehearsal: Rehearsal, asked: Asked) -> str:
    """Take a note out of the recipe."""
    title = _song_of(rehearsal, asked).plan.title
    note = SongNote(at_s=asked.seconds("at"), who=asked.text("who"), says=asked.text("says"))
    return rehearsal.change(f"Done: {note.says}", lambda text: without_note(text, title, note))


CHANGES: Mapping[str, Callable[[Rehearsal, Asked], str]] = {
    "/mix/done": tick_off,
    "/mix/start": mix,
    "/mix/set": set_level,
}
