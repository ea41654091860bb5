"""The fork server is there before the run is, and leaves interrupts to it."""

from __future__ import annotations

import errno
import multiprocessing
import subprocess
import sys
from pathlib import Path

import pytest

from morningmix.workers.early import load_early

SCRIPT = """
import signal, sys
from morningmix.workers.early import load_early

def loaded():
    return "wave" in sys.modules, signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, [])

if __name__ == "__main__":
    if sys.argv[1] == "early":
        load_early(2, ["wave"])
    from morningmix.workers.pool import Pool
    with Pool(1, [], print) as pool:
        print(*pool.submit(loaded, 0, 1.0).result().result)
"""


@pytest.mark.skipif("forkserver" not in multiprocessing.get_all_start_methods(), reason="no fork server here")
@pytest.mark.parametrize(("when", "expected"), [("early", "True True\n"), ("never", "False False\n")])
def test_workers_have_what_was_loaded_early(tmp_path: Path, when: str, expected: str) -> None:
    script = tmp_path / "run.py"
    script.write_text(SCRIPT, encoding="utf-8")
    run = subprocess.run([sys.executable, script, when], capture_output=True, text=True, timeout=60, check=True)
    assert (run.stdout, run.stderr) == (expected, "")


@pytest.mark.skipif(sys.platform == "win32", reason="nothing is begun early there")
def test_a_process_that_the_system_refuses_is_left_to_the_first_worker(monkeypatch: pytest.MonkeyPatch) -> None:
    def refused() -> None:
        raise BlockingIOError(errno.EAGAIN, "Resource temporarily unavailable")

    monkeypatch.setattr("multiprocessing.resource_tracker.ensure_running", refused)
    started: list[bool] = []
    monkeypatch.setattr("multiprocessing.forkserver.ensure_running", lambda: started.append(True))
    load_early(2, [])
    assert started == []
