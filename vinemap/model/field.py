"""Spatial binomial regression: covariates, a Matérn field and between-cluster deviations."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
from threadpoolctl import threadpool_limits

from vinemap.arrays import Array
from vinemap.model.components import Component, ExactComponent, VecchiaComponent
from vinemap.model.hyperparameters import Counts, Mode, Priors
from vinemap.model.information import Information
from vinemap.model.integration import weighted_design
from vinemap.model.lattice import Lattice
from vinemap.model.many import ManyCounts
from vinemap.model.prediction import FieldDraws, Moments, Prediction
from vinemap.model.readings import Readings
from vinemap.model.search import Candidates, by_readings, search, sloped, smoothed

# Much wider chunks only take memory, much narrower ones make matrix products slow.
_CHUNK_BYTES = 16e6
_NARROWEST_CHUNK = 1000
_STEPS_PER_LENGTH = 5.0
_STEPS_DRAWN = 8.0
_MOST_PREDICTED = 2e5
_MOST_DRAWN = 2e7
_FEW = 400
_WINDOW = 5.0
_MASS = 0.98
_MOST_MODELS = 20


class BinomialField:
    """Spatial binomial regression fitted by Laplace approximation.

    At each row, ``events ~ Binomial(trials, p)`` with ``logit p = offset + X b + f(x, y) + e``: coefficients *b* with
    independent normal priors (of mean 0 but where another is given), *f* a Gaussian process with Matérn correlation,
    *e* the deviation of the row's cluster. Coefficients are integrated, not plugged in. The three covariance parameters
    are set at their posterior mode, and integrated over a central composite design around it where the rows are few.

    Covariates may be left open: every set of them is a model. Models are averaged by their evidence where the rows
    are few, each with a field of smoothness 3/2 and with one of 5/2; with many, the best one on a random part of the
    rows is kept, with 3/2. The algebra is exact up to ``most_exact`` rows.

    Readings that may see the same covariates and field (`Readings`) are further rows, with a normal likelihood; models
    in which they do, and in which they do not, are weighed as those of covariates are. Beyond ``most_exact`` rows of
    counts, which say it all by themselves, readings are left out.

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
    models_ : array of bool (k, p)
        Covariates of each model that was kept; one in which readings see what the counts see counts as having the
        column made from them.
    model_weights_ : array (k,)
        Posterior weights of these.
    slopes_ : array (k,)
        Log-odds per unit of the readings in each of these; 0 in one in which they stand apart.
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
        prior_mean: Array | None = None,
        optional: Array | None = None,
        source: Array | None = None,
        free: Array | None = None,
        log_odds: Array | None = None,
        most: int = 4,
        offset: Array | float = 0.0,
        cluster: Array | None = None,
        start: Array | None = None,
        readings: Readings | None = None,
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
        prior_sd : float or array (p,)
            Prior standard deviations of the coefficients.
        prior_mean : array (p,), optional
            Prior means of the coefficients in the models that hold them; 0 by default.
        optional : array of bool (p,), optional
            Covariates that a model may do without; none by default.
        source : array of int (p,), optional
            Which source each covariate is of, as in `vinemap.model.search.Candidates`; all of one by default.
        free : array of bool (p,), optional
            Covariates that do not count towards ``most``; none by default.
        log_odds : array (p,), optional
            Prior log-odds of each covariate, where they are known, as there; NaN elsewhere.
        most : int
            Most of the optional covariates in one model, but for the free.
        offset : float or array (n,)
            Known part of the log-odds.
        cluster : array (n,), optional
            Rows with the same value share one deviation; each row is its own cluster by default.
        start : array (3,), optional
            Where to start the search for the covariance parameters.
        readings : Readings, optional
            That may see the same covariates and field.

        Returns
        -------
        BinomialField
            Itself.
        """
        many = len(xy) > self.most_exact
        readings = None if many else readings
        self.counts_ = Counts.of(xy, events, trials, X, offset, cluster, self.priors, prior_mean, readings)
        if many:
            self.counts_ = ManyCounts.all_of(self.counts_)
        columns = self.counts_.X.shape[1]
        optional = np.zeros(columns, bool) if optional is None else np.asarray(optional, bool)
        candidates = Candidates(np.broadcast_to(prior_sd, columns), optional, most, source, free, log_odds)
        few = len(self.counts_) <= _FEW if self.integrate is None else self.integrate
        small = len(self.counts_) <= _FEW or isinstance(self.counts_, ManyCounts)
        with threadpool_limits(1 if small else None, "blas"):
            # Threads cost more than they give on matrices of some hundreds.
            self._components = self._fit(candidates, start, few)
        self._summarize()
        return self

    def _fit(self, candidates: Candidates, start: Array | None, few: bool) -> list[Component]:
        """Fit the models, and the components that stand for them; what no model has is not carried along as noughts."""
        counts, integrated = self.counts_, few and self.theta is None
        if len(counts) > _FEW or isinstance(counts, ManyCounts):
            variance, slope = self._best_of_part(candidates)
            counts = replace(self._in_use(candidates), slope=slope)
            modes = [self._mode(counts, variance[self._used], start)]
            weighted = weighted_design(counts, modes) if integrated else [(modes[0], 1.0)]
            return self._as_components(counts, weighted)
        modes = self._models(candidates, start, few)
        best = max(modes, key=lambda mode: mode.log_posterior)
        weighted = weighted_design(counts, modes) if integrated else [(best, 1.0)]
        counts = self._in_use(candidates)
        return self._as_components(
            counts, [(replace(mode, variance=mode.variance[self._used]), weight) for mode, weight in weighted]
        )

    def _in_use(self, candidates: Candidates) -> Counts:
        """Leave out the columns that no model has."""
        self._used = np.flatnonzero(self.models_.any(axis=0) | ~candidates.optional)
        return self.counts_.columns(self._used)

    def _summarize(self) -> None:
        best = max((component.mode for component in self._components), key=lambda mode: mode.log_posterior)
        self.theta_, self.log_evidence_ = best.theta, best.log_posterior
        self.coef_, self.coef_cov_ = self._coefficients(self._components)
        of_best = [c for c in self._components if np.array_equal(c.mode.variance, best.variance)]
        self.best_coef_, self.best_coef_cov_ = self._coefficients(of_best)
        thetas = np.array([component.mode.theta for component in of_best])
        shares = np.array([component.weight for component in of_best])
        self.theta_sd_ = np.sqrt(np.average((thetas - np.average(thetas, 0, shares)) ** 2, 0, shares))

    def _coefficients(self, components: list[Component]) -> tuple[Array, Array]:
        """Posterior mean (p,) and covariance (p, p) of the coefficients over components; 0 for what none has."""
        shares = np.array([component.weight for component in components])
        shares /= shares.sum()
        coef = np.array([component.coef for component in components])
        mean = np.zeros(self.counts_.X.shape[1])
        mean[self._used] = shares @ coef
        within = np.tensordot(shares, [component.coef_covariance() for component in components], 1)
        covariance = np.zeros((len(mean), len(mean)))
        deviation = coef - mean[self._used]
        covariance[np.ix_(self._used, self._used)] = within + (shares[:, None] * deviation).T @ deviation
        return mean, covariance

    def information(self, asked: Array) -> Information:
        """Return what the counts alone say of the coefficients ``asked`` (p,) and of the covariance parameters.

        It is taken at the mode of the best model, in which the others are integrated over their priors.
        """
        best = max((component.mode for component in self._components), key=lambda mode: mode.log_posterior)
        variance = np.zeros(self.counts_.X.shape[1])
        variance[self._used] = best.variance
        counts = replace(self.counts_.alone(), smoothness=best.smoothness)
        if self.counts_.readings is not None:
            best = counts.at(best.theta, variance)
        return Information.at(counts, replace(best, variance=variance), asked)

    # Models and covariance parameters

    def _models(self, candidates: Candidates, start: Array | None, few: bool) -> list[Mode]:
        """Fit every model worth it and keep those that the evidence does not rule out."""
        families = by_readings(self.counts_, candidates)
        if self.theta is not None:
            return self._weighed([self._mode(counts, some.variance(some.base), start) for counts, some in families])
        modes = [mode for counts, some in families for mode in search(counts, some, start)]
        if not few:
            return self._weighed([max(modes, key=lambda mode: mode.log_posterior)])
        kept = self._weighed(modes)
        if self.counts_.readings is not None:
            kept = self._weighed(kept + sloped(self.counts_, kept))
        return self._weighed(kept + smoothed(self.counts_, kept))

    def _weighed(self, modes: list[Mode]) -> list[Mode]:
        """Keep the modes within Occam's window, and weigh the models by them."""
        evidence = np.array([mode.log_posterior for mode in modes])
        odds = np.exp(evidence - evidence.max())
        odds[odds < max(np.exp(-_WINDOW), np.sort(odds)[-_MOST_MODELS:][0])] = 0.0
        kept = [mode for mode, odd in zip(modes, odds, strict=True) if odd > 0]
        variances, slopes = (np.array([getattr(mode, name) for mode in kept]) for name in ("variance", "slope"))
        self._keep(variances, odds[odds > 0] / odds.sum(), slopes)
        return kept

    def _best_of_part(self, candidates: Candidates) -> tuple[Array, float]:
        """Prior variances of the model that a random part of the rows has most evidence for, and slope of readings."""
        variance, slope = candidates.variance(candidates.base), 0.0
        if candidates.steps or self.counts_.readings is not None:
            families = by_readings(self.counts_.part(_FEW), candidates)
            modes = [mode for part, some in families for mode in search(part, some)]
            best = max(modes, key=lambda mode: mode.log_posterior)
            variance, slope = best.variance, best.slope
        self._keep(variance[None], np.ones(1), np.array([slope]))
        return variance, slope

    def _keep(self, variances: Array, weights: Array, slopes: Array) -> None:
        """Note what each model (k,) has; one that sees the readings has the column made from them in its best form."""
        self.models_, self.model_weights_, self.slopes_ = variances > 0, weights, slopes
        readings = self.counts_.readings
        if readings is not None and readings.column is not None:
            self.models_[slopes != 0, readings.column] = True

    def _mode(self, counts: Counts, variance: Array, start: Array | None) -> Mode:
        if self.theta is not None:
            return counts.at(np.asarray(self.theta, float), variance)
        return counts.mode(variance, start=start)

    def _as_components(self, counts: Counts, weighted: list[tuple[Mode, float]]) -> list[Component]:
        """Keep the heaviest of the weighted modes, up to all but a fiftieth of the weight."""
        weighted = sorted(weighted, key=lambda pair: -pair[1])
        mass = np.cumsum([weight for _, weight in weighted])
        kept = weighted[: int(np.searchsorted(mass, _MASS * mass[-1])) + 1]
        total = sum(weight for _, weight in kept)
        kind = VecchiaComponent if isinstance(counts, ManyCounts) else ExactComponent
        return [kind(counts, mode, weight / total) for mode, weight in kept]

    # Prediction

    def _field_moments(self, xy: Array) -> Array:
        """Rows: mean of the field, its variance, its covariance with each coefficient in use, over all components."""
        mean, square = np.zeros(len(xy)), np.zeros(len(xy))
        joint = np.zeros((len(self._used), len(xy)))
        coef = self.coef_[self._used]
        features = self._components[0].features(xy)
        for component in self._components:
            component_mean, component_variance, component_joint = component.field_moments(features)
            mean += component.weight * component_mean
            square += component.weight * (component_variance + component_mean**2)
            joint += component.weight * (component_joint + np.outer(component.coef - coef, component_mean))
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
        for column, covariance in zip(X.T[self._used], joint, strict=True):
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
        mean, square = np.zeros(counts.rows), np.zeros(counts.rows)
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
        drawn = np.zeros((len(self.coef_), draws))
        drawn[self._used] = np.hstack(coefs)
        slopes = np.concatenate([np.full(share, component.mode.slope) for component, share in used])
        return FieldDraws(lattice, fields[0] if len(fields) == 1 else np.hstack(fields), drawn, slopes)

    def _in_chunks(self, function: Callable[[Array], Array], xy: Array) -> Array:
        """Apply a function of points (m, 2) that returns (k, m), a part at a time where the algebra is exact."""
        if isinstance(self.counts_, ManyCounts):
            return function(xy)
        rows = max(_NARROWEST_CHUNK, int(_CHUNK_BYTES / (8 * len(self.counts_))))
        return np.hstack([function(xy[first : first + rows]) for first in range(0, len(xy), rows)])
