"""What holds for all tests: no example has a deadline, machines differ."""

from __future__ import annotations

from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
