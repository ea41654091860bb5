"""The report of a mixed rehearsal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from morningmix.analysis.analysed import AnalysedTake, listed, songs_in
from morningmix.commands.last_time import since_last_time, songs_before
from morningmix.commands.pairs import song_in
from morningmix.commands.plans import Planned
from morningmix.commands.result import Found, Result, recorded_when
from morningmix.files.notes import notes_in
from morningmix.model.found import Boundary, FoundSong
from morningmix.report.contents import Cut, ReportedSong, ReportedTake
from morningmix.report.page import report_page
from morningmix.storage.text import read_text


def report_of(
    analysed_takes: Sequence[AnalysedTake], plans: Sequence[Planned], result: Result, found: Sequence[Found]
) -> str:
    """The page of a mixed rehearsal, as HTML."""
    takes = [
        ReportedTake(
            take=analysed.take,
            measured=analysed.measured,
            inputs=analysed.inputs,
            singing=analysed.singing,
            cuts=_cuts(analysed, [stretch.song for stretch in found if stretch.take == analysed.take.name]),
        )
        for analysed in analysed_takes
    ]
    recipe = analysed_takes[0].recipe.path
    text = read_text(recipe) if recipe is not None and recipe.is_file() else None
    before = songs_before(result.home, recorded_when(analysed_takes))
    return report_page(
        title=analysed_takes[0].recipe.title,
        takes=takes,
        findings=result.findings,
        weeks=result.weeks,
        songs=[
            ReportedSong(
                title=song.title,
                take=next(place for place, each in enumerate(analysed_takes) if each is analysed),
                plan=song.plan,
                master=song.master,
                facts=song.facts,
                loudness_lufs=song.loudness_lufs,
                true_peak_dbtp=song.true_peak_dbtp,
                tempo=song.tempo,
                since=since_last_time(before, song_in(song.folder)),
                notes=[] if text is None else notes_in(text, song.title),
                sound=f"{song.folder.name}/{song.mix.stem}.mp3",
            )
            for (_, analysed, _), song in zip(plans, result.songs, strict=True)
        ],
    )


def _cuts(analysed: AnalysedTake, found: Sequence[FoundSong]) -> list[Cut]:
    """How each listed song was found; boundaries edited by hand count as certain."""
    stretches = listed(analysed)
    if stretches and not found:
        found = songs_in(analysed)

    def found_at(at_s: float, boundaries: Sequence[Boundary]) -> Boundary:
        # Times in recipes are in tenths of a second.
        near = next((boundary for boundary in boundaries if abs(boundary.at_s - at_s) < 0.11), None)
        return replace(near, at_s=at_s) if near else Boundary(at_s=at_s, because="as the recipe says", sure=1.0)

    return [
        Cut(
            title=song.title,
            start=found_at(song.start_s, [each.start for each in found]),
            end=found_at(song.end_s, [each.end for each in found]),
            left_out=None if song.keep else song.reason or "as the recipe says",
        )
        for song in stretches
    ]
