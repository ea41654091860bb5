"""The demo: a take by an invented band, beside the package in a checkout, else in it."""

from __future__ import annotations

from pathlib import Path

import morningmix

_NAME = "shed-night"


def demo_tracks() -> Path | None:
    """Folder with the demo's raw tracks; None where it was not installed along."""
    package = Path(morningmix.__file__).parent
    places = (package.parents[1] / "demo_audio" / _NAME, package / "demo" / _NAME)
    return next((place for place in places if place.is_dir()), None)
