"""Feet, miles and acres, exact by the international yard and pound agreement of 1959."""

METRES_PER_FOOT = 0.3048
METRES_PER_MILE = 1609.344
HECTARES_PER_ACRE = 0.40468564224
