"""Pages that play a song as it was played twice: a button goes to the same beat of the other time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path

from morningmix.audio.header import read_file
from morningmix.audio.read import read_stretch
from morningmix.commands.compare import Compared
from morningmix.commands.pairs import Song
from morningmix.decide.recognise import is_like, way_through
from morningmix.decide.same_beats import Stretch, in_seconds, same_beats
from morningmix.dsp.meter import LoudnessMeter
from morningmix.errors import UsageError
from morningmix.model.recording import Recording
from morningmix.render.output import file_names
from morningmix.report.words import sentence
from morningmix.share.pieces import cut
from morningmix.share.send import ridges_of
from morningmix.share.weeks_page import Time, weeks_page
from morningmix.storage.home import is_inside, output_errors, path_of, real_place
from morningmix.storage.text import write_text_whole
from morningmix.units import db_to_gain

PAGE = ".weeks.html"
_BLOCK_S = 10.0


def write_pages(songs: Sequence[Compared], folder: Path, note: Callable[[str], None]) -> list[Path]:
    """Write a page for each song into a folder; `note` receives a line about each whose beats do not match.

    Raises `UsageError` where the folder lies among raw tracks, `RecordingsError`, `OutputError`.
    """
    place = real_place(folder)
    for version in (version for song in songs for version in (song.before, song.after)):
        tracks = path_of(version.recall.tracks_folder, version.folder)
        if is_inside(place, tracks):
            raise UsageError(f"{place} is inside the folder with the raw tracks. Choose another folder for the pages.")
    pages: list[Path] = []
    for song, name in zip(songs, file_names([song.title for song in songs]), strict=True):
        text = page_of(song)
        if text is None:
            note(
                f'No page for "{song.title}": its beats in the two mixes could not be matched. '
                "Mix both again. If that does not help, it was played too differently."
            )
            continue
        pages.append(place / f"{name}{PAGE}")
        with output_errors(place):
            place.mkdir(parents=True, exist_ok=True)
        write_text_whole(pages[-1], text)
    return pages


def page_of(song: Compared) -> str | None:
    """The page of a song; None where it is not known which beat of one is which of the other."""
    versions = (song.before, song.after)
    stretches = in_both(*(Song(folder=version.folder, recall=version.recall) for version in versions))
    if not stretches:
        return None
    mixes = [read_file(version.folder / version.recall.mix.file) for version in versions]
    loudness = [_loudness(mix, [(one[0][of], one[-1][of]) for one in stretches]) for of, mix in enumerate(mixes)]
    softer = min((one for one in loudness if one is not None), default=0.0)
    first, second = (
        Time(
            name=name,
            seconds=mix.frames / mix.rate_hz,
            gain=1.0 if lufs is None else db_to_gain(softer - lufs),
            ridges=ridges_of(version.folder, version.recall, version.folder / version.recall.mix.file),
        )
        for version, name, mix, lufs in zip(versions, _names(song), mixes, loudness, strict=True)
    )
    says = " ".join(sentence(words) for words in song.words)
    return weeks_page(song.after.recall.title, (first, second), cut(mixes), stretches, says)


def in_both(before: Song, after: Song) -> list[Stretch]:
    """Parts that two mixes of a song both have, in seconds of the same beat in each; none where that is not known."""
    then, now = before.beats, after.beats
    if then is None or now is None or not is_like(way_through(now[0], then[0])):
        return []
    then_s, now_s = (song.recall.plan.end_s - song.recall.plan.start_s for song in (before, after))
    return in_seconds(same_beats(then[0], now[0]), (then[1], now[1]), (then_s, now_s))


def _names(song: Compared) -> tuple[str, str]:
    """What the two are called: their dates, where these differ."""
    whens = (song.before.when, song.after.when)
    days = [date.fromisoformat(when[:10]) for when in whens if when is not None]
    if len(days) == len(whens) and days[0] != days[1]:
        of_one_year = days[0].year == days[1].year
        then, now = (f"{day.day} {day:%B}{'' if of_one_year else f' {day.year}'}" for day in days)
        return then, now
    return ("last time", "this time") if song.is_later else ("the first mix", "the second mix")


def _loudness(mix: Recording, spans_s: Sequence[tuple[float, float]]) -> float | None:
    """Integrated loudness of parts of a mix, taken together, in LUFS; None where they are silent."""
    meter = LoudnessMeter(mix.rate_hz, mix.channels)
    size = round(_BLOCK_S * mix.rate_hz)
    for from_s, to_s in spans_s:
        first, last = round(from_s * mix.rate_hz), min(mix.frames, round(to_s * mix.rate_hz))
        for start in range(first, last, size):
            meter.update(read_stretch(mix, mix.rate_hz, start, min(start + size, last)))
    return meter.result().integrated_lufs
