"""Colours that pages share."""

from __future__ import annotations

import matplotlib as mpl
import numpy as np

from vinemap.exports.colours import ACTION_COLOURS
from vinemap.states import TASKS


def test_heavier_work_is_darker() -> None:
    """Each task has a colour; their luminance (WCAG 2.2, relative luminance) falls with the weight of the work."""
    assert set(ACTION_COLOURS) == set(TASKS)
    rgb = np.array([mpl.colors.to_rgb(colour) for colour in ACTION_COLOURS.values()])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    assert (np.diff(linear @ [0.2126, 0.7152, 0.0722]) < 0).all()
