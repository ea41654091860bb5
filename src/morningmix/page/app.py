"""What the server answers: the page, its parts, sound, and what a person changes. All of it thin."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import resources

from markupsafe import Markup  # noqa: TID251
from starlette.applications import Starlette  # noqa: TID251
from starlette.concurrency import run_in_threadpool  # noqa: TID251
from starlette.requests import Request  # noqa: TID251
from starlette.responses import HTMLResponse, JSONResponse, PlainTextResponse, Response, StreamingResponse  # noqa: TID251
from starlette.routing import Route  # noqa: TID251

from morningmix.errors import BusyError, MorningmixError, UsageError, known_error
from morningmix.page import drawer, films, live, send, songs, sound, turn, weeks, who
from morningmix.page.asked import Asked
from morningmix.page.rehearsal import Rehearsal
from morningmix.report.style import CSS
from morningmix.report.templates import render
from morningmix.report.words import count, minutes

STEPS: Mapping[str, tuple[str, Callable[[Rehearsal], str]]] = {
    "who": ("Who plays what", who.section),
    "songs": ("Songs", songs.section),
    "mix": ("Mix and adjust", turn.section),
    "send": ("Send", send.section),
    "films": ("Films", films.section),
}
"""The steps of the page in their order, each with its heading and what makes its HTML."""

PARTS: Mapping[str, Callable[[Rehearsal], str]] = {
    **{name: section for name, (_, section) in STEPS.items()},
    "drawer": drawer.section,
}
"""What a page loads again when something has changed, by the id of its place."""

CHANGES: Mapping[str, Callable[[Rehearsal, Asked], str]] = {
    **who.CHANGES,
    **songs.CHANGES,
    **turn.CHANGES,
    **send.CHANGES,
    **films.CHANGES,
    **drawer.CHANGES,
}
"""What a person changes, by its path; each says in words what it did."""

_ANSWERS = {**live.ANSWERS, **send.ANSWERS, **films.ANSWERS, **weeks.ANSWERS}
_SCRIPTS = ("main", "asking", "left", "player", "who", "songs", "turn", "graph", "send", "films", "picture")
_STATIC = {"page.css": "text/css", **{f"{name}.js": "text/javascript" for name in _SCRIPTS}}


def app_of(rehearsal: Rehearsal) -> Starlette:
    """The application for an open rehearsal."""
    return Starlette(
        routes=[
            Route("/", _answered(rehearsal, _page)),
            Route("/part/{part}", _answered(rehearsal, _part)),
            Route("/sound/take/{take:int}/{piece:int}", _answered(rehearsal, _sum_piece)),
            Route("/sound/{input:int}/{piece:int}", _answered(rehearsal, _piece)),
            *(Route(path, _answered(rehearsal, answer)) for path, answer in _ANSWERS.items()),
            Route("/static/{name}", _answered(rehearsal, _static)),
            Route("/events", lambda _: StreamingResponse(rehearsal.events.stream(), media_type="text/event-stream")),
            *(Route(path, _changed(rehearsal, change), methods=["POST"]) for path, change in CHANGES.items()),
        ]
    )


def _answered(rehearsal: Rehearsal, answer: Callable[[Rehearsal, Request], Response]) -> Callable[[Request], Response]:
    """An endpoint that runs in a thread; what goes wrong is one line."""

    def endpoint(request: Request) -> Response:
        try:
            return answer(rehearsal, request)
        except Exception as error:
            return _refused(error)

    return endpoint


def _changed(rehearsal: Rehearsal, change: Callable[[Rehearsal, Asked], str]) -> Callable[[Request], object]:
    async def endpoint(request: Request) -> Response:
        try:
            asked = Asked.read(await request.body())
            return JSONResponse({"says": await run_in_threadpool(change, rehearsal, asked)})
        except Exception as error:
            return _refused(error)

    return endpoint


def _refused(error: Exception) -> Response:
    known = known_error(error)
    if known is None:
        raise error
    return JSONResponse({"problem": str(known)}, status_code=409 if isinstance(known, BusyError) else 422)


def _page(rehearsal: Rehearsal, _: Request) -> Response:
    try:
        return HTMLResponse(_html(rehearsal))
    except MorningmixError as error:
        return HTMLResponse(render("problem.html", package=__package__, problem=str(error)), status_code=422)


def _html(rehearsal: Rehearsal) -> str:
    recipe = rehearsal.recipe()
    longest = max(rehearsal.takes, key=lambda take: take.duration_s)
    of = f" in {count(len(rehearsal.takes), 'take')}" if len(rehearsal.takes) > 1 else ""
    return render(
        "page.html",
        package=__package__,
        title=recipe.title if recipe else longest.name,
        recorded=f"{minutes(sum(take.duration_s for take in rehearsal.takes))} of recording{of}, "
        f"{count(len(longest.recordings), 'input')}.",
        steps=[
            {"part": name, "name": says, "html": _step(section, rehearsal)} for name, (says, section) in STEPS.items()
        ],
        drawer=Markup(drawer.section(rehearsal)),
        is_demo=rehearsal.is_demo,
        piece_s=sound.PIECE_S,
        rate_hz=longest.rate_hz,
    )


def _step(section: Callable[[Rehearsal], str], rehearsal: Rehearsal) -> Markup:
    """A step, or what keeps it from being shown: the others work without it."""
    try:
        return Markup(section(rehearsal))
    except MorningmixError as error:
        return Markup('<p class="found">{}</p>').format(str(error))


def _part(rehearsal: Rehearsal, request: Request) -> Response:
    part = PARTS.get(request.path_params["part"])
    return HTMLResponse(part(rehearsal)) if part else PlainTextResponse("There is no such part.", status_code=404)


def _piece(rehearsal: Rehearsal, request: Request) -> Response:
    inputs = who.inputs(rehearsal)
    number = request.path_params["input"]
    if number >= len(inputs):
        raise UsageError("There is no such input.")
    take, recording, input_ = inputs[number]
    piece = request.path_params["piece"]
    if request.query_params.get("cleaned") and input_ is not None and input_.cleaned is not None:
        return Response(sound.cleaned_piece(take, input_.cleaned, piece), media_type="audio/wav")
    return Response(sound.piece_of(take, recording, piece), media_type="audio/wav")


def _sum_piece(rehearsal: Rehearsal, request: Request) -> Response:
    takes = rehearsal.all_heard().takes
    number = request.path_params["take"]
    if number >= len(takes):
        raise UsageError("There is no such take.")
    return Response(sound.sum_piece(takes[number], request.path_params["piece"]), media_type="audio/wav")


def _static(_rehearsal: Rehearsal, request: Request) -> Response:
    name = request.path_params["name"]
    if name == "style.css":
        return Response(CSS, media_type="text/css")
    if name not in _STATIC:
        return PlainTextResponse("There is no such file.", status_code=404)
    text = (resources.files(__package__) / "static" / name).read_text(encoding="utf-8")
    return Response(text, media_type=_STATIC[name])
