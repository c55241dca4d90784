"""What counts alone say of coefficients and covariance parameters, once their priors are taken out again."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vinemap.arrays import Array
from vinemap.model.hyperparameters import Counts, Mode

# A direction of which the counts say nothing.
_NOTHING = 1e-6


@dataclass(frozen=True)
class Information:
    """A normal likelihood of some coefficients, and one of the covariance parameters, each ``exp(p'b - b'Pb / 2)``.

    Attributes
    ----------
    precision, pull : array (q, q), array (q,)
        P and p of the coefficients, all others integrated over their priors.
    theta_precision, theta_pull : array (3, 3), array (3,)
        The same of log ℓ, log σ, log τ.
    """

    precision: Array
    pull: Array
    theta_precision: Array
    theta_pull: Array

    @classmethod
    def at(cls, counts: Counts, mode: Mode, asked: Array) -> Information:
        """Take the information on the columns ``asked`` (p,) of the counts from the Laplace approximation at a mode.

        The working response ``z = f + W^-1 grad`` of the mode's logits f is normal about them with the curvature W as
        its precision, so that with the field and the other coefficients integrated ``P = X'RX`` and ``p = X'Rz``, R
        the inverse of their covariance and W^-1 together. That of the covariance parameters is the log likelihood to
        second order about its prior's mode: the slope of the log prior there is the likelihood's with the other sign.

        Parameters
        ----------
        counts : Counts
            All rows and columns.
        mode : Mode
            Of them; its prior variances say which other columns are integrated.
        asked : array of bool (p,)
        """
        counts = replace(counts, smoothness=mode.smoothness)
        others = np.where(asked, 0.0, mode.variance)
        curvature = mode.fit.curvature
        factor = counts.covariance(mode.theta, others).factor(curvature)
        response = mode.fit.mode + mode.fit.weight / curvature - counts.mean(others)
        X = counts.X[:, asked]
        solved = np.column_stack([factor.solve(column) for column in X.T])
        axes = counts.axes(mode)
        precision = np.linalg.inv(axes @ axes.T) - np.diag(counts.priors.information(mode.theta))
        values, vectors = np.linalg.eigh(precision)
        theta_precision = vectors * np.maximum(values, _NOTHING) @ vectors.T
        theta_pull = theta_precision @ mode.theta - counts.priors.log_density(mode.theta)[1]
        return cls(X.T @ solved, solved.T @ response, theta_precision, theta_pull)
