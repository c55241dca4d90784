"""Outcomes of all vineyards of a region, packed, so that the driver of many thousand holds little."""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterator, Mapping

from vinemap.region.task import Outcome
from vinemap.states import Mapped

# As small as the slowest level, for a third of its time.
_LEVEL = 1


class Held(Mapping[str, Outcome]):
    """Outcomes by the name of the vineyard's folder, in the order in which they came.

    Each is kept as its record has it, JSON, and compressed: a kilobyte or two in the place of some twenty. It is
    unpacked whenever it is asked for.
    """

    def __init__(self) -> None:
        self._packed: dict[str, tuple[Mapped, bytes]] = {}

    def keep(self, name: str, outcome: Outcome) -> None:
        """Keep an outcome, in the place of any other of that vineyard."""
        text = json.dumps([outcome.problems, outcome.figures], ensure_ascii=False)
        self._packed[name] = outcome.state, zlib.compress(text.encode("utf-8", "surrogatepass"), _LEVEL)

    def __getitem__(self, name: str) -> Outcome:
        state, packed = self._packed[name]
        problems, figures = json.loads(zlib.decompress(packed).decode("utf-8", "surrogatepass"))
        return Outcome(state, tuple(problems), figures)

    def __iter__(self) -> Iterator[str]:
        return iter(self._packed)

    def __len__(self) -> int:
        return len(self._packed)
