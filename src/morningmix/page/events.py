"""What the server tells open pages as it happens (server-sent events), and how many pages are open."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from threading import Lock
from typing import Any

_QUIET_S = 15.0
"""A sign of life this often, so that a browser that has gone is noticed."""


class Events:
    """Tells every open page what happens. `tell` may be called from any thread."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._pages: dict[asyncio.Queue[bytes | None], asyncio.AbstractEventLoop] = {}
        self._last: dict[str, bytes] = {}
        self._empty_since_s = time.monotonic()
        self._closed = False

    @property
    def pages(self) -> int:
        """How many pages are open."""
        return len(self._pages)

    @property
    def alone_s(self) -> float:
        """For how long no page has been open."""
        return 0.0 if self._pages else time.monotonic() - self._empty_since_s

    def tell(self, kind: str, **facts: Any) -> None:
        """Tell all pages; one that opens later learns the last event of each kind."""
        # Lines end an event, and JSON holds none.
        message = f"event: {kind}\ndata: {json.dumps(facts)}\n\n".encode()
        with self._lock:
            self._last[kind] = message
            self._hand_out(message)

    def close(self) -> None:
        """End the stream of every page."""
        with self._lock:
            self._closed = True
            self._hand_out(None)

    def _hand_out(self, message: bytes | None) -> None:
        for queue, loop in self._pages.items():
            loop.call_soon_threadsafe(queue.put_nowait, message)

    async def stream(self) -> AsyncIterator[bytes]:
        """The events of one page, from now until it closes."""
        queue: asyncio.Queue[bytes | None] = asyncio.Queue()
        with self._lock:
            if self._closed:
                return
            self._pages[queue] = asyncio.get_running_loop()
            known = list(self._last.values())
        try:
            yield b"retry: 1000\n\n"
            for message in known:
                yield message
            while True:
                try:
                    told = await asyncio.wait_for(queue.get(), _QUIET_S)
                except TimeoutError:
                    told = b": still here\n\n"
                if told is None:
                    return
                yield told
        finally:
            with self._lock:
                self._pages.pop(queue, None)
                self._empty_since_s = time.monotonic()
