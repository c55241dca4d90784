"""Feet, miles, acres, pounds and short tons, exact by the international yard and pound agreement of 1959; degrees."""

from __future__ import annotations

METRES_PER_FOOT = 0.3048
METRES_PER_MILE = 1609.344
HECTARES_PER_ACRE = 0.40468564224
KILOGRAMS_PER_POUND = 0.45359237
TONNES_PER_SHORT_TON = 2000 * KILOGRAMS_PER_POUND / 1000


def area_unit(units: str) -> tuple[float, str]:
    """Return what a hectare is in the keeper's unit of area, and that unit's name, for ``metric`` or ``us``."""
    return (1 / HECTARES_PER_ACRE, "acres") if units == "us" else (1.0, "ha")


def length_unit(units: str) -> tuple[float, str]:
    """Return what a metre is in the keeper's unit of length, and that unit's mark, for ``metric`` or ``us``."""
    return (1 / METRES_PER_FOOT, "ft") if units == "us" else (1.0, "m")


def temperature(celsius: float, units: str) -> tuple[float, str]:
    """Return a temperature in the keeper's degrees, and their mark, for ``metric`` or ``us``."""
    return (celsius * 9 / 5 + 32, "°F") if units == "us" else (celsius, "°C")


def degrees(difference: float, units: str) -> tuple[float, str]:
    """Return a difference of temperatures in the keeper's degrees, and their mark, for ``metric`` or ``us``."""
    return (difference * 9 / 5, "°F") if units == "us" else (difference, "°C")
