"""Long work: one piece at a time, told to the pages, and its errors are one line."""

from __future__ import annotations

import threading
import time
from typing import Any

import pytest

from morningmix.commands.order import Callbacks
from morningmix.errors import BusyError, OutputError
from morningmix.page.events import Events
from morningmix.page.work import Work
from morningmix.workers.jobs import Runner


class Told(Events):
    """Events that are kept."""

    def __init__(self) -> None:
        super().__init__()
        self.told: list[tuple[str, dict[str, Any]]] = []

    def tell(self, kind: str, **facts: Any) -> None:
        self.told.append((kind, facts))


def done(work: Work) -> None:
    while work.running:
        time.sleep(0.01)


def test_a_second_piece_of_work_is_refused_until_the_first_is_done() -> None:
    work, go_on = Work(Told()), threading.Event()
    work.start("mixing", lambda _runner, _callbacks: go_on.wait(5) and None)
    with pytest.raises(BusyError, match="still mixing"):
        work.start("packing", lambda _runner, _callbacks: None)
    assert work.running
    go_on.set()
    done(work)
    work.start("packing", lambda _runner, _callbacks: None)
    done(work)


def test_progress_reaches_the_pages_with_the_time_left() -> None:
    events = Told()
    work = Work(events)

    def piece(_: Runner, callbacks: Callbacks) -> None:
        callbacks.progress("half", 0.5)
        callbacks.progress("right after", 0.6)
        callbacks.note("One song is ready.")

    work.start("mixing", piece)
    done(work)
    kinds = [kind for kind, _ in events.told]
    assert kinds == ["work", "work", "note", "work"]
    assert events.told[1][1]["step"] == "half"
    assert events.told[1][1]["left_s"] >= 0.0
    assert events.told[-1][1] == {"running": False, "what": "mixing", "problem": None}


def test_an_error_is_one_line_and_work_goes_on(capsys: pytest.CaptureFixture[str]) -> None:
    events = Told()
    work = Work(events)

    def full(_: Runner, __: Callbacks) -> None:
        raise OutputError("The disk is full.")

    def mistake(_: Runner, __: Callbacks) -> None:
        raise ZeroDivisionError

    work.start("mixing", full)
    done(work)
    assert events.told[-1][1]["problem"] == "The disk is full."
    assert capsys.readouterr().err == ""
    work.start("mixing", mistake)
    done(work)
    assert "mistake in the program: ZeroDivisionError" in events.told[-1][1]["problem"]
    assert "Traceback" in capsys.readouterr().err


def test_what_follows_a_piece_of_work_can_start_the_next_one() -> None:
    events = Told()
    done_pieces: list[str] = []

    def next_one() -> None:
        if len(done_pieces) < 3:
            work.start("again", lambda _runner, _callbacks: done_pieces.append("again"))

    work = Work(events, next_one)
    work.start("first", lambda _runner, _callbacks: done_pieces.append("first"))
    while len(done_pieces) < 3:
        pass
    assert done_pieces == ["first", "again", "again"]
