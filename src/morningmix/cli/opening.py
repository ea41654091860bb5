"""The command `open`: serve the page and show it."""

from __future__ import annotations

import webbrowser
from pathlib import Path
from threading import Thread

from morningmix.cli import messages
from morningmix.commands.demo import demo_tracks
from morningmix.commands.order import Order
from morningmix.errors import RecordingsError
from morningmix.page.rehearsal import Rehearsal
from morningmix.page.server import serve


def open_rehearsal(source: Path | None, out: Path | None, *, browser: bool) -> None:
    """Serve the page of a rehearsal until somebody ends it; its address is on the first line.

    Without a source it is the rehearsal in the current folder, and where there is none the demo.
    """
    rehearsal = _opened(source, out)

    def opened(address: str) -> None:
        messages.line(address)
        if rehearsal.is_demo:
            messages.line(
                "There are no recordings in this folder, so this is the demo. For your own: morningmix open FOLDER"
            )
        messages.line("Open this address on this computer; no other can reach it. Press Ctrl-C to end it.")
        messages.flush()
        if browser:
            # Some browsers return only when they are closed.
            Thread(target=webbrowser.open_new_tab, args=(address,), daemon=True).start()

    serve(rehearsal, opened)
    messages.line("The page is closed. Everything is kept in the mix folder.")


def _opened(source: Path | None, out: Path | None) -> Rehearsal:
    here = Order(source=source or Path(), cwd=Path.cwd(), out=out)
    try:
        return Rehearsal(here)
    except RecordingsError:
        demo = None if source else demo_tracks()
        if demo is None:
            raise
        return Rehearsal(Order(source=demo, cwd=here.cwd, out=out), is_demo=True)
