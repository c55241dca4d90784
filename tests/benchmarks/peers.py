"""What vinemap is measured against: each takes samples and gives injury at every cell, some with 90 % intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import statsmodels.api as sm
from pykrige.ok import OrdinaryKriging
from scipy.special import expit
from sklearn.ensemble import RandomForestRegressor
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import ConstantKernel, Matern, WhiteKernel
from sklearn.linear_model import LinearRegression

from tests.benchmarks.inverse_distance import nearby_shares

Estimate = tuple[np.ndarray, np.ndarray, np.ndarray]


@dataclass(frozen=True)
class Task:
    """Samples and cells of one vineyard.

    Attributes
    ----------
    xy, cells : array (n, 2), array (m, 2)
        Metres from a corner of the vineyard.
    dead, read : array (n,)
        Counts.
    terrain, cell_terrain : array (n, k), array (m, k)
        Terrain covariates: elevation, height above low ground at two radii, rise, slope, northness, eastness.
    block, cell_block : array (n,), array (m,)
        Block numbers.
    """

    xy: np.ndarray
    cells: np.ndarray
    dead: np.ndarray
    read: np.ndarray
    terrain: np.ndarray
    cell_terrain: np.ndarray
    block: np.ndarray
    cell_block: np.ndarray

    @property
    def share(self) -> np.ndarray:
        """Share of buds dead at each sample."""
        return self.dead / self.read

    @property
    def empirical_logit(self) -> np.ndarray:
        """Logit with half a bud added to either side (J. B. S. Haldane, Ann. Hum. Genet. 20 (1956) 309)."""
        return np.log((self.dead + 0.5) / (self.read - self.dead + 0.5))


def _alone(mean: np.ndarray) -> Estimate:
    return mean, np.full_like(mean, np.nan), np.full_like(mean, np.nan)


def block_means(task: Task) -> Estimate:
    """Each block's own share of dead buds; the vineyard's where a block has no sample."""
    overall = task.dead.sum() / task.read.sum()
    means = np.array(
        [
            task.dead[task.block == b].sum() / task.read[task.block == b].sum() if (task.block == b).any() else overall
            for b in range(task.cell_block.max() + 1)
        ]
    )
    return _alone(means[task.cell_block])


def inverse_distance(task: Task) -> Estimate:
    """Inverse distance weighting of the shares dead."""
    return _alone(nearby_shares(task.xy, task.share, task.cells))


def ordinary_kriging(task: Task) -> Estimate:
    """PyKrige's ordinary kriging of the percentages, exponential variogram."""
    model = OrdinaryKriging(*task.xy.T, task.share, variogram_model="exponential")
    mean, variance = model.execute("points", *task.cells.T)
    half = 1.645 * np.sqrt(np.maximum(variance, 0))
    return tuple(np.clip(v, 0, 1) for v in (mean, mean - half, mean + half))


def regression_kriging(task: Task) -> Estimate:
    """Linear regression of empirical logits on terrain, its residuals kriged by PyKrige."""
    trend = LinearRegression().fit(task.terrain, task.empirical_logit)
    residual = task.empirical_logit - trend.predict(task.terrain)
    model = OrdinaryKriging(*task.xy.T, residual, variogram_model="exponential")
    mean, variance = model.execute("points", *task.cells.T)
    mean = mean + trend.predict(task.cell_terrain)
    half = 1.645 * np.sqrt(np.maximum(variance, 0))
    return expit(mean), expit(mean - half), expit(mean + half)


def binomial_glm(task: Task) -> Estimate:
    """statsmodels' binomial regression on terrain."""
    centre, scale = task.terrain.mean(axis=0), task.terrain.std(axis=0) + 1e-9
    X, cells = (sm.add_constant((v - centre) / scale, has_constant="add") for v in (task.terrain, task.cell_terrain))
    fit = sm.GLM(np.column_stack([task.dead, task.read - task.dead]), X, family=sm.families.Binomial()).fit()
    spread = np.sqrt(np.einsum("ij,jk,ik->i", cells, fit.cov_params(), cells))
    mean = cells @ fit.params
    return expit(mean), expit(mean - 1.645 * spread), expit(mean + 1.645 * spread)


def random_forest(task: Task) -> Estimate:
    """scikit-learn's random forest on coordinates and terrain."""
    forest = RandomForestRegressor(300, min_samples_leaf=2, random_state=0, n_jobs=2)
    forest.fit(np.hstack([task.xy, task.terrain]), task.share, sample_weight=task.read)
    return _alone(forest.predict(np.hstack([task.cells, task.cell_terrain])))


def gaussian_process(task: Task) -> Estimate:
    """scikit-learn's Gaussian process on empirical logits, Matérn 3/2, with white noise."""
    kernel = ConstantKernel(1.0, (1e-3, 1e2)) * Matern(100.0, (5.0, 5e3), nu=1.5) + WhiteKernel(0.3, (1e-3, 1e1))
    y = task.empirical_logit
    model = GaussianProcessRegressor(kernel, n_restarts_optimizer=2, random_state=0).fit(task.xy, y - y.mean())
    mean, sd = model.predict(task.cells, return_std=True)
    mean = mean + y.mean()
    sd = np.sqrt(np.maximum(sd**2 - model.kernel_.k2.noise_level, 1e-9))
    return expit(mean), expit(mean - 1.645 * sd), expit(mean + 1.645 * sd)


PEERS = {
    "block means": block_means,
    "inverse distance": inverse_distance,
    "ordinary kriging (PyKrige)": ordinary_kriging,
    "regression kriging of logits": regression_kriging,
    "binomial GLM on terrain": binomial_glm,
    "random forest": random_forest,
    "Gaussian process on logits": gaussian_process,
}
