"""What workers load before their first job; the fork server passes over a name that is wrong without a word."""

from __future__ import annotations

from importlib.util import find_spec
from pathlib import Path

import pytest

from morningmix.commands import preload as room
from morningmix.commands.preload import TO_MIX, preload


@pytest.mark.parametrize("module", TO_MIX)
def test_what_is_loaded_early_is_there(module: str) -> None:
    assert find_spec(module) is not None


@pytest.mark.parametrize(("of_tracks", "of_cache", "expected"), [(25, 0, True), (0, 25, True), (15, 0, False)])
def test_workers_are_loaded_early_where_there_is_work_for_them(
    of_tracks: int, of_cache: int, expected: bool, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / ".cache").mkdir()
    for path, megabytes in ((tmp_path / "kick.wav", of_tracks), (tmp_path / ".cache" / "kept", of_cache)):
        with path.open("wb") as file:
            file.truncate(1_000_000 * megabytes)
    loaded: list[object] = []
    monkeypatch.setattr(room, "load_early", lambda *asked: loaded.append(asked))
    for source in (tmp_path, tmp_path / "recipe.toml"):
        loaded.clear()
        preload([source], None, TO_MIX)
        assert loaded == ([(None, TO_MIX)] if expected else [])
    preload([tmp_path / "missing" / "recipe.toml"], None, TO_MIX)
