"""Step 4, send: the songs packed to go round, what the band has sent back, and what to change at the desk."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from starlette.requests import Request  # noqa: TID251
from starlette.responses import FileResponse, Response  # noqa: TID251

from morningmix.commands.agreement import Agreed, Conflict, Stretch, merge
from morningmix.commands.order import Callbacks
from morningmix.errors import UsageError
from morningmix.model.names import plain
from morningmix.page import wishes
from morningmix.page.asked import Asked
from morningmix.page.rehearsal import Rehearsal
from morningmix.page.turn import in_words
from morningmix.report.decision_words import FINDINGS
from morningmix.report.templates import render
from morningmix.report.weeks import weeks_figure
from morningmix.report.words import count
from morningmix.share.packing import zipped
from morningmix.share.send import SHARE, Kind, share
from morningmix.storage.home import safe_name
from morningmix.storage.song_folders import song_sheets
from morningmix.units import clock
from morningmix.workers.jobs import Runner

_PACKING = "packing the songs"
KINDS: Sequence[tuple[Kind, str]] = (("mp3", "MP3: small, for every phone"), ("flac", "FLAC: larger, nothing lost"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Matter:
    """What several people may have wishes about."""

    song: str
    what: str
    by_person: Sequence[str]
    """What each person wants, in words; "" for whoever says nothing of it."""
    place: int | None
    """Among what they agree on; None where they do not."""
    outcome: str


def section(rehearsal: Rehearsal) -> str:
    """The step as HTML."""
    heard = rehearsal.heard
    found = [] if heard is None else wishes.kept(rehearsal)
    people = list(dict.fromkeys(one.wishes.who for one in found if one.waits))
    packed = _zip(rehearsal)
    sheets = song_sheets(rehearsal.home.mixes) if rehearsal.home.mixes.is_dir() else []
    is_packed = packed.is_file()
    return render(
        "send.html",
        package=__package__,
        heard=heard is not None,
        mixed=bool(sheets),
        kinds=KINDS,
        packed=_size(packed) if is_packed else "",
        old=is_packed and any(sheet.stat().st_mtime > packed.stat().st_mtime for sheet in sheets),
        folder=str(rehearsal.home.root / SHARE),
        kept=found,
        people=people,
        matters=_matters(found, people),
        seen_wishes=wishes.seen(rehearsal),
        weeks=None if heard is None else weeks_figure(heard.result.weeks),
        findings=[] if heard is None else [(FINDINGS[one.kind], one.name, one.says) for one in heard.result.findings],
        count=count,
    )


def _matters(found: Sequence[wishes.Kept], people: Sequence[str]) -> list[Matter]:
    agreed, conflicts = merge([one.meant for one in found if one.waits])
    shown = [_matter(one, people, place, in_words(one.level_db, one.part)) for place, one in enumerate(agreed)]
    shown += [_matter(one, people, None, "you disagree: talk about it") for one in conflicts]
    return sorted(shown, key=lambda matter: (matter.place is None, plain(matter.song)))


def _matter(change: Agreed | Conflict, people: Sequence[str], place: int | None, outcome: str) -> Matter:
    wanted = dict(change.asked)
    return Matter(
        song=change.song,
        what=f"{change.name}{_when(change.stretch)}",
        by_person=[in_words(wanted[who], change.part) if who in wanted else "" for who in people],
        place=place,
        outcome=outcome,
    )


def _when(stretch: Stretch) -> str:
    return "" if stretch is None else f", {clock(stretch[0])} to {clock(stretch[1])}"


def _zip(rehearsal: Rehearsal) -> Path:
    return rehearsal.home.root / f"{SHARE}.zip"


def _size(path: Path) -> str:
    return f"{max(path.stat().st_size / 1e6, 0.1):.1f} MB"


def download(rehearsal: Rehearsal, _: Request) -> Response:
    """The zip."""
    path = _zip(rehearsal)
    if not path.is_file() or path.is_symlink():
        raise UsageError("Nothing is packed yet.")
    return FileResponse(path, media_type="application/zip", filename=f"{_title(rehearsal)}.zip")


ANSWERS: Mapping[str, Callable[[Rehearsal, Request], Response]] = {"/send/zip": download}
"""What is answered, by its path."""


def _title(rehearsal: Rehearsal) -> str:
    recipe = rehearsal.recipe()
    return safe_name(recipe.title if recipe else rehearsal.home.root.name)


# ---------------------------------------------------------------- what a person changes


def pack(rehearsal: Rehearsal, asked: Asked) -> str:
    """Pack every song and a page for each, and all of it into one zip."""
    kind, _ = asked.one_of("kind", KINDS)
    rehearsal.all_heard()

    def packing(_runner: Runner, callbacks: Callbacks) -> None:
        folder, _ = share(rehearsal.home.recipe, None, kind, callbacks.progress, callbacks.note)
        zipped(folder, _title(rehearsal))
        rehearsal.events.tell("changed", version="packed")

    rehearsal.work.start(_PACKING, packing)
    return "Packing. The zip appears here when it is ready."


CHANGES: Mapping[str, Callable[[Rehearsal, Asked], str]] = {"/send/pack": pack, **wishes.CHANGES}
