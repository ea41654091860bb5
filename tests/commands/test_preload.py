"""What workers load before their first job; the fork server passes over a name that is wrong without a word."""

from __future__ import annotations

from importlib.util import find_spec

import pytest

from morningmix.commands.preload import TO_MIX


@pytest.mark.parametrize("module", TO_MIX)
def test_what_is_loaded_early_is_there(module: str) -> None:
    assert find_spec(module) is not None
