"""Which of our names somebody may have meant by one of theirs."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

# Comparing names letter by letter takes time, and past so many it is no slip of the hand that is to be found.
_MOST_ASKED, _MOST_KNOWN, _LONGEST = 30, 2000, 100


class Guesses:
    """Guesses known names, for the first names that are asked for.

    Parameters
    ----------
    known : iterable of str
    cutoff : float
        How alike two names must be, from 0 to 1 (`difflib.get_close_matches`).
    """

    def __init__(self, known: Iterable[str], cutoff: float = 0.6) -> None:
        self._known = list(known)[:_MOST_KNOWN]
        self._cutoff = cutoff
        self._found: dict[str, str | None] = {}

    def of(self, name: str) -> str | None:
        """Return the known name that is most like this one; None where none is, or where too many were asked for."""
        if name in self._found:
            return self._found[name]
        if len(self._found) >= _MOST_ASKED or len(name) > _LONGEST:
            return None
        near = difflib.get_close_matches(name, self._known, n=1, cutoff=self._cutoff)
        self._found[name] = near[0] if near else None
        return self._found[name]
