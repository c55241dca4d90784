"""The content security policy of a page that is one file: nothing is fetched, and only what was put there runs."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Iterable


def policy(scripts: Iterable[str], styles: Iterable[str], images: str | None = None) -> str:
    """Return the policy that lets nothing be fetched and only the page's own scripts and styles run.

    Parameters
    ----------
    scripts, styles : iterable of str
        What stands between the tags of every element that runs or sets style; data, which does not run, is not named.
    images : str or None
        A source, as a policy names it, that images may come from beside the page itself.

    References
    ----------
    W3C, Content Security Policy Level 3: hash-source, by the SHA-256 of an element's text.
    """
    sources = " ".join(["data: blob:", *([images] if images else [])])
    return (
        f"default-src 'none'; script-src {_digests(scripts)}; style-src {_digests(styles)}; img-src {sources}; "
        "connect-src 'none'; base-uri 'none'; form-action 'none'"
    )


def _digests(texts: Iterable[str]) -> str:
    hashes = (hashlib.sha256(text.encode()).digest() for text in texts)
    return " ".join(f"'sha256-{base64.b64encode(digest).decode()}'" for digest in hashes)
