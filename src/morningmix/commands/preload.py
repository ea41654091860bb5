"""What jobs need, loaded once for all workers where the system allows."""

from __future__ import annotations

TO_LISTEN = ("morningmix.measure.take", "morningmix.analysis.cached", "scipy.fft", "scipy.ndimage")
TO_MIX = (*TO_LISTEN, "morningmix.commands.song", "scipy.signal")
