"""How cold the night of the freeze was over the vineyard, from a few loggers and the terrain."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import geopandas as gpd
import numpy as np
import xarray as xr

from vinemap.arrays import Array
from vinemap.evidence.covariate import Evidence, Measured
from vinemap.model.gaussian import GaussianField
from vinemap.model.prediction import TAIL
from vinemap.sentences import Figure, Sentence
from vinemap.settings import Settings
from vinemap.terrain.grid import read_layers
from vinemap.terrain.sparse import BlockCells
from vinemap.terrain.standard import standard_over
from vinemap.units import degrees, temperature

FEWEST_LOGGERS = 3
"""Loggers below which nothing can be told apart: two places make no surface."""

ACCURACY_C = 0.4
_BUDS_M = 1.0
# Buds die of cold: that injury has nothing to do with the night's minima has one chance in eight, beside two ways in
# which it may follow them. Judgement; to be surer would gain less than half a per cent (tests/benchmarks/night.py).
_LOG_ODDS = float(np.log(10 / 3))
_INVERSION_C_PER_M = 0.3
_PLACES = 20_000
_BATCH = 50_000
_ENDS = 40
_END_SHARE = 1 / 10
_SURE = 0.9
_LOW = "height_above_low_m"


@dataclass(frozen=True)
class Lie:
    """Where cold lay: the low ground against the high ground of the blocks.

    Attributes
    ----------
    difference_c, low_c, high_c : float
        By how much the lowest tenth of the ground was warmer than the highest (below 0: colder), with its 90 %
        credible interval.
    probability : float
        That the low ground was the colder.
    """

    difference_c: float
    low_c: float
    high_c: float
    probability: float

    @property
    def key(self) -> str:
        """``low``, ``high``, or ``open`` where the loggers do not tell."""
        return "low" if self.probability >= _SURE else "high" if self.probability <= 1 - _SURE else "open"


class NightTemperature:
    """The minimum of the night over the vineyard.

    Parameters
    ----------
    loggers : GeoDataFrame
        As `vinemap.reading.loggers.read_loggers` gives them: min_c, height_m, points in the metric CRS.
    grid : Dataset
        As `vinemap.terrain.grid.block_grid` gives it.
    terrain : Dataset or None
        As `vinemap.terrain.layers.terrain_layers` gives it.

    Notes
    -----
    The terrain statistics are those of the injury surface. A logger's standard error is 0.4 °C (accuracy of usual
    loggers and their siting; common practice), and more where its sensor hung higher or lower than buds at about 1 m:
    by 0.3 °C a metre, between the 0.12 and 0.55 °C a metre of published inversions (Univ. of California 2014; Goodall
    et al., Univ. of California 1957), since nobody knows that night's own.

    Raises
    ------
    ValueError
        With fewer than `FEWEST_LOGGERS`.

    Examples
    --------
    >>> import geopandas as gpd
    >>> from vinemap.evidence.temperature import NightTemperature
    >>> from vinemap.terrain.grid import block_grid
    >>> blocks = vinemap.read("demo_blocks").site.blocks
    >>> points = blocks.geometry.representative_point()
    >>> loggers = gpd.GeoDataFrame({"min_c": -20.0 - points.index, "height_m": 1.5}, geometry=points, crs=blocks.crs)
    >>> night = NightTemperature(loggers, block_grid(blocks, 10.0), None)
    >>> mean, sd = night.at(points.get_coordinates().to_numpy())
    >>> bool(mean[0] > mean[-1])
    True
    """

    def __init__(self, loggers: gpd.GeoDataFrame, grid: xr.Dataset, terrain: xr.Dataset | None) -> None:
        if len(loggers) < FEWEST_LOGGERS:
            message = f"{len(loggers)} loggers tell no surface; it takes {FEWEST_LOGGERS}"
            raise ValueError(message)
        self.loggers = loggers
        self._terrain, cells = terrain, BlockCells.of(grid)
        self._xy = cells.centres(slice(None, None, max(1, len(cells) // _PLACES)))
        self._standardise()
        xy = np.column_stack([loggers.geometry.x, loggers.geometry.y])
        height = loggers["height_m"].to_numpy(float)
        error = np.hypot(ACCURACY_C, _INVERSION_C_PER_M * (height - _BUDS_M))
        self._measured = Measured(xy, loggers["min_c"].to_numpy(float), error)
        self.field = GaussianField().fit(xy, self._measured.values, error, self._rows(xy))

    def _standardise(self) -> None:
        self._names: list[str] = []
        self._centre = self._scale = np.empty(0)
        if self._terrain is None:
            return
        covariates, self._centre, self._scale, _ = standard_over(self._terrain, self._xy)
        self._names = [covariate.name for covariate in covariates]

    def _rows(self, xy: Array) -> Array:
        if self._terrain is None or not self._names:
            return np.empty((len(xy), 0))
        return np.asarray((read_layers(self._terrain, self._names, xy) - self._centre) / self._scale)

    def mean(self, xy: Array) -> Array:
        """Return the minimum (m,) at places (m, 2), °C."""
        return self.field.mean(xy, self._rows(xy))

    def at(self, xy: Array) -> tuple[Array, Array]:
        """Return mean and standard deviation of the minimum, each (m,), at places (m, 2), °C."""
        return self.field.predict(xy, self._rows(xy))

    def layers(self, grid: xr.Dataset) -> xr.Dataset:
        """Return the minimum on a grid with its 90 % interval, °C: ``night_c``, ``night_low_c``, ``night_high_c``."""
        cells = BlockCells.of(grid)
        mean, sd = (np.empty(len(cells), np.float32) for _ in range(2))
        for first in range(0, len(cells), _BATCH):
            part = slice(first, min(first + _BATCH, len(cells)))
            mean[part], sd[part] = self.at(cells.centres(part))
        values = {"night_c": mean, "night_low_c": mean - TAIL * sd, "night_high_c": mean + TAIL * sd}
        return xr.Dataset(
            {name: cells.layer(value.astype(np.float32)) for name, value in values.items()}, coords=grid.coords
        )

    @cached_property
    def lie(self) -> Lie | None:
        """Where cold lay; None without terrain that tells low ground from high."""
        if _LOW not in self._names or self._terrain is None:
            return None
        order = np.argsort(read_layers(self._terrain, [_LOW], self._xy)[:, 0], kind="stable")
        size = max(1, round(_END_SHARE * len(order)))
        ends = [_thinned(part) for part in (order[:size], order[-size:])]
        xy = self._xy[np.concatenate(ends)]
        shares = np.concatenate([np.full(len(end), sign / len(end)) for end, sign in zip(ends, (1, -1), strict=True)])
        mean, sd, below = self.field.contrast(xy, self._rows(xy), shares)
        return Lie(mean, mean - TAIL * sd, mean + TAIL * sd, below)

    def evidence(self, slope: float, slope_sd: float) -> Evidence:
        """Return the minimum of the night as evidence of injury.

        Parameters
        ----------
        slope, slope_sd : float
            Log-odds of a dead bud for each degree that it was colder.

        Notes
        -----
        The covariate is the posterior mean of the minimum. What the true one differs by is independent of that mean,
        given the loggers, so that the coefficient is not flattened (an error of the kind of J. Berkson, J. Am. Stat.
        Assoc. 45 (1950) 164, from memory); it varies smoothly over the ground, and is the surface's own field's to
        carry. That mean settles which terrain made the cold before any cane has its say: the loggers come along, for
        models in which they see what the counts see.
        """
        return Evidence(
            name="night.minimum",
            label=Sentence("page.night.minimum"),
            read=lambda xy, block: self.mean(xy),
            unit="°C",
            said="page.night.ends",
            step=-1.0,
            mean=-slope,
            sd=slope_sd,
            log_odds=_LOG_ODDS,
            measured=self._measured,
        )


def night_of(loggers: gpd.GeoDataFrame | None, grid: xr.Dataset, terrain: xr.Dataset | None) -> NightTemperature | None:
    """Return the minimum of the night; None with no loggers, or too few."""
    if loggers is None or len(loggers) < FEWEST_LOGGERS:
        return None
    return NightTemperature(loggers, grid, terrain)


def _thinned(places: Array) -> Array:
    return np.asarray(places[:: max(1, len(places) // _ENDS)])


def night_sentences(night: NightTemperature, settings: Settings) -> list[Sentence]:
    """Say how cold the night was, and whether cold lay low, stood high, or was everywhere alike."""
    values = night.loggers["min_c"]
    low, high = (_celsius(values.agg(end), settings) for end in ("min", "max"))
    said = [Sentence("page.night.loggers", loggers=Sentence.counted("count.loggers", len(values)), low=low, high=high)]
    lie = night.lie
    if lie is None:
        return said
    if lie.key == "open":
        return [*said, Sentence("page.night.lie.open")]
    sign = -1 if lie.key == "low" else 1
    ends = sorted(sign * end for end in (lie.low_c, lie.high_c))
    by, least, most = (_difference(value, settings) for value in (sign * lie.difference_c, *ends))
    return [*said, Sentence(f"page.night.lie.{lie.key}", difference=by, low=least, high=most)]


def _celsius(value: float, settings: Settings) -> Figure:
    figure, unit = temperature(value, settings.units)
    return Figure(figure, 1, unit)


def _difference(value: float, settings: Settings) -> Figure:
    figure, unit = degrees(value, settings.units)
    return Figure(figure, 1, unit)
