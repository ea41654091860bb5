"""Templates escape every text, and cost no start-up time."""

from __future__ import annotations

import subprocess
import sys

import pytest
from jinja2 import UndefinedError  # noqa: TID251
from markupsafe import Markup  # noqa: TID251

from morningmix.report.templates import render


def filled(**changed: object) -> str:
    values = {"title": "Thursday", "by": "", "songs": [], "minutes": str, "ridges": ()}
    return render("index.html", package="morningmix.share", **values | changed)


def test_text_is_escaped_and_markup_is_not() -> None:
    assert "<h1><bdi>a &lt;b&gt; \\x1b c</bdi></h1>" in filled(title="a <b>\n\x1b c")
    assert '<p class="quiet"><i>d</i></p>' in filled(by=Markup("<i>d</i>"))


def test_what_a_template_needs_must_be_given() -> None:
    with pytest.raises(UndefinedError):
        render("index.html", package="morningmix.share", title="Thursday")


def test_commands_start_without_the_template_engine() -> None:
    code = "import sys, morningmix.commands.mix, morningmix.share.send; sys.exit('jinja2' in sys.modules)"
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
