"""Serve an open rehearsal to the browser of this computer until somebody ends it or nobody looks any more."""

from __future__ import annotations

import asyncio
import secrets
import signal
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType

import uvicorn  # noqa: TID251

from morningmix.page.app import app_of
from morningmix.page.guard import HOST, Guard
from morningmix.page.rehearsal import Rehearsal

ALONE_S = 600.0
"""The server ends so long after the last page was closed, unless something is being made (design choice)."""
_LOOK_S = 0.2


def serve(rehearsal: Rehearsal, opened: Callable[[str], None]) -> None:
    """Serve until interrupted, or until no page has been open for ten minutes; `opened` receives the address."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as listening:
        listening.bind((HOST, 0))
        listening.listen(128)
        guard = Guard(app_of(rehearsal), port=listening.getsockname()[1], token=secrets.token_urlsafe(32))
        config = uvicorn.Config(
            guard,
            log_level="warning",
            access_log=False,
            server_header=False,
            proxy_headers=False,
            ws="none",
            lifespan="off",
            timeout_graceful_shutdown=2,
        )
        server = uvicorn.Server(config)
        with _ended_by_interrupt(server):
            try:
                opened(guard.address)
                rehearsal.listen()
                asyncio.run(_served(server, listening, rehearsal))
            finally:
                rehearsal.work.stop()


@contextmanager
def _ended_by_interrupt(server: uvicorn.Server) -> Iterator[None]:
    """Ctrl-C ends the server, whenever it comes.

    As an exception it can be lost: Python drops one that is raised while an object is finalised.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return

    def end(_number: int, _frame: FrameType | None) -> None:
        server.should_exit = True

    before = signal.signal(signal.SIGINT, end)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


async def _served(server: uvicorn.Server, listening: socket.socket, rehearsal: Rehearsal) -> None:
    async def watch() -> None:
        while not server.should_exit:
            if rehearsal.events.alone_s > ALONE_S and not rehearsal.work.running:
                server.should_exit = True
            await asyncio.sleep(_LOOK_S)
        # Streams of events never end by themselves.
        rehearsal.events.close()

    watching = asyncio.create_task(watch())
    await server.serve(sockets=[listening])
    watching.cancel()
