"""How many workers a machine has room for."""

from __future__ import annotations

import os
import sys
from collections.abc import Callable

_RUN_BYTES, _WORKER_BYTES = 200e6, 150e6
"""What the run and each worker take at most (measured)."""
_SHARE = 0.5
"""Of all memory, for this program: others run too (design choice)."""


def memory_bytes() -> float | None:
    """Memory of this machine; None where the system does not say."""
    if sys.platform == "win32":
        return None
    try:
        return float(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES"))
    except (ValueError, OSError):
        return None


def cores_for(cores: int, memory: float | None, note: Callable[[str], None]) -> int:
    """Workers for that many cores and bytes of memory; `note` is called where memory limits them."""
    if memory is None:
        return cores
    room = max(1, int((_SHARE * memory - _RUN_BYTES) / _WORKER_BYTES))
    if room < cores:
        note(f"This machine has {memory / 1e9:.1f} GB of memory, so {room} of its {cores} cores are used.")
    return min(cores, room)
