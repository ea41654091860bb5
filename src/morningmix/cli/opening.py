"""The command `open`: serve the page and show it."""

from __future__ import annotations

import webbrowser
from pathlib import Path

from morningmix.cli import messages
from morningmix.commands.order import Order
from morningmix.page.rehearsal import Rehearsal
from morningmix.page.server import serve


def open_rehearsal(source: Path, out: Path | None, *, browser: bool) -> None:
    """Serve the page of a rehearsal until somebody ends it; with its address on the first line."""
    rehearsal = Rehearsal(Order(source=source, cwd=Path.cwd(), out=out))

    def opened(address: str) -> None:
        messages.line(address)
        messages.line("This is the page's address, for this computer alone. Ctrl-C ends it.")
        messages.flush()
        if browser:
            webbrowser.open(address)

    try:
        serve(rehearsal, opened)
    except KeyboardInterrupt:
        messages.line("The page is closed. Everything is kept in the mix folder.")
