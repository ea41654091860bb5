"""An open rehearsal for tests, and a browser that may talk to it."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from starlette.testclient import TestClient

from morningmix.commands.order import Order
from morningmix.page.app import app_of
from morningmix.page.guard import Guard
from morningmix.page.rehearsal import Rehearsal
from synthetic import write_take

PORT = 4321
HOST = f"127.0.0.1:{PORT}"
ORIGIN = f"http://{HOST}"
TOKEN = "a-token-that-nobody-guesses"

RECIPE = """recipe = 1

[rehearsal]
tracks = "take"
title = "Thursday"

[[input]]
file = "kick.wav"
name = "kick"
role = "kick"

[[input]]
file = "bass.wav"  # hers
name = "lead vocal"
role = "lead vocal?"  # a guess: if it is right, remove the ?
player = "Mara"
"""


def opened(folder: Path, *, heard: bool = False, seconds: float = 2.0) -> Rehearsal:
    """A rehearsal of two inputs with a recipe; `heard` where its inputs are listened to."""
    if not (folder / "take").exists():
        write_take(folder / "take", seconds)
        for path in (folder / "take").iterdir():
            if path.stem not in ("kick", "bass"):
                path.unlink()
        (folder / "recipe.toml").write_text(RECIPE, encoding="utf-8")
    rehearsal = Rehearsal(Order(source=folder / "recipe.toml", cwd=folder, workers=1))
    if heard:
        rehearsal.listen()
        wait(rehearsal)
    return rehearsal


def wait(rehearsal: Rehearsal) -> None:
    """Until nothing is being worked on."""
    while rehearsal.work.running:
        # Without a pause this thread would keep the others from running.
        time.sleep(0.01)


def browser(rehearsal: Rehearsal) -> TestClient:
    """A browser that was given the address of the page."""
    client = TestClient(Guard(app_of(rehearsal), port=PORT, token=TOKEN), base_url=ORIGIN)
    assert client.get(f"/?key={TOKEN}").status_code == 200
    client.headers["Origin"] = ORIGIN
    return client


def said(client: TestClient, path: str, **values: Any) -> str:
    """What the page says to a change that it makes."""
    answer = client.post(path, json=values)
    assert answer.status_code == 200, answer.text
    words: str = answer.json()["says"]
    return words


def problem(client: TestClient, path: str, **values: Any) -> str:
    """The one line that a change is refused with."""
    answer = client.post(path, json=values)
    assert answer.status_code in (409, 422), answer.text
    words: str = answer.json()["problem"]
    assert words.strip()
    assert "\n" not in words
    return words
