"""Colours that more than one page draws with."""

from __future__ import annotations

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
