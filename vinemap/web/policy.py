"""The content security policy of a page that is one file: nothing is fetched, and only what was put there runs."""

from __future__ import annotations

import base64
import hashlib
import re

_RUN = re.compile(r"<script>(.*?)</script>", re.DOTALL)
_STYLED = re.compile(r"<style>(.*?)</style>", re.DOTALL)


def policy(html: str, images: str | None = None) -> str:
    """Return the ``meta`` element that lets nothing be fetched and only the page's own scripts and styles run.

    Parameters
    ----------
    html : str
        The page with all its ``script`` and ``style`` elements; what changes after this belongs into a ``script`` with
        a ``type`` of its own, which does not run and which the policy does not name.
    images : str or None
        A source, as a policy names it, that images may come from beside the page itself.

    References
    ----------
    W3C, Content Security Policy Level 3: hash-source, by the SHA-256 of an element's text.
    """
    scripts = " ".join(_digest(code) for code in _RUN.findall(html))
    styles = " ".join(_digest(rules) for rules in _STYLED.findall(html))
    sources = " ".join(["data: blob:", *([images] if images else [])])
    rules = (
        f"default-src 'none'; script-src {scripts}; style-src {styles}; img-src {sources}; connect-src 'none'; "
        "base-uri 'none'; form-action 'none'"
    )
    return f'<meta http-equiv="Content-Security-Policy" content="{rules}">'


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
