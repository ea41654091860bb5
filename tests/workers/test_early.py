"""The fork server is there before the run is, and leaves interrupts to it."""

from __future__ import annotations

import multiprocessing
import subprocess
import sys
from pathlib import Path

import pytest

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
        print(*pool.submit(loaded, 0).result().result)
"""


@pytest.mark.skipif("forkserver" not in multiprocessing.get_all_start_methods(), reason="no fork server here")
@pytest.mark.parametrize(("when", "expected"), [("early", "True True\n"), ("never", "False False\n")])
def test_workers_have_what_was_loaded_early(tmp_path: Path, when: str, expected: str) -> None:
    script = tmp_path / "run.py"
    script.write_text(SCRIPT, encoding="utf-8")
    run = subprocess.run([sys.executable, script, when], capture_output=True, text=True, timeout=60, check=True)
    assert (run.stdout, run.stderr) == (expected, "")
