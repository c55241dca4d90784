"""A page that is one file: its style, its markup, its data and its scripts, under a policy that names them."""

from __future__ import annotations

import re
from collections.abc import Sequence

from markupsafe import Markup

from vinemap.web.embed import to_json
from vinemap.web.policy import policy
from vinemap.web.templates import render, trusted


def one_file(
    template: str,
    *,
    styles: Sequence[str],
    scripts: Sequence[str],
    data: object,
    data_id: str,
    images: str | None = None,
    **values: object,
) -> Markup:
    """Return a page that asks no network for anything, and runs only what was put there.

    Parameters
    ----------
    template : str
        Path, as `vinemap.web.templates.render` takes it, of a template that extends ``web/templates/page.html.j2``.
    styles, scripts : sequence of str
        What stands in each ``style`` and ``script`` element, in order; of our own or of a library.
    data : object
        What the scripts read as JSON.
    data_id : str
        Id of the element that holds it.
    images : str or None
        A source, as a policy names it, that images may come from beside the page itself.
    **values
        For the template's own places.
    """
    return render(
        template,
        policy=policy(scripts, styles, images),
        styles=[trusted(rules) for rules in styles],
        scripts=[trusted(code) for code in scripts],
        # No character that an HTML parser acts on is left in this JSON.
        data=trusted(to_json(data)),
        data_id=data_id,
        **values,
    )


def texts_of(tag: str, html: str) -> list[str]:
    """Return what stands in each ``style`` or ``script`` element, without attributes, that a library has written."""
    return re.findall(rf"<{tag}>(.*?)</{tag}>", html, re.DOTALL)
