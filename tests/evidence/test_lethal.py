"""Lethal temperatures by what is published, and the kill that they make of a night's cold."""

from __future__ import annotations

import datetime as dt
import math

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from vinemap.evidence.lethal import Lethal, expected_kill, lethal_temperatures, slope_of
from vinemap.rules import default_rules

RULES = default_rules()
COLUMNS = ["variety", "species_group", "date", "lt10_c", "lt50_c", "lt90_c"]


def table(*rows: list[object]) -> pd.DataFrame:
    frame = pd.DataFrame(rows, columns=COLUMNS)
    return frame.assign(date=pd.to_datetime(frame["date"]), **frame[COLUMNS[3:]].astype(float))


def blocks(variety: str | None, group: str | None = None) -> pd.DataFrame:
    return pd.DataFrame({"variety": [variety], "species_group": [group]}, dtype=object)


def test_starts_of_injury_are_the_published_ones() -> None:
    """American -15 °F, French hybrid -10 °F, vinifera -5 °F: Univ. of Maryland (2018), read; a tenth dies there."""
    for group, fahrenheit in {"american": -15, "french_hybrid": -10, "vinifera": -5}.items():
        (lethal,) = lethal_temperatures(blocks(None, group), None, None, RULES)
        begins = (fahrenheit - 32) * 5 / 9
        assert expit(lethal.slope * (lethal.lt50_c - begins)) == pytest.approx(0.1, abs=0.01)
        assert lethal.known_by == "published"
    (unknown,) = lethal_temperatures(blocks(None), None, None, RULES)
    assert unknown.known_by == "unknown"
    assert unknown.sd_c > lethal.sd_c


def test_slopes_are_the_published_ones() -> None:
    """LT10 to LT90: Merlot 3.05 °C is 1.44 logits a degree, Chardonnay 2.22 is 1.98 (Washington State University).

    A normal spread of 1.76 °C within a variety and day (Geneva NY, data of Kovaleski and others) is 1.03.
    """
    assert slope_of(-20.0, -23.05) == pytest.approx(1.44, abs=0.01)
    assert slope_of(-20.0, -22.22) == pytest.approx(1.98, abs=0.01)
    assert math.pi / math.sqrt(3) / 1.76 == pytest.approx(1.03, abs=0.01)
    for published in (1.03, 1.44):
        assert abs(RULES.hardiness.slope - published) <= RULES.hardiness.slope_sd


def test_the_file_goes_before_what_is_published() -> None:
    """By variety in any spelling, else by group; between two days in proportion, farther off less certain."""
    known = table(
        ["riesling", None, "2026-01-10", -19.0, -21.0, -23.0],
        ["Riesling", None, "2026-01-30", -21.0, -23.0, -25.0],
        [None, "vinifera", None, None, -20.0, None],
    )
    (lethal,) = lethal_temperatures(blocks("RIESLING"), known, dt.date(2026, 1, 20), RULES)
    assert lethal.lt50_c == pytest.approx(-22.0)
    assert lethal.slope == pytest.approx(slope_of(-20.0, -24.0))
    assert lethal.known_by == "variety"
    (on_the_day,) = lethal_temperatures(blocks("Riesling"), known, dt.date(2026, 1, 30), RULES)
    assert (on_the_day.lt50_c, on_the_day.sd_c) == (-23.0, 1.0)
    assert lethal.sd_c > on_the_day.sd_c
    (by_group,) = lethal_temperatures(blocks("Merlot"), known, dt.date(2026, 1, 20), RULES)
    assert (by_group.lt50_c, by_group.known_by, by_group.slope) == (-20.0, "group", RULES.hardiness.slope)


def test_the_kill_is_integrated_over_all_that_is_uncertain() -> None:
    """Against draws of temperature, lethal temperature and slope."""
    rng = np.random.default_rng(3)
    lethal = Lethal(-22.0, 1.5, 1.25, 0.3, "published")
    mean = np.array([-18.0, -21.0, -24.0, -27.0])
    draws = rng.standard_normal((3, 200_000, 1))
    logits = (1.25 + 0.3 * draws[0]) * ((-22 + 1.5 * draws[1]) - (mean + 0.8 * draws[2]))
    found = expected_kill(mean, np.full(4, 0.8), np.zeros(4, int), [lethal])
    np.testing.assert_allclose(found.mean, expit(logits).mean(axis=0), atol=0.02)
    np.testing.assert_allclose([found.low, found.high], np.quantile(expit(logits), [0.05, 0.95], axis=0), atol=0.1)
