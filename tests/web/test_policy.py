"""The policy of a page that is one file."""

from __future__ import annotations

import base64
import hashlib

from vinemap.web.policy import policy


def _sha256(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


def test_policy_names_what_runs_and_nothing_else() -> None:
    """Each script and style by its digest, in order (W3C, Content Security Policy Level 3); nothing unsafe."""
    found = policy(["a()", "é"], ["b{}"])
    assert f"script-src {_sha256('a()')} {_sha256('é')};" in found
    assert f"style-src {_sha256('b{}')};" in found
    assert found.count("sha256-") == 3
    assert "unsafe" not in found


def test_only_images_may_have_a_source() -> None:
    """Nothing is fetched by default; one host for images may be added."""
    assert "img-src data: blob:; connect-src 'none'" in policy([], [])
    assert "img-src data: blob: https://a.example; connect-src 'none'" in policy([], [], images="https://a.example")
    assert "default-src 'none'" in policy([], [])
