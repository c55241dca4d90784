"""What a vineyard's folder holds and lacks as it stands on the desk, changes that are not yet saved included."""

from __future__ import annotations

import threading
from dataclasses import dataclass

from vinemap.desk.saving import with_changes
from vinemap.desk.vineyards import Place
from vinemap.errors import InputError, Problem
from vinemap.pipeline.fit_to_map import check_folder
from vinemap.reading.vineyard import summary, verdict
from vinemap.sentences import Sentence

# There is one copy with the changes in it: two pages that ask at once would take it from under each other.
_ONE_AT_A_TIME = threading.Lock()


@dataclass(frozen=True)
class Checked:
    """What was found.

    Attributes
    ----------
    said : list of Sentence
        What the folder holds; empty where it cannot be mapped.
    verdict : Sentence or None
        Whether all of it goes into the map; None where it cannot be mapped.
    warnings : list of Sentence
    problems : list of Problem
        Empty where it can be mapped.
    """

    said: list[Sentence]
    verdict: Sentence | None
    warnings: list[Sentence]
    problems: list[Problem]


def checked(place: Place) -> Checked:
    """Read a vineyard as `vinemap check` does."""
    try:
        with _ONE_AT_A_TIME:
            vineyard = check_folder(with_changes(place))
    except InputError as error:
        return Checked([], None, [], error.problems)
    return Checked(summary(vineyard), verdict(vineyard), list(vineyard.warnings), [])
