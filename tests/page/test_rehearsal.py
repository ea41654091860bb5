"""An open rehearsal: what is asked for while something else is being made is done after it."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from morningmix.errors import MachineError
from morningmix.workers.pool import Pool
from page.made import opened, wait


def test_inputs_are_listened_to_after_what_runs_has_ended(tmp_path: Path) -> None:
    rehearsal = opened(tmp_path)
    go_on = threading.Event()
    rehearsal.work.start("packing", lambda _runner, _callbacks: go_on.wait(10) and None)
    rehearsal.listen()
    assert rehearsal.heard is None
    go_on.set()
    while rehearsal.heard is None:
        pass
    wait(rehearsal)
    first = rehearsal.heard
    rehearsal.change("bass", lambda text: text.replace('"lead vocal"\n', '"low end"\n'), hear=True)
    while rehearsal.heard is first:
        pass
    assert "low end" in [input_.name for _, input_ in rehearsal.heard.inputs]


def test_what_was_measured_before_is_read_without_starting_processes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*_: Any) -> None:
        raise MachineError("a process was asked for")

    with monkeypatch.context() as patched:
        # However little there is to do.
        patched.setattr(Pool, "start_s", 0.0)
        patched.setattr(Pool, "submit", refuse)
        assert opened(tmp_path, heard=True).heard is None
    assert opened(tmp_path, heard=True).heard is not None
    monkeypatch.setattr(Pool, "start_s", 0.0)
    monkeypatch.setattr(Pool, "submit", refuse)
    assert opened(tmp_path, heard=True).heard is not None
