"""Places to rows of covariates, and the models to weigh."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import cast

import geopandas as gpd
import numpy as np
import xarray as xr
from scipy.special import logit

from vinemap.arrays import Array
from vinemap.evidence.covariate import Evidence
from vinemap.evidence.region_prior import Normal, RegionPrior, TerrainEffect
from vinemap.model.readings import Readings
from vinemap.terrain.grid import read_layers
from vinemap.terrain.layers import Covariate
from vinemap.terrain.sparse import BlockCells
from vinemap.terrain.standard import LEAST_RELIEF_M, standard_over

INTERCEPT_SD, VARIETY_SD, _PART_SD, TERRAIN_SD = 2.0, 1.0, 0.7, 1.0
_MOST_COVARIATES = 4
_ROWS_PER_COVARIATE = 8
_BATCH = 100_000
_TERRAIN, _EVIDENCE = 0, 1
# Below this share of its largest figure a spread is rounding of single precision.
_ROUNDING = 1e-6


@dataclass(frozen=True)
class Known:
    """Evidence as a column: standardised over the cells where it is known.

    Attributes
    ----------
    evidence : Evidence
        What is known.
    centre, scale : float
        The column is (figure - centre) / scale.
    filled : float
        Figure that unknown places get: the mean over the known cells.
    unknown : float
        Share of the cells where it is unknown.
    """

    evidence: Evidence
    centre: float
    scale: float
    filled: float
    unknown: float

    @classmethod
    def over(cls, evidence: Evidence, xy: Array, block: Array) -> Known | None:
        """Standardise over cells; None where the figure is unknown at all of them, or the same."""
        values = np.asarray(evidence.read(xy, block), float)
        known = values[np.isfinite(values)]
        if not len(known) or known.std() <= _ROUNDING * np.abs(known).max():
            return None
        mean = float(known.mean())
        centre = mean if evidence.centre is None else evidence.centre
        return cls(evidence, centre, float(known.std()), mean, 1 - len(known) / len(values))

    @property
    def prior(self) -> tuple[float, float]:
        """Prior mean and standard deviation of the column's coefficient."""
        sd = TERRAIN_SD if self.evidence.sd is None else self.evidence.sd * self.scale
        return self.evidence.mean * self.scale, sd

    def standardised(self, values: Array | float) -> Array:
        """Bring figures to the column's scale."""
        return np.asarray((values - self.centre) / self.scale)

    def column(self, xy: Array, block: Array) -> Array:
        """Read the column (m,) at places in blocks."""
        values = np.asarray(self.evidence.read(xy, block), float)
        return self.standardised(np.where(np.isfinite(values), values, self.filled))


@dataclass(frozen=True)
class Design:
    """What turns places into rows of covariates.

    Attributes
    ----------
    varieties : list of str
        One indicator column each.
    variety_of_block : array of int
        Index into ``varieties`` by block row, -1 where unknown.
    offset_of_block : array
        Known log-odds offset by block row.
    covariates : tuple of Covariate
        Terrain columns.
    known : tuple of Known
        Columns of evidence, after terrain's.
    silent : tuple of Evidence
        What is unknown or the same over all the ground, and so tells nothing.
    centre, scale : array
        That standardise the terrain columns over the vineyard's cells.
    terrain : Dataset or None
        The layers.
    relief_m : float or None
        From the lowest to the highest ground of the blocks; None without terrain.
    """

    varieties: list[str]
    variety_of_block: Array
    offset_of_block: Array
    covariates: tuple[Covariate, ...]
    centre: Array
    scale: Array
    terrain: xr.Dataset | None
    relief_m: float | None = None
    known: tuple[Known, ...] = ()
    silent: tuple[Evidence, ...] = ()
    _kept: list[tuple[BlockCells, tuple[Array, Array, Array]]] = field(default_factory=list, repr=False, compare=False)

    @classmethod
    def over(
        cls,
        blocks: gpd.GeoDataFrame,
        grid: xr.Dataset,
        terrain: xr.Dataset | None,
        hardiness: dict[str, float],
        evidence: Sequence[Evidence] = (),
    ) -> Design:
        """Design for the blocks of a vineyard; terrain and evidence are standardised over their cells.

        Where their heights differ by less than the error of heights, no terrain statistic is a covariate.
        """
        known = blocks["variety"].dropna()
        varieties = sorted(set(known))
        index = blocks["variety"].map({name: k for k, name in enumerate(varieties)}).fillna(-1).to_numpy(int)
        offset = blocks["variety"].map(hardiness).fillna(0.0).to_numpy(float)
        covariates: tuple[Covariate, ...] = ()
        centre = scale = np.empty(0)
        relief = None
        cells = BlockCells.of(grid)
        some = slice(None, None, max(1, len(cells) // _BATCH))
        if terrain is not None:
            covariates, centre, scale, relief = standard_over(terrain, cells.centres(some))
        columns = [Known.over(one, cells.centres(some), cells.block[some]) for one in evidence]
        known = tuple(column for column in columns if column is not None)
        silent = tuple(one for one, column in zip(evidence, columns, strict=True) if column is None)
        return cls(varieties, index, offset, covariates, centre, scale, terrain, relief, known, silent)

    @property
    def level(self) -> bool:
        """Whether the ground is too level for heights to tell places apart."""
        return self.relief_m is not None and self.relief_m < LEAST_RELIEF_M

    def is_offset(self, variety: int) -> bool:
        """Whether the hardiness of a variety, by number, is stated, so that its effect is what is left beside that."""
        return bool(np.any(self.offset_of_block[self.variety_of_block == variety]))

    @property
    def first_terrain(self) -> int:
        """First column of terrain."""
        return 2 + len(self.varieties)

    @property
    def first_known(self) -> int:
        """First column of evidence."""
        return self.first_terrain + len(self.covariates)

    @property
    def columns(self) -> int:
        """Number of columns: intercept, apical part, varieties, terrain, evidence."""
        return self.first_known + len(self.known)

    def rows(self, xy: Array, block: Array, apical: Array | None = None) -> tuple[Array, Array]:
        """Covariates (m, columns) and offsets (m,) of places in blocks, by default for the part that pruning keeps."""
        X = np.zeros((len(xy), self.columns))
        X[:, 0] = 1.0
        if apical is not None:
            X[:, 1] = apical
        variety = self.variety_of_block[block]
        known = np.flatnonzero(variety >= 0)
        X[known, 2 + variety[known]] = 1.0
        if self.terrain is not None and self.covariates:
            values = read_layers(self.terrain, [c.name for c in self.covariates], xy)
            X[:, self.first_terrain : self.first_known] = (values - self.centre) / self.scale
        for column, one in enumerate(self.known, start=self.first_known):
            X[:, column] = one.column(xy, block)
        return X, self.offset_of_block[block]

    def readings(self) -> Readings | None:
        """Return what was measured at a few places and may see what injury sees; None where nothing was."""
        for column, one in enumerate(self.known, start=self.first_known):
            there = one.evidence.measured
            if there is not None:
                X, _ = self.rows(there.xy, np.zeros(len(there.xy), int))
                X[:, : self.first_terrain] = X[:, column] = 0.0
                slope, slope_sd, odds = one.evidence.mean, cast(float, one.evidence.sd), one.evidence.log_odds or 0.0
                return Readings(there.xy, X, there.values, there.error_sd, slope, slope_sd, column, TERRAIN_SD, odds)
        return None

    def at_cells(self, cells: BlockCells, part: slice) -> tuple[Array, Array, Array]:
        """Positions (m, 2), covariates (m, columns) and offsets (m,) of some of a grid's cells.

        Those of the grid asked for last are kept where it is no larger than a batch: they are read for every tissue and
        average, and reading layers takes longest.
        """
        if len(cells) > _BATCH:
            xy = cells.centres(part)
            return xy, *self.rows(xy, cells.block[part])
        if not self._kept or self._kept[0][0] is not cells:
            xy = cells.centres(slice(None))
            self._kept[:] = [(cells, (xy, *self.rows(xy, cells.block)))]
        xy, X, offset = self._kept[0][1]
        return xy[part], X[part], offset[part]

    def prior_sd(self, borrowed: RegionPrior | None = None) -> Array:
        """Prior standard deviations (columns,) of the coefficients; of other vineyards where these have taught any."""
        sd = np.full(self.columns, TERRAIN_SD)
        sd[0], sd[1], sd[2 : self.first_terrain] = INTERCEPT_SD, _PART_SD, VARIETY_SD
        sd[self.first_known :] = [one.prior[1] for one in self.known]
        for column, effect, scale in self._taught(borrowed):
            sd[column] = effect.sd * scale
        return sd

    def prior_mean(self, borrowed: RegionPrior | None = None) -> Array:
        """Prior means (columns,) of the coefficients: 0 but for evidence, and other vineyards, that say another."""
        mean = np.zeros(self.columns)
        mean[self.first_known :] = [one.prior[0] for one in self.known]
        for column, effect, scale in self._taught(borrowed):
            mean[column] = effect.mean * scale
        return mean

    def log_odds(self, borrowed: RegionPrior | None = None) -> Array:
        """Prior log-odds (columns,) that a model has a column, as evidence or other vineyards have it; else NaN."""
        odds = np.full(self.columns, np.nan)
        odds[self.first_known :] = [np.nan if (own := one.evidence.log_odds) is None else own for one in self.known]
        for column, effect, _ in self._taught(borrowed):
            if isinstance(effect, TerrainEffect):
                odds[column] = logit(effect.probability)
        return odds

    def _taught(self, borrowed: RegionPrior | None) -> Iterator[tuple[int, Normal, float]]:
        """Yield the columns that other vineyards have taught, each with its effect and the column's unit."""
        if borrowed is None:
            return
        for number, name in enumerate(self.varieties):
            if name in borrowed.varieties and not self.is_offset(number):
                yield 2 + number, borrowed.varieties[name], 1.0
        for number, covariate in enumerate(self.covariates):
            if covariate.name in borrowed.terrain:
                yield self.first_terrain + number, borrowed.terrain[covariate.name], float(self.scale[number])

    def optional(self) -> Array:
        """Columns (columns,) that a model may do without: terrain, and evidence that does not say otherwise."""
        optional = np.arange(self.columns) >= self.first_terrain
        optional[self.first_known :] = [one.evidence.optional for one in self.known]
        return optional

    def free(self) -> Array:
        """Columns (columns,) that do not count towards `most_covariates`: evidence of an expected effect."""
        free = np.zeros(self.columns, bool)
        free[self.first_known :] = [one.evidence.expected for one in self.known]
        return free

    def source(self) -> Array:
        """Which source of knowledge each column (columns,) is of: terrain, or what else is known."""
        return np.where(np.arange(self.columns) >= self.first_known, _EVIDENCE, _TERRAIN)


def most_covariates(samples: int, borrowed: RegionPrior | None = None) -> int:
    """Return the most optional covariates of one model: one for every 8 samples, up to four.

    Where other vineyards have taught how probable each is, four need no samples of their own.
    """
    return _MOST_COVARIATES if borrowed is not None else min(_MOST_COVARIATES, samples // _ROWS_PER_COVARIATE)


def batches(count: int, size: int = _BATCH) -> Iterator[slice]:
    """Yield the parts of so many cells, by default of about 100,000."""
    for first in range(0, count, size):
        yield slice(first, min(first + size, count))
