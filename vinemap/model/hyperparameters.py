"""Binomial counts with their prior covariance, and the covariance parameters that explain them best."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from scipy.linalg import blas
from scipy.spatial.distance import cdist

from vinemap.arrays import Array
from vinemap.model.covariances import Dense, Vecchia
from vinemap.model.laplace import Laplace, expected_information, laplace, log_marginal_gradient
from vinemap.model.matern import ROUGH, matern, matern_by_length
from vinemap.model.readings import LEVEL_SD, Readings

NEARLY_NORMAL = 100
"""With more rows than this, the posterior of the covariance parameters is taken to be near enough to normal."""

_MANY = 600
_PART = 3
_SCORING_STEPS = 60
_HALVINGS = 8
_LONGEST_STEP = 1.5
# A fifth of a posterior standard deviation from the mode costs 0.02 of the log posterior.
_CLOSE = 0.2
_PROBES = 32
_LENGTHS = (0.08, 0.35)


@dataclass(frozen=True)
class Priors:
    """Weakly informative priors of the covariance parameters, each set by one tail probability of 5 %.

    Attributes
    ----------
    shortest_range_m : float
        The distance at which correlation falls to about 0.1 is shorter than this with probability 0.05. What
        changes faster than that is taken for between-cluster deviations instead.
    largest_field_sd, largest_cluster_sd : float
        The standard deviations of the field and between clusters, on the logit scale, exceed these with probability
        0.05. A standard deviation of 3 takes a probability from 5 % to 95 % within its middle 68 %.

    References
    ----------
    G.-A. Fuglstad, D. Simpson, F. Lindgren & H. Rue, "Constructing Priors that Penalize the Complexity of Gaussian
    Random Fields", J. Am. Stat. Assoc. 114 (2019) 445: range and standard deviation of a Matérn field in the plane
    have the joint density λ1 λ2 ρ^-2 exp(-λ1/ρ - λ2 σ).
    """

    shortest_range_m: float = 40.0
    largest_field_sd: float = 3.0
    largest_cluster_sd: float = 1.5

    def _rates(self, theta: Array) -> Array:
        length, field_sd, cluster_sd = np.exp(theta)
        # ρ = 2 ℓ is Fuglstad's range, sqrt(8 ν) / κ, for any smoothness ν, with κ = sqrt(2 ν) / ℓ.
        shares = (
            self.shortest_range_m / (2 * length),
            field_sd / self.largest_field_sd,
            cluster_sd / self.largest_cluster_sd,
        )
        return -np.log(0.05) * np.array(shares)

    def log_density(self, theta: Array) -> tuple[float, Array]:
        """Log density of (log ℓ, log σ, log τ) up to a constant, with its gradient."""
        rates = self._rates(theta)
        value = -theta[0] + theta[1] + theta[2] - rates.sum()
        return float(value), np.array([rates[0] - 1.0, 1.0 - rates[1], 1.0 - rates[2]])

    def information(self, theta: Array) -> Array:
        """Negative second derivatives of the log density, shape (3,); mixed ones are 0."""
        return self._rates(theta)

    def log_mean(self) -> Array:
        """Prior means (3,) of log ℓ, log σ, log τ.

        σ, τ and 1/ρ are exponential: the log of such a variable of rate λ has mean -log λ - γ, γ Euler's constant.
        """
        return np.array([1.0, -1.0, -1.0]) * (np.log(self._rates(np.zeros(3))) + np.euler_gamma)

    def log_variance(self) -> float:
        """Prior variance of each of them, that of the log of an exponential variable: π²/6."""
        return float(np.pi**2 / 6)


@dataclass(frozen=True)
class NormalPriors(Priors):
    """Normal priors of the logs of the covariance parameters, for what other data of the kind have taught.

    Attributes
    ----------
    mean, sd : tuple of float
        Of log ℓ (metres), log σ, log τ.
    """

    mean: tuple[float, float, float] = (0.0, 0.0, 0.0)
    sd: tuple[float, float, float] = (1.0, 1.0, 1.0)

    def log_density(self, theta: Array) -> tuple[float, Array]:
        """Log density of (log ℓ, log σ, log τ) up to a constant, with its gradient."""
        away = (theta - np.array(self.mean)) / np.array(self.sd)
        return float(-0.5 * away @ away), -away / np.array(self.sd)

    def information(self, theta: Array) -> Array:
        """Negative second derivatives of the log density, shape (3,); mixed ones are 0."""
        return np.array(self.sd) ** -2.0


@dataclass(frozen=True)
class Mode:
    """Covariance parameters of one model at their posterior mode, or anywhere else, with the fit there.

    Attributes
    ----------
    theta : array (3,)
        log ℓ (metres), log σ, log τ.
    variance : array (p,)
        Prior variances of the coefficients; 0 leaves a covariate out.
    fit : Laplace
        The approximation at ``theta``.
    log_posterior : float
        Log marginal likelihood plus log prior densities of ``theta`` and of the model, and the weight of the readings.
    log_prior : float
        That of the model.
    smoothness : float
        Of the field.
    slope : float
        Log-odds per unit of the readings; 0 where they tell nothing.
    """

    theta: Array
    variance: Array
    fit: Laplace
    log_posterior: float
    log_prior: float = 0.0
    smoothness: float = ROUGH
    slope: float = 0.0


@dataclass(frozen=True)
class Counts:
    """Counts at points, with all that their prior covariance needs.

    Attributes
    ----------
    xy : array (n, 2)
        Easting and northing in metres.
    events, trials : array (n,)
        Counts at each site.
    X : array (n, p)
        Covariates.
    offset : array (n,)
        Known part of the log-odds.
    cluster : array of int (n,)
        Rows with the same number share one deviation.
    priors : Priors
        Of the covariance parameters.
    smoothness : float
        Of the field, 3/2 or 5/2.
    prior_mean : array (p,) or None
        Prior mean of each coefficient, where its column is in a model; None for 0.
    readings : Readings or None
        Their rows come last, with no counts.
    slope : float
        Log-odds per unit of these; with 0 they tell nothing of the counts.
    """

    xy: Array
    events: Array
    trials: Array
    X: Array
    offset: Array
    cluster: Array
    priors: Priors
    smoothness: float = ROUGH
    prior_mean: Array | None = None
    readings: Readings | None = None
    slope: float = 0.0

    @classmethod
    def of(
        cls, xy: Array, events: Array, trials: Array, X: Array | None, offset: Array | float, cluster: Array | None,
        priors: Priors, prior_mean: Array | None = None, readings: Readings | None = None,
    ) -> Counts:  # fmt: skip
        """Bring the arguments of `BinomialField.fit` into shape."""
        xy = np.asarray(xy, float)
        n = len(xy)
        X = np.ones((n, 1)) if X is None else np.asarray(X, float)
        cluster = np.arange(n) if cluster is None else np.unique(cluster, return_inverse=True)[1]
        offset = np.array(np.broadcast_to(offset, n), float)
        counts = cls(xy, np.asarray(events, float), np.asarray(trials, float), X, offset, cluster, priors)
        counts = counts if prior_mean is None else replace(counts, prior_mean=prior_mean)
        return counts if readings is None else counts._with(readings)

    def _with(self, readings: Readings) -> Counts:
        """Append the rows of readings; no cluster's deviation is in them."""
        none = np.zeros(len(readings))
        return replace(
            self,
            xy=np.vstack([self.xy, readings.xy]),
            events=np.append(self.events, none),
            trials=np.append(self.trials, none),
            X=np.vstack([self.X, readings.X]),
            offset=np.append(self.offset, none),
            cluster=np.append(self.cluster, self.cluster.max() + 1 + np.arange(len(readings))),
            readings=readings,
        )

    @property
    def rows(self) -> int:
        """How many rows have counts; those of readings follow."""
        return len(self) - (0 if self.readings is None else len(self.readings))

    def alone(self) -> Counts:
        """Return the counts without readings."""
        if self.readings is None:
            return self
        rows = np.arange(self.rows)
        return replace(self, readings=None, slope=0.0).take(rows)

    @cached_property
    def _distance(self) -> Array:
        return cdist(self.xy, self.xy)

    @cached_property
    def _same_cluster(self) -> Array | None:
        """1 where two rows share a cluster, shape (n, n); None where none do."""
        if self.readings is None and len(np.unique(self.cluster)) == len(self):
            return None
        same = np.asarray(self.cluster[:, None] == self.cluster, float)
        same[self.rows :, self.rows :] = 0.0
        return same

    @cached_property
    def _signs(self) -> Array:
        """Random signs (n, m), the same ones each time."""
        return np.random.default_rng(0).choice([-1.0, 1.0], (len(self), _PROBES))

    def __len__(self) -> int:
        return len(self.xy)

    def part(self, rows: int) -> Counts:
        """Return a random part of the rows, the same one each time."""
        return self.take(np.random.default_rng(0).permutation(self.rows)[:rows])

    def take(self, pick: Array) -> Counts:
        """Return some of the rows of counts, given by number, with all readings."""
        taken = Counts.of(
            self.xy[pick],
            self.events[pick],
            self.trials[pick],
            self.X[pick],
            self.offset[pick],
            self.cluster[pick],
            self.priors,
            self.prior_mean,
            self.readings,
        )
        return replace(taken, slope=self.slope)

    def columns(self, used: Array) -> Counts:
        """Return the counts with some of the covariates, given by number."""
        means = None if self.prior_mean is None else self.prior_mean[used]
        return replace(self, X=self.X[:, used], prior_mean=means)

    def coef_mean(self, variance: Array) -> Array:
        """Prior means (p,) of the coefficients of a model with these prior variances; 0 for what it leaves out."""
        if self.prior_mean is None:
            return np.zeros(len(variance))
        return np.where(variance > 0, self.prior_mean, 0.0)

    def mean(self, variance: Array) -> Array:
        """Prior mean (n,) of the log-odds in a model with these prior variances.

        A coefficient of prior mean m is m and a deviation of prior mean 0, so that m times its column is known.
        """
        return self.offset if self.prior_mean is None else self.offset + self.X @ self.coef_mean(variance)

    def covariance(self, theta: Array, variance: Array) -> Dense | Vecchia:
        """Prior covariance (n, n) of the log-odds: coefficients, field and between-cluster deviations."""
        length, field_sd, cluster_sd = np.exp(theta)
        K = matern(self._distance, length, self.smoothness)
        # K.T is the Fortran-ordered view to which BLAS adds the coefficients' part in place.
        K = blas.dgemm(1.0, self.X * variance, self.X, trans_b=1, beta=field_sd**2, c=K.T, overwrite_c=1).T
        if self._same_cluster is None:
            K.flat[:: len(K) + 1] += cluster_sd**2
        else:
            K += cluster_sd**2 * self._same_cluster
        if self.readings is not None:
            K[self.rows :, self.rows :] += self.level_sd**2
        return Dense(K)

    @property
    def level_sd(self) -> float:
        """Prior standard deviation of the readings' level, in log-odds."""
        return 0.0 if self.readings is None else LEVEL_SD * abs(self.readings.slope)

    def _read(self) -> tuple[Array | float, Array | float]:
        """Return what was read of the log-odds (n,), and its precision (n,); 0 in rows of counts."""
        if self.readings is None:
            return 0.0, 0.0
        none = np.zeros(self.rows)
        reading, precision = self.readings.scaled(self.slope)
        return np.append(none, reading), np.append(none, precision)

    def _derivatives(self, theta: Array) -> list[Array]:
        """Differentiate the covariance by log ℓ, log σ and log τ; one dimension stands for a diagonal."""
        length, field_sd, cluster_sd = np.exp(theta)
        by_length = matern_by_length(self._distance, length, self.smoothness)
        by_sd = matern(self._distance, length, self.smoothness)
        by_length *= field_sd**2
        by_sd *= 2 * field_sd**2
        ones = np.ones(len(self)) if self._same_cluster is None else self._same_cluster
        return [by_length, by_sd, 2 * cluster_sd**2 * ones]

    def at(self, theta: Array, variance: Array, log_prior: float = 0.0, near: Laplace | None = None) -> Mode:
        """Fit at given covariance parameters; ``near`` is a fit nearby."""
        K, mean = self.covariance(theta, variance), self.mean(variance)
        fit = laplace(K, self.events, self.trials, mean, near, *self._read())
        log_posterior = fit.log_marginal + self.priors.log_density(theta)[0] + log_prior
        if self.readings is not None:
            log_posterior += self.readings.log_weight(self.slope)
        return Mode(theta, variance, fit, log_posterior, log_prior, self.smoothness, self.slope)

    def gradient(self, mode: Mode, derivatives: list[Array] | None = None) -> Array:
        """Gradient of the log posterior of the covariance parameters, shape (3,)."""
        derivatives = self._derivatives(mode.theta) if derivatives is None else derivatives
        likelihood = log_marginal_gradient(mode.fit, derivatives)
        return np.asarray(likelihood + self.priors.log_density(mode.theta)[1])

    def _information(self, mode: Mode, derivatives: list[Array]) -> Array:
        """Estimate the information on the covariance parameters, the prior's included, shape (3, 3)."""
        likelihood = expected_information(mode.fit, derivatives, self._signs)
        return likelihood + np.diag(self.priors.information(mode.theta))

    def _step(self, mode: Mode) -> tuple[Array, float]:
        """Fisher scoring's step towards the posterior mode, and its squared length in posterior sd."""
        derivatives = self._derivatives(mode.theta)
        gradient = self.gradient(mode, derivatives)
        step = np.linalg.solve(self._information(mode, derivatives), gradient)
        return step, float(gradient @ step)

    def limits(self) -> Array:
        """Limits of log ℓ, log σ, log τ, shape (3, 2), so wide that only a failed fit meets them."""
        extent = max(float(np.ptp(self.xy, axis=0).max()), 2 * self.priors.shortest_range_m)
        return np.log([[1.0, 10 * extent], [0.02, 20.0], [0.01, 10.0]])

    def mode(self, variance: Array, log_prior: float = 0.0, start: Array | None = None) -> Mode:
        """Find the posterior mode of the covariance parameters of one model.

        The search starts from the better of a short and a long field, or from ``start``; with many rows, from the
        mode on a random part of them, which is so near that few steps remain.
        """
        if start is not None:
            return self._climb(self.at(start, variance, log_prior), log_prior)
        if len(self) > _MANY:
            return self.mode(variance, log_prior, self.part(len(self) // _PART).mode(variance).theta)
        extent = float(np.exp(self.limits()[0, 1])) / 10
        starts = [self.at(np.log([share * extent, 1.0, 0.4]), variance, log_prior) for share in _LENGTHS]
        return self._climb(max(starts, key=lambda mode: mode.log_posterior), log_prior)

    def _climb(self, mode: Mode, log_prior: float) -> Mode:
        """Climb to a posterior mode by Fisher scoring with step halving."""
        for _ in range(_SCORING_STEPS):
            step, promise = self._step(mode)
            if promise < _CLOSE**2:
                break
            better = self._ahead(mode, step, log_prior)
            if better is None:
                break
            mode = better
        return mode

    def _ahead(self, mode: Mode, step: Array, log_prior: float) -> Mode | None:
        """Fit at the first of ever shorter steps that improves the log posterior; None if none does."""
        low, high = self.limits().T
        step = step * min(1.0, _LONGEST_STEP / float(np.abs(step).max()))
        for _ in range(_HALVINGS):
            trial = self.at(np.clip(mode.theta + step, low, high), mode.variance, log_prior, mode.fit)
            if trial.log_posterior > mode.log_posterior:
                return trial
            step = step / 2
        return None

    def axes(self, mode: Mode) -> Array:
        """Principal axes (3, 3) of the posterior of the covariance parameters at its mode, a column one sd long."""
        if len(self) > NEARLY_NORMAL:
            precision = self._information(mode, self._derivatives(mode.theta))
        else:
            precision = self._observed_information(mode)
        values, vectors = np.linalg.eigh(precision)
        # A direction that the data leave open is held by the prior's own curvature, about 1 in logs.
        return np.asarray(vectors / np.sqrt(np.clip(values, 0.5, None)))

    def _observed_information(self, mode: Mode) -> Array:
        """Negative second derivatives of the log posterior, from central differences of its gradient."""
        step = 0.05
        hessian = np.empty((3, 3))
        for j, unit in enumerate(np.eye(3)):
            ahead, behind = (
                self.gradient(self.at(mode.theta + side * step * unit, mode.variance, near=mode.fit))
                for side in (1, -1)
            )
            hessian[j] = (behind - ahead) / (2 * step)
        return np.asarray((hessian + hessian.T) / 2)
