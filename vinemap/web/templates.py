"""The one Jinja environment that all HTML and SVG comes from: it escapes and shuts in every value, and misses none."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from vinemap.characters import isolated
from vinemap.exports.colours import ACTION_COLOURS
from vinemap.resources import asset


def render(template: str, **values: object) -> Markup:
    """Return a page, or a part of one, from its template.

    Parameters
    ----------
    template : str
        Path of the file inside the package: ``sheet/templates/sheet.html.j2``.
    **values
        What the template asks for. Text is escaped where it goes in; `Markup`, of `render` or `trusted`, goes in as it
        is. A template may also call ``asset(package, name)``, for a file of our own that goes in as it is, and read
        ``action_colours``.

    Returns
    -------
    Markup
        A `str` that other templates take as it is.

    Raises
    ------
    jinja2.UndefinedError
        When the template asks for what is not given.
    """
    return trusted(_environment().get_template(template).render(values))


def trusted(text: str) -> Markup:
    """Return text as markup, for what this package carries or a library has drawn; never for what was read."""
    return Markup(text)  # noqa: S704 - the one place where text becomes markup


def _shut_in(value: object) -> object:
    """Let text turn nothing that stands beside it in the page; markup has been made of such text."""
    return isolated(value) if isinstance(value, str) and not isinstance(value, Markup) else value


@cache
def _environment() -> Environment:
    environment = Environment(
        loader=PackageLoader("vinemap", ""),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_shut_in,
    )
    environment.globals["action_colours"] = ACTION_COLOURS
    environment.globals["asset"] = lambda package, name: trusted(asset(package, name))
    return environment
