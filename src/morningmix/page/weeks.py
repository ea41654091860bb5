"""A song beside the last time it was played: the page that `compare` writes, in a tab of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from starlette.requests import Request  # noqa: TID251
from starlette.responses import HTMLResponse, Response  # noqa: TID251

from morningmix.commands.compare import compared
from morningmix.commands.hear_both import page_of
from morningmix.commands.last_time import songs_before
from morningmix.commands.pairs import Song
from morningmix.commands.version import title_key
from morningmix.errors import MorningmixError, UsageError
from morningmix.page import live
from morningmix.page.rehearsal import Rehearsal
from morningmix.report.templates import render

_POLICY = (
    "default-src 'none'; script-src 'unsafe-inline'; style-src 'unsafe-inline'; img-src data:; media-src blob:; "
    "form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
"""The page stands alone: its own policy says by a hash which script it runs."""


def last_time(before: Mapping[str, Song], now: Song) -> Song | None:
    """The song as it was played the last time; None where the beats of either are not known."""
    then = before.get(title_key(now.recall.title))
    return then if then is not None and then.beats is not None and now.beats is not None else None


def page(rehearsal: Rehearsal, request: Request) -> Response:
    """The page of a song, or one that says what is in the way."""
    try:
        return HTMLResponse(_page(rehearsal, request.path_params["song"]), headers={"Content-Security-Policy": _POLICY})
    except MorningmixError as error:
        problem = render("problem.html", package=__package__, problem=str(error))
        return HTMLResponse(problem, status_code=422)


def _page(rehearsal: Rehearsal, number: int) -> str:
    song = next((song for song in live.songs(rehearsal) if song.number == number), None)
    if song is None or song.mix is None or song.mixed is None:
        raise UsageError("This song is not mixed yet. Mix it first, then compare it with last time.")
    now = Song(folder=song.mix.parent, recall=song.mixed)
    before = songs_before(rehearsal.home.root, rehearsal.all_heard().result.weeks[-1].when)
    then = last_time(before, now)
    text = None if then is None else page_of(compared(then, now))
    if text is None:
        raise UsageError("This song and the one from last time could not be matched beat for beat.")
    return text


ANSWERS: Mapping[str, Callable[[Rehearsal, Request], Response]] = {"/weeks/{song:int}": page}
