"""How large the room is and what is sent into it."""

from __future__ import annotations

import pytest

from morningmix.decide.reverb import room_offset_db


@pytest.mark.parametrize(("sent", "offset_db"), [(10.0**-1.52, 0.0), (10.0**-1.72, 2.0), (1e-4, 6.0), (1.0, -6.0)])
def test_a_room_that_would_be_too_small_or_too_large_is_moved(sent: float, offset_db: float) -> None:
    assert room_offset_db(sent, 1.0) == pytest.approx(offset_db, abs=0.06)
    assert room_offset_db(0.0, 1.0) == 0.0
