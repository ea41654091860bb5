"""What pages are told, and how many there are."""

from __future__ import annotations

import asyncio
import json
import threading
from collections.abc import AsyncIterator

from morningmix.page.events import Events


async def next_of(stream: AsyncIterator[bytes]) -> bytes:
    return await asyncio.wait_for(anext(stream), 5)


def test_pages_learn_what_happened_last_and_what_happens_now() -> None:
    async def look() -> None:
        events = Events()
        events.tell("work", running=True, step="old")
        events.tell("work", running=True, step="listening\nto it")
        first, second = events.stream(), events.stream()
        assert events.pages == 0
        for stream in (first, second):
            assert await next_of(stream) == b"retry: 1000\n\n"
            kind, data, *rest = (await next_of(stream)).decode().split("\n")
            assert (kind, rest) == ("event: work", ["", ""])
            assert json.loads(data.removeprefix("data: ")) == {"running": True, "step": "listening\nto it"}
        assert (events.pages, events.alone_s) == (2, 0.0)
        thread = threading.Thread(target=events.tell, args=("changed",))
        thread.start()
        for stream in (first, second):
            assert (await next_of(stream)).startswith(b"event: changed\n")
        thread.join()
        await first.aclose()
        assert events.pages == 1
        events.close()
        assert [message async for message in second] == []
        assert events.pages == 0
        assert [message async for message in events.stream()] == []

    asyncio.run(look())


def test_it_is_alone_from_the_start_and_again_after_the_last_page() -> None:
    async def look() -> None:
        events = Events()
        await asyncio.sleep(0.02)
        assert events.alone_s >= 0.02
        stream = events.stream()
        await next_of(stream)
        assert events.alone_s == 0.0
        await stream.aclose()
        assert events.alone_s < 0.02

    asyncio.run(look())
