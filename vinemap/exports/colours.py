"""Colours that pages, pictures and layers share."""

from __future__ import annotations

import json
from functools import cache
from typing import Any

from vinemap.resources import asset
from vinemap.states import Action

# Work, from the lightest to the heaviest; lightness falls with weight, so grey prints keep the order.
ACTION_COLOURS = {
    Action.NO_DATA: "#fbfaf5",
    Action.AS_USUAL: "#dfe7c9",
    Action.CARRY_ON: "#d6e2b8",
    Action.KEEP_MORE: "#e8c26a",
    Action.KEEP_SHOOTS: "#e2b85c",
    Action.LOOK_AGAIN: "#8fb0bf",
    Action.PRUNE_LONG: "#cf7b34",
    Action.CHECK_WOOD: "#9c4136",
    Action.KEEP_SUCKERS: "#963a34",
    Action.RETRAIN: "#6a3560",
    Action.REPLANT: "#2e1d33",
}


@cache
def ramps() -> dict[str, dict[str, Any]]:
    """Return the colour maps of figures by name, each with its stops, their name and their source."""
    found: dict[str, dict[str, Any]] = json.loads(asset("vinemap.exports", "ramps.json"))
    return found


def injury_stops() -> list[str]:
    """Return the colours of injury from none to all, at equal steps."""
    return list(ramps()["injury"]["stops"])
