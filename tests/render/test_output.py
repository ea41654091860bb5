"""Where a rendering writes, and what it says when it cannot."""

from __future__ import annotations

from pathlib import Path

import pytest

from morningmix.errors import OutputError
from morningmix.render.output import Output


def test_a_folder_that_cannot_be_made_is_named_in_one_line(tmp_path: Path) -> None:
    (tmp_path / "stems").write_text("a file where the folder should be", encoding="utf-8")
    with pytest.raises(OutputError, match="stems could not be written"):
        Output(folder=tmp_path / "stems").writer("drums", rate_hz=48000, channels=2, frames=480)
