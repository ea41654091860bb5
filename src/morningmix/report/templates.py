"""Pages from the templates beside their modules: every str is text and is escaped, HTML is `Markup`."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

from markupsafe import Markup  # noqa: TID251

from morningmix.report.style import CSS
from morningmix.report.words import clean, sentence

if TYPE_CHECKING:
    from jinja2 import Environment  # noqa: TID251


def render(template: str, *, package: str = __package__, **values: object) -> str:
    """A whole page from a template of `package`. Templates may build on those of the report."""
    return _environment(package).get_template(template).render(values)


@cache
def _environment(package: str) -> Environment:
    # Here, because most commands make no page and should start without it.
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined  # noqa: TID251

    places = dict.fromkeys((package, __package__))
    environment = Environment(
        loader=ChoiceLoader([PackageLoader(place) for place in places]),
        autoescape=True,
        finalize=_shown,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
        auto_reload=False,
    )
    environment.globals.update(style=Markup(CSS), sentence=sentence)
    return environment


def _shown(value: object) -> object:
    return clean(value) if isinstance(value, str) and not isinstance(value, Markup) else value
