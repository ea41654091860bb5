"""A page in Chromium, driven as a person drives it.

What is waited for is always a condition, never a time: a busy computer takes longer, and that is all.
"""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

LONG_S = 240.0
"""Waited at most for what should come at once."""
_SETTLED = "document.body.dataset.working === 'false' && !document.querySelector('[aria-busy=true]')"


@contextmanager
def served(folder: str, cwd: Path) -> Iterator[str]:
    """Address of the page of a rehearsal; its program ends as by Ctrl-C."""
    command = [sys.executable, "-m", "morningmix", "open", folder, "--no-browser"]
    with subprocess.Popen(command, cwd=cwd, stdout=subprocess.PIPE, text=True, env=os.environ) as server:
        assert server.stdout is not None
        try:
            yield server.stdout.readline().strip()
            server.send_signal(signal.SIGINT)
            assert server.wait(LONG_S) == 0, "it ends without a word"
        finally:
            server.kill()


@contextmanager
def shown(chromium: Any, address: str, script: str = "") -> Iterator[Any]:
    """The page in a window of its own, run after `script`; a complaint of the browser or a request elsewhere fails."""
    problems: list[str] = []
    context = chromium.new_context(viewport={"width": 1280, "height": 900})
    context.set_default_timeout(1000.0 * LONG_S)
    if script:
        context.add_init_script(script)
    page = context.new_page()
    page.on("pageerror", lambda error: problems.append(str(error)))
    page.on("console", lambda line: problems.append(line.text) if line.type in ("error", "warning") else None)
    host = address[: address.rindex("/")]
    page.on("request", lambda one: None if one.url.startswith(host) else problems.append(one.url))
    page.goto(address)
    yield page
    context.close()
    assert not problems, problems


def barriers(page: Any) -> list[str]:
    """What keeps people with a screen reader, a keyboard or weak eyes from using the page, by axe-core (WCAG)."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    found = axe.Axe().run(page).response["violations"]
    return [f"{one['id']}: {each['html'][:200]}" for one in found for each in one["nodes"]]


def until(page: Any, what: str) -> None:
    """Wait until something is true in the page, whose policy forbids Playwright's own way of waiting."""
    by_s = time.monotonic() + LONG_S
    while not page.evaluate(f"() => Boolean({what})"):
        assert time.monotonic() < by_s, what
        page.wait_for_timeout(30)


def settled(page: Any) -> None:
    """Wait until nothing is worked on and no part of the page is loaded again."""
    until(page, _SETTLED)


def says(page: Any, selector: str, words: str) -> None:
    """Wait until words stand in an element."""
    page.locator(selector, has_text=re.compile(re.escape(words))).first.wait_for(state="attached")


def mixed(page: Any) -> None:
    """Wait until there is something to mix, mix it, and wait until every song is mixed."""
    page.wait_for_selector("#mix-start.main")
    settled(page)
    page.click("#mix-start")
    says(page, "#mix", "Every song is mixed as the recipe says")
    settled(page)
