"""What holds for all tests: no example has a deadline, machines differ; programs that they start can be interrupted."""

from __future__ import annotations

import signal

from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
# Whoever runs the tests in the background of a shell has interrupts ignored, and children would inherit that.
signal.signal(signal.SIGINT, signal.default_int_handler)
