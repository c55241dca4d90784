"""Where Chromium is on this machine."""

from __future__ import annotations

import shutil

NAMES = ("chromium-headless-shell", "chromium", "chromium-browser", "google-chrome")
"""Commands, the first that is there is taken: the shell is the same engine without windows, and a third quicker."""


def chromium() -> str | None:
    """Return Debian's Chromium, or the build server's; None where there is none."""
    return next(filter(None, map(shutil.which, NAMES)), None)
