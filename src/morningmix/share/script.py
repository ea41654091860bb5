"""The one script of a page that stands alone: its parts beside this module, around the data that the page holds."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Sequence
from importlib import resources

from markupsafe import Markup  # noqa: TID251


def script_of(files: Sequence[str]) -> tuple[Markup, str]:
    """The script, which knows the page's data as `song`, and its SHA-256 as the page's policy takes it."""
    parts = "\n".join(beside(name) for name in files)
    text = (
        '"use strict";\n(() => {\nconst holder = document.getElementById("song");\n'
        f"const song = JSON.parse(holder.textContent);\nholder.remove();\n{parts}}})();\n"
    )
    return Markup(text), base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def beside(file: str) -> str:
    """The text of a file beside this module."""
    return (resources.files(__package__) / file).read_text(encoding="utf-8")


def as_data(values: object) -> Markup:
    """What the script reads, as JSON."""
    # "<" could end the script that holds the data, or start a comment in it.
    return Markup(json.dumps(values, separators=(",", ":")).replace("<", "\\u003c"))
