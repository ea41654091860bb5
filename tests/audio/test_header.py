"""Headers: what is no file is not waited for."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from morningmix.audio.header import read_header
from morningmix.errors import RecordingsError


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes with names there")
def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "One.wav")
    with pytest.raises(RecordingsError, match=r"^One\.wav: this is not a plain file"):
        read_header(tmp_path / "One.wav")
