"""What else is known of the ground: one door by which every source of evidence reaches the surface."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from vinemap.arrays import Array

Reader = Callable[[Array, Array], Array]
"""Reads a figure at places: (m, 2) metres in the vineyard's CRS and the rows (m,) of their blocks, to (m,), NaN where
unknown."""


@dataclass(frozen=True)
class Measured:
    """Where a figure was measured.

    Attributes
    ----------
    xy : array (k, 2)
        Metres.
    values, error_sd : array (k,)
        What was read, and its standard errors.
    """

    xy: Array
    values: Array
    error_sd: Array


@dataclass(frozen=True)
class Evidence:
    """A figure that is known over the vineyard and may explain injury.

    It is one more covariate of the surface, kept or left out by the evidence of the counts as terrain is. Where it was
    measured at a few places, whether the measurements themselves see what the counts see is weighed as well, in models
    without the covariate (`vinemap.model.readings.Readings`).

    Attributes
    ----------
    name : str
        Unique, of the covariate in run.json: ``layer.vigour``.
    label : str
        What readers call it; a `vinemap.sentences.Sentence` where that has languages.
    read : callable
        The figure at places, as `Reader` says; NaN where unknown, which the surface takes for the mean of the ground.
    unit : str
        Of the figure.
    decimals : int
        That the figure is told with.
    said : str
        Key of the sentence that names two ends by ``name``, ``here`` and ``there``, the figures at them.
    family : str
        Evidence of one family measures the same thing, and its effect is told as one; the name's own by default.
    step : float
        Its sign leads to the end that is named first: 1 to the highest figure, -1 to the lowest.
    ends : tuple of float or None
        Figures that its effect is told between: inside a reach (1) and outside (0). None for those of the twentieth
        of the ground at either end.
    mean, sd : float, float or None
        Prior of the coefficient, in log-odds per unit. Without ``sd`` it is N(0, 1) per standard deviation of the
        figure over the ground, as of terrain.
    centre : float or None
        Figure at which the term is 0; its mean over the ground by default.
    optional : bool
        Whether a model may do without it.
    log_odds : float or None
        Prior log-odds that injury follows it, in each of the ways in which it may; None where nothing is known of that.
    measured : Measured or None
        Where it was measured, if that is behind it; ``mean`` and ``sd`` are the prior of the slope either way.

    Examples
    --------
    >>> from vinemap.evidence.covariate import Evidence
    >>> cold = Evidence("night.kill", "cold of the night", lambda xy, block: 0.01 * xy[:, 1], "°C", mean=1.25, sd=0.3)
    >>> cold.optional
    True
    """

    name: str
    label: str
    read: Reader
    unit: str = ""
    decimals: int = 1
    said: str = "page.evidence.ends"
    family: str = ""
    step: float = 1.0
    ends: tuple[float, float] | None = None
    mean: float = 0.0
    sd: float | None = None
    centre: float | None = None
    optional: bool = True
    log_odds: float | None = None
    measured: Measured | None = None

    def __post_init__(self) -> None:
        """Refuse a prior mean without its standard deviation, and measurements without either."""
        if self.mean and self.sd is None:
            raise ValueError("a prior mean needs its standard deviation")
        if self.measured is not None and not self.mean:
            raise ValueError("what was measured needs a prior of its slope")

    @property
    def expected(self) -> bool:
        """Whether its effect has a size that is expected, so that it takes no place of a covariate that has none."""
        return self.mean != 0.0
