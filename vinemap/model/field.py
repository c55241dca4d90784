"""Spatial binomial regression: covariates, a Matérn field and between-cluster deviations."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import expit, logit, ndtr, ndtri
from threadpoolctl import threadpool_limits

from vinemap.arrays import Array
from vinemap.model.components import Component, ExactComponent, VecchiaComponent
from vinemap.model.hyperparameters import NEARLY_NORMAL, Counts, Mode, Priors
from vinemap.model.lattice import Lattice
from vinemap.model.many import ManyCounts

TAIL = float(ndtri(0.95))
"""Standard deviations from the middle to the 5 % and 95 % quantiles of a normal variable."""

# Much wider chunks only take memory, much narrower ones make matrix products slow.
_CHUNK_BYTES = 16e6
_NARROWEST_CHUNK = 1000
_STEPS_PER_LENGTH = 5.0
_STEPS_DRAWN = 8.0
_MOST_PREDICTED = 2e5
_MOST_DRAWN = 2e7
_FEW = 400
_WINDOW = 4.0
_MASS = 0.98
_MOST_MODELS = 6


@dataclass(frozen=True)
class Prediction:
    """Posterior of the probability of an event, a value a point.

    Attributes
    ----------
    mean, low, high : array (m,)
        Mean and the 5 % and 95 % quantiles, fractions 0 to 1.
    logit_mean, logit_sd : array (m,)
        Moments of the log-odds.
    """

    mean: Array
    low: Array
    high: Array
    logit_mean: Array
    logit_sd: Array

    @classmethod
    def of(cls, mean: Array, variance: Array) -> Prediction:
        """Turn moments of the log-odds into those of the probability itself."""
        sd = np.sqrt(np.maximum(variance, 1e-12))
        return cls(logistic_normal_mean(mean, sd), expit(mean - TAIL * sd), expit(mean + TAIL * sd), mean, sd)

    def exceedance(self, threshold: float) -> Array:
        """Return the probability (m,) that the event's own probability exceeds ``threshold``."""
        return np.asarray(ndtr((self.logit_mean - logit(threshold)) / self.logit_sd))


def logistic_normal_mean(mean: Array, sd: Array) -> Array:
    """Mean of the inverse logit of a normal variable by 9-point Gauss-Hermite quadrature."""
    points, weights = np.polynomial.hermite_e.hermegauss(9)
    total = np.zeros_like(mean)
    for point, weight in zip(points, weights / weights.sum(), strict=True):
        total += weight * expit(mean + point * sd)
    return total


def _coefficients(components: list[Component]) -> tuple[Array, Array]:
    """Posterior mean (p,) and covariance (p, p) of the coefficients over components."""
    shares = np.array([component.weight for component in components])
    shares /= shares.sum()
    coef = np.array([component.coef for component in components])
    mean = shares @ coef
    within = np.tensordot(shares, [component.coef_covariance() for component in components], 1)
    return mean, within + (shares[:, None] * (coef - mean)).T @ (coef - mean)


class BinomialField:
    """Spatial binomial regression fitted by Laplace approximation.

    At each row, ``events ~ Binomial(trials, p)`` with ``logit p = offset + X b + f(x, y) + e``: coefficients *b* with
    independent normal priors, *f* a Gaussian process with Matérn 3/2 correlation, *e* the deviation of the
    row's cluster. Coefficients are integrated, not plugged in. The three covariance parameters are set at their
    posterior mode, and integrated over a central composite design around it where the rows are few.

    Several priors of the coefficients may be given, each a model: a prior standard deviation of 0 leaves a covariate
    out. Models are averaged by their evidence where the rows are few; with many, the best one on a random part of
    the rows is kept. The algebra is exact up to ``most_exact`` rows.

    Parameters
    ----------
    priors : Priors
        Of the covariance parameters.
    integrate : bool or None
        Integrate the covariance parameters and average the models; None does so up to 400 rows.
    theta : array (3,), optional
        Fixed log length scale, log field sd, log cluster sd: nothing is estimated then.
    most_exact : int
        Beyond this many rows the algebra is that of `ManyCounts`, in which the rows of a cluster have one place.

    Attributes
    ----------
    theta_ : array (3,)
        Posterior mode of log ℓ (metres), log σ, log τ in the best model.
    log_evidence_ : float
        Laplace log marginal likelihood of the best model at ``theta_``, plus the log prior density of ``theta_``.
    model_weights_ : array (k,)
        Posterior weight of each prior that was given.
    theta_sd_ : array (3,)
        Posterior standard deviations of the same; 0 where they were not integrated.
    coef_, coef_cov_ : array (p,), array (p, p)
        Posterior mean and covariance of the coefficients over all models.
    best_coef_, best_coef_cov_ : array (p,), array (p, p)
        The same in the best model alone.

    References
    ----------
    C. E. Rasmussen & C. K. I. Williams, Gaussian Processes for Machine Learning, 2006, chapters 3 and 5.
    H. Rue, S. Martino & N. Chopin, J. R. Stat. Soc. B 71 (2009) 319, section 6.5: the design.
    D. Madigan & A. E. Raftery, J. Am. Stat. Assoc. 89 (1994) 1535: models averaged within Occam's window.

    Examples
    --------
    >>> import numpy as np
    >>> from vinemap.model.field import BinomialField
    >>> random = np.random.default_rng(1)
    >>> xy = random.uniform(0, 300, (60, 2))
    >>> share = 1 / (1 + np.exp((xy[:, 0] - 150) / 50))  # the west froze, the east did not
    >>> dead = random.binomial(20, share)
    >>> field = BinomialField().fit(xy, dead, np.full(60, 20))
    >>> west, east = field.predict(np.array([[20.0, 150.0], [280.0, 150.0]])).mean
    >>> bool(west > 0.8 and east < 0.2)
    True
    """

    def __init__(
        self,
        priors: Priors | None = None,
        *,
        integrate: bool | None = None,
        theta: Array | None = None,
        most_exact: int = 1000,
    ) -> None:
        self.priors = Priors() if priors is None else priors
        self.integrate = integrate
        self.theta = theta
        self.most_exact = most_exact

    def fit(
        self,
        xy: Array,
        events: Array,
        trials: Array,
        X: Array | None = None,
        *,
        prior_sd: Array | float = 2.0,
        log_prior: Array | float = 0.0,
        offset: Array | float = 0.0,
        cluster: Array | None = None,
        start: Array | None = None,
    ) -> BinomialField:
        """Fit to counts.

        Parameters
        ----------
        xy : array (n, 2)
            Easting and northing in metres.
        events, trials : array (n,)
            Counts at each site.
        X : array (n, p), optional
            Covariates; a column of ones by default.
        prior_sd : float, array (p,) or array (k, p)
            Prior standard deviations of the coefficients (prior means are 0); a row a model.
        log_prior : float or array (k,)
            Log prior weights of the models.
        offset : float or array (n,)
            Known part of the log-odds.
        cluster : array (n,), optional
            Rows with the same value share one deviation; each row is its own cluster by default.
        start : array (3,), optional
            Where to start the search for the covariance parameters.

        Returns
        -------
        BinomialField
            Itself.
        """
        self.counts_ = Counts.of(xy, events, trials, X, offset, cluster, self.priors)
        if len(self.counts_) > self.most_exact:
            self.counts_ = ManyCounts.all_of(self.counts_)
        columns = self.counts_.X.shape[1]
        variances = np.square(np.atleast_2d(prior_sd)) * np.ones(columns)
        weights = np.broadcast_to(log_prior, len(variances))
        few = len(self.counts_) <= _FEW if self.integrate is None else self.integrate
        small = len(self.counts_) <= _FEW or isinstance(self.counts_, ManyCounts)
        with threadpool_limits(1 if small else None, "blas"):
            # Threads cost more than they give on matrices of some hundreds.
            self._fit(variances, weights, start, few)
        return self

    def _fit(self, variances: Array, log_prior: Array, start: Array | None, few: bool) -> None:
        modes = self._models(variances, log_prior, start, few)
        best = max(modes, key=lambda mode: mode.log_posterior)
        self._components = self._design(modes) if few and self.theta is None else self._as_components([(best, 1.0)])
        best = max((component.mode for component in self._components), key=lambda mode: mode.log_posterior)
        self.theta_, self.log_evidence_ = best.theta, best.log_posterior
        self.coef_, self.coef_cov_ = _coefficients(self._components)
        of_best = [component for component in self._components if component.mode.variance is best.variance]
        self.best_coef_, self.best_coef_cov_ = _coefficients(of_best)
        thetas = np.array([component.mode.theta for component in of_best])
        shares = np.array([component.weight for component in of_best])
        self.theta_sd_ = np.sqrt(np.average((thetas - np.average(thetas, 0, shares)) ** 2, 0, shares))

    # Models and covariance parameters

    def _models(self, variances: Array, log_prior: Array, start: Array | None, few: bool) -> list[Mode]:
        """Fit every model and keep those that the evidence does not rule out."""
        counts = self.counts_
        if len(counts) > _FEW:
            model = self._best_of_part(variances, log_prior)
            return [self._mode(counts, variances[model], float(log_prior[model]), start)]
        ranked = self._rank(counts, variances, log_prior, start)
        evidence = np.array([mode.log_posterior for mode in ranked])
        odds = np.exp(evidence - evidence.max())
        odds[odds < (max(np.exp(-_WINDOW), np.sort(odds)[-_MOST_MODELS:][0]) if few else 1.0)] = 0.0
        self.model_weights_ = odds / odds.sum()
        return [mode for mode, odd in zip(ranked, odds, strict=True) if odd > 0]

    def _best_of_part(self, variances: Array, log_prior: Array) -> int:
        """Choose the model that a random part of the rows has most evidence for."""
        model = 0
        if len(variances) > 1:
            ranked = self._rank(self.counts_.part(_FEW), variances, log_prior, None)
            model = int(np.argmax([mode.log_posterior for mode in ranked]))
        self.model_weights_ = np.eye(len(variances))[model]
        return model

    def _rank(self, counts: Counts, variances: Array, log_prior: Array, start: Array | None) -> list[Mode]:
        """Fit every model, each from where the one before it ended."""
        modes: list[Mode] = []
        for variance, weight in zip(variances, log_prior, strict=True):
            modes.append(self._mode(counts, variance, float(weight), start))
            start = modes[-1].theta
        return modes

    def _mode(self, counts: Counts, variance: Array, log_prior: float, start: Array | None) -> Mode:
        if self.theta is not None:
            return counts.at(np.asarray(self.theta, float), variance, log_prior)
        return counts.mode(variance, log_prior, start)

    def _as_components(self, weighted: list[tuple[Mode, float]]) -> list[Component]:
        """Keep the heaviest of the weighted modes, up to all but a fiftieth of the weight."""
        weighted = sorted(weighted, key=lambda pair: -pair[1])
        mass = np.cumsum([weight for _, weight in weighted])
        kept = weighted[: int(np.searchsorted(mass, _MASS * mass[-1])) + 1]
        total = sum(weight for _, weight in kept)
        kind = VecchiaComponent if isinstance(self.counts_, ManyCounts) else ExactComponent
        return [kind(self.counts_, mode, weight / total) for mode, weight in kept]

    def _design(self, modes: list[Mode]) -> list[Component]:
        """Design over the covariance parameters of every model that was kept: composite, or its axial part alone."""
        peak = max(mode.log_posterior for mode in modes)
        low, high = self.counts_.limits().T
        stretch = 1.1
        radius = stretch * np.sqrt(3)
        # With this weight the design gives a normal posterior its total mass and its variance exactly.
        directions = _axial_directions() if len(self.counts_) > NEARLY_NORMAL else _composite_directions()
        sphere = np.exp(radius**2 / 2) / (len(directions) * (stretch**2 - 1))
        weighted = []
        for mode in modes:
            axes = self.counts_.axes(mode)
            log_prior = mode.log_posterior - mode.fit.log_marginal - self.priors.log_density(mode.theta)[0]
            weighted.append((mode, float(np.exp(mode.log_posterior - peak))))
            for direction in directions:
                theta = np.clip(mode.theta + axes @ (radius * direction), low, high)
                point = self.counts_.at(theta, mode.variance, log_prior, mode.fit)
                weighted.append((point, float(sphere * np.exp(point.log_posterior - peak))))
        return self._as_components(weighted)

    # Prediction

    def _field_moments(self, xy: Array) -> Array:
        """Rows: mean of the field, its variance, its covariance with each coefficient, over all components."""
        mean, square = np.zeros(len(xy)), np.zeros(len(xy))
        joint = np.zeros((len(self.coef_), len(xy)))
        features = self._components[0].features(xy)
        for component in self._components:
            component_mean, component_variance, component_joint = component.field_moments(features)
            mean += component.weight * component_mean
            square += component.weight * (component_variance + component_mean**2)
            joint += component.weight * (component_joint + np.outer(component.coef - self.coef_, component_mean))
        return np.vstack([mean, square - mean**2, joint])

    def _length(self) -> float:
        """Length scale that interpolation has to follow.

        A cubic spline of step h misses a field of length ℓ and standard deviation σ by about σ (h/ℓ)^3, so that
        components count by weight, standard deviation and the inverse cube of their length.
        """
        thetas = np.array([component.mode.theta for component in self._components])
        shares = np.array([component.weight for component in self._components])
        return float(np.sum(shares * np.exp(thetas[:, 1] - 3 * thetas[:, 0])) ** (-1 / 3))

    def moments(self, xy: Array) -> Moments:
        """Moments of the field on a lattice over points (m, 2), finer than the field where that takes few points.

        One lattice serves any number of calls of `predict` at points that it covers. It has at most 200,000 points:
        over ground so wide that this is too coarse for the field, it follows what the data can show of it.
        """
        lattice = Lattice.over(np.asarray(xy, float), self._length() / _STEPS_PER_LENGTH, _MOST_PREDICTED)
        return Moments(lattice, self._in_chunks(self._field_moments, lattice.points()))

    def predict(
        self,
        xy: Array,
        X: Array | None = None,
        offset: Array | float = 0.0,
        moments: Moments | None = None,
    ) -> Prediction:
        """Predict the probability of an event in the median cluster.

        Parameters
        ----------
        xy : array (m, 2)
            Easting and northing in metres.
        X : array (m, p), optional
            Covariates; ones by default.
        offset : float or array (m,)
            Known part of the log-odds.
        moments : Moments, optional
            From `moments`, to read the field from; without it, it is worked out at these very points.

        Returns
        -------
        Prediction
        """
        xy = np.asarray(xy, float)
        X = np.ones((len(xy), 1)) if X is None else X
        mean, variance, *joint = self._in_chunks(self._field_moments, xy) if moments is None else moments.at(xy)
        mean += offset + X @ self.coef_
        variance += np.einsum("ij,ij->i", X @ self.coef_cov_, X)
        for column, covariance in zip(X.T, joint, strict=True):
            variance += 2 * column * covariance
        return Prediction.of(mean, variance)

    def predict_held_out(self, folds: Array) -> Prediction:
        """Predict each row, its cluster's deviation included, as if its whole fold had not been seen.

        The covariance parameters stay as fitted to all rows, and the fold's Gaussian likelihood terms are divided
        out, which costs no refit.

        Parameters
        ----------
        folds : array (n,)
            Rows with the same value are held out together.

        References
        ----------
        A. Vehtari et al., "Bayesian Leave-One-Out Cross-Validation Approximations for Gaussian Latent Variable
        Models", J. Mach. Learn. Res. 17 (2016) 103, section 3.2 (Laplace).
        """
        counts = self.counts_
        members = [np.flatnonzero(folds == fold) for fold in np.unique(folds)]
        mean, square = np.zeros(len(counts)), np.zeros(len(counts))
        for component in self._components:
            fit = component.mode.fit
            for rows, own in zip(members, component.row_covariances(members), strict=True):
                held = np.linalg.solve(np.eye(len(rows)) - own * fit.curvature[rows], own)
                held_mean = fit.mode[rows] - held @ fit.weight[rows]
                mean[rows] += component.weight * held_mean
                square[rows] += component.weight * (np.diag(held) + held_mean**2)
        return Prediction.of(mean, square - mean**2)

    # Joint draws

    def draw(self, bounds: tuple[float, float, float, float], draws: int, rng: np.random.Generator) -> FieldDraws:
        """Draw whole surfaces from the posterior by Matheron's rule.

        Parameters
        ----------
        bounds : (left, bottom, right, top)
            Of the points where the draws will be read, in metres.
        draws : int
            How many.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        FieldDraws
            Read them at any points inside ``bounds``.

        References
        ----------
        J. T. Wilson et al., "Pathwise Conditioning of Gaussian Processes", J. Mach. Learn. Res. 22 (2021) 105.
        """
        corners = np.vstack([self.counts_.xy, np.reshape(bounds, (2, 2))])
        shares = rng.multinomial(draws, [component.weight for component in self._components])
        used = [(component, int(share)) for component, share in zip(self._components, shares, strict=True) if share]
        lattice = Lattice.over(corners, self._length() / _STEPS_DRAWN, _MOST_DRAWN / draws)
        fields, coefs = zip(
            *(component.draw(lattice, share, rng, self._in_chunks) for component, share in used), strict=True
        )
        # hstack would copy the one that there mostly is.
        return FieldDraws(lattice, fields[0] if len(fields) == 1 else np.hstack(fields), np.hstack(coefs))

    def _in_chunks(self, function: Callable[[Array], Array], xy: Array) -> Array:
        """Apply a function of points (m, 2) that returns (k, m), a part at a time where the algebra is exact."""
        if isinstance(self.counts_, ManyCounts):
            return function(xy)
        rows = max(_NARROWEST_CHUNK, int(_CHUNK_BYTES / (8 * len(self.counts_))))
        return np.hstack([function(xy[first : first + rows]) for first in range(0, len(xy), rows)])


@dataclass(frozen=True)
class Moments:
    """Moments of the field on a lattice.

    Attributes
    ----------
    lattice : Lattice
        Where they were worked out.
    values : array (2 + p, lattice.size)
        Mean of the field, its variance, its covariance with each coefficient.
    """

    lattice: Lattice
    values: Array

    def at(self, xy: Array) -> Array:
        """Read them at points (m, 2) that the lattice covers, shape (2 + p, m), by cubic splines."""
        return np.array([self.lattice.spline(layer, xy) for layer in self.values])


@dataclass(frozen=True)
class FieldDraws:
    """Joint posterior draws of the surface, to be read at any points.

    Attributes
    ----------
    lattice : Lattice
        Where the field was drawn.
    fields : array (lattice.size, draws)
        Values of the field.
    coefs : array (p, draws)
        Coefficients of the same draws.
    """

    lattice: Lattice
    fields: Array
    coefs: Array

    def at(self, xy: Array, X: Array | None = None, offset: Array | float = 0.0) -> Array:
        """Return the probability of an event at points (m, 2), one column a draw, shape (m, draws)."""
        X = np.ones((len(xy), 1)) if X is None else X
        logits = self.lattice.cubic(np.asarray(xy, float)) @ self.fields
        logits += X @ self.coefs
        logits += np.reshape(offset, (-1, 1))
        return np.asarray(expit(logits, out=logits))


def _axial_directions() -> Array:
    """Return the 6 axial directions of a central composite design in three dimensions."""
    return np.vstack([np.eye(3), -np.eye(3)])


def _composite_directions() -> Array:
    """Return its 8 factorial directions too."""
    factorial = np.array(list(itertools.product((-1.0, 1.0), repeat=3))) / np.sqrt(3)
    return np.vstack([_axial_directions(), factorial])
