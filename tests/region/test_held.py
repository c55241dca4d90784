"""What the driver keeps of many vineyards is what came of each, packed."""

from __future__ import annotations

import json
import sys

from tests.region.simulated import vineyard
from vinemap.region.held import Held
from vinemap.region.task import Outcome
from vinemap.states import Mapped


def test_outcomes_come_back_as_they_were_in_their_order() -> None:
    """Figures, faults and words of any script; one that comes again takes the place of its own alone."""
    mapped = vineyard([("Riesling", "vinifera", 1.5, 20.0)], warnings=[{"en": "\ud800 odd", "es": "vid ñ"}])
    wrong = Outcome(Mapped.WRONG, ({"en": "buds.csv:3: primary: 'purple'"}, {"en": "buds.csv:4: \udce9", "es": "¿?"}))
    held = Held()
    held.keep("b", wrong)
    held.keep("a", Outcome(Mapped.FAILED))
    held.keep("a", mapped)
    assert dict(held) == {"b": wrong, "a": mapped}
    assert list(held) == ["b", "a"]


def test_it_holds_a_fraction_of_what_it_was_given() -> None:
    """A vineyard of a dozen varieties with warnings in two languages: less than a third of its own JSON."""
    rows = [(f"variety {k}", "vinifera", 1.0 + k / 7, 100 / (k + 1.5)) for k in range(12)]
    one = vineyard(rows, warnings=[{"en": f"No logger near block {k}.", "es": f"Sin sensor {k}."} for k in range(5)])
    held = Held()
    held.keep("a", one)
    (packed,) = (value for _, value in held._packed.values())
    assert sys.getsizeof(packed) < len(json.dumps(one.figures)) / 3
