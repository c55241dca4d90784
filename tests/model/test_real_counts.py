"""The model on real counts that nobody simulated, held against inverse distance weighting.

90 villages of Liberia where people were examined for nodules of river blindness: H. G. M. Zouré et al., Parasites &
Vectors 7 (2014) 326; see tests/data/README.md.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pyproj
import pytest

from tests.benchmarks.inverse_distance import nearby_shares
from vinemap.model.field import BinomialField
from vinemap.model.hyperparameters import Priors
from vinemap.model.scores import brier_score, score

_FOLDS = 10
# Villages lie tens of kilometres apart: the prior of the range is scaled to the ground, not to vines.
_SHORTEST = 0.1
_PRIOR_SD, _OPTIONAL = np.array([2.0, 1.0]), np.array([False, True])


@pytest.fixture(scope="module")
def villages() -> pd.DataFrame:
    """The survey, with metres east and north, and elevation standardised."""
    table = pd.read_csv(Path(__file__).parent.parent / "data" / "liberia.csv")
    to_metres = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32629", always_xy=True)
    table["east"], table["north"] = to_metres.transform(table["longitude"], table["latitude"])
    table["height"] = (table["elevation_m"] - table["elevation_m"].mean()) / table["elevation_m"].std()
    return table


def test_real_counts_held_out_are_predicted(villages: pd.DataFrame) -> None:
    """Refitted without a tenth of the villages, 85 to 95 % of the counts held out lie in their 90 % intervals, and
    over three ways to take the tenths the Brier score is at least as good as inverse distance's.
    """
    ours, peers = [], []
    events, trials = villages["positive"].to_numpy(float), villages["tested"].to_numpy(float)
    for seed in range(3):
        mean, sd, peer = _held_out(villages, np.random.default_rng(seed).permutation(len(villages)) % _FOLDS)
        ours.append(score(events, trials, mean, sd))
        peers.append(brier_score(events, trials, peer))
    assert all(0.85 < scores.coverage_90 < 0.95 for scores in ours)
    assert np.mean([scores.brier for scores in ours]) <= np.mean(peers)


def _held_out(villages: pd.DataFrame, folds: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean and sd of the log-odds in the villages of each fold, refitted without it, and inverse distance's shares."""
    xy = villages[["east", "north"]].to_numpy()
    events, trials = villages["positive"].to_numpy(float), villages["tested"].to_numpy(float)
    X = np.column_stack([np.ones(len(xy)), villages["height"]])
    priors = Priors(shortest_range_m=_SHORTEST * float(np.ptp(xy, axis=0).max()))
    mean, sd, peer = (np.empty(len(xy)) for _ in range(3))
    for fold in np.unique(folds):
        out = folds == fold
        field = BinomialField(priors)
        field.fit(xy[~out], events[~out], trials[~out], X[~out], prior_sd=_PRIOR_SD, optional=_OPTIONAL)
        there = field.predict(xy[out], X[out])
        mean[out], sd[out] = there.logit_mean, np.hypot(there.logit_sd, np.exp(field.theta_[2]))
        peer[out] = nearby_shares(xy[~out], (events / trials)[~out], xy[out])
    return mean, sd, peer
