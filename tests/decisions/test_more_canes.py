"""Canes to cut more: only where a zone is too unsure, as many as halve the doubt, at places inside it."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from pyproj import Transformer
from scipy.special import expit, logit

from vinemap.decisions.more_canes import more_canes, too_unsure
from vinemap.reading.frames import block_frames
from vinemap.settings import Settings
from vinemap.surface.draws import JointDraws
from vinemap.surface.undecided import Posterior, cane_noise, drawn_covariance

EAST, NORTH = 500_000.0, 4_700_000.0
CRS = "EPSG:32618"
SD = 0.3
LON, LAT = Transformer.from_crs(CRS, "EPSG:4326", always_xy=True).transform(EAST + 1.0, NORTH + 1.5)


def drawn(xy: np.ndarray, centre: float = 0.2) -> np.ndarray:
    """200 smooth surfaces around an injury: waves 200 m long with random heights and places."""
    rng = np.random.default_rng(5)
    waves = rng.normal(0, 0.4, (200, 2, 2))
    inner = (xy - (EAST, NORTH)) * 2 * np.pi / 200
    total = sum(waves[:, 0, k] * np.sin(inner[:, [k]]) + waves[:, 1, k] * np.cos(inner[:, [k]]) for k in (0, 1))
    return np.asarray(expit(logit(centre) + total))


def joint(centre: float = 0.2) -> JointDraws:
    """Stands for the fitted surface: only its draws at places are asked for."""
    design = SimpleNamespace(rows=lambda xy, block: ())
    return cast(JointDraws, SimpleNamespace(draws=SimpleNamespace(at=lambda xy: drawn(xy, centre)), design=design))


def ground(**columns: Any) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Two blocks of two hectares; the first has two zones."""
    shapes = [shapely.box(EAST, north, EAST + 200, north + 100) for north in (NORTH, NORTH + 200)]
    facts = {"block": ["A", "B"], "row_spacing_m": 3.0, "vine_spacing_m": 2.0}
    blocks = gpd.GeoDataFrame(facts, geometry=shapes, crs=CRS)
    halves = [shapely.box(EAST + 100 * k, NORTH, EAST + 100 * (k + 1), NORTH + 100) for k in (0, 1)]
    table = {
        "zone": [1, 2, 3],
        "block": ["A", "A", "B"],
        "action": "keep_more",
        "area_ha": [1.0, 1.0, 2.0],
        "injury_pct": 20.0,
        "sure_pct": [60.0, 90.0, 90.0],
        "evidence": "enough",
        "samples": [3, 4, 6],
    }
    return gpd.GeoDataFrame(table | columns, geometry=[*halves, shapes[1]], crs=CRS), blocks


def asked(centre: float = 0.2, settings: Settings = Settings(), **columns: Any) -> tuple[pd.DataFrame, pd.DataFrame]:
    """The zones with their canes, and the canes."""
    zones, blocks = ground(**columns)
    _, (first, _) = block_frames(blocks.assign(row_bearing_deg=90.0, first_vine_lon=LON, first_vine_lat=LAT))
    assert first is not None
    return more_canes(
        zones, blocks, {"A": first}, pd.DataFrame({"sample": ["A01", "B01"]}), joint(centre), SD, settings
    )


def test_only_unsure_zones_that_buds_decide() -> None:
    """Little sureness, no evidence or no figures ask for canes; a sure zone, and one that trunks decide, do not."""
    zones, _ = ground(action=["keep_more", "retrain", "no_data"], sure_pct=[69.9, np.nan, np.nan])
    assert too_unsure(zones, Settings()).tolist() == [True, False, True]
    assert too_unsure(zones.assign(evidence="few samples"), Settings()).tolist() == [True, False, True]
    found, canes = asked()
    assert found["canes_more"].tolist()[1:] == [0, 0]
    assert set(canes["zone"]) == {1}


def test_as_many_as_halve_the_doubt() -> None:
    """With the canes asked for the ground expected in the wrong step is at most half, with one fewer it is more.

    Worked from the draws' own covariance by the formula of a normal posterior given noisy values (Rasmussen & Williams,
    GPML, 2006, eq. 2.26), and the expected doubt by simulation of what the canes may show.
    """
    found, canes = asked()
    count = int(found["canes_more"].iloc[0])
    assert 1 < count == len(canes) <= 20
    east, north = np.meshgrid(EAST + np.arange(5, 100, 10.0), NORTH + np.arange(5, 100, 10.0))
    xy = np.column_stack([east.ravel(), north.ravel()])
    at = [int(np.hypot(*(xy - (x, y)).T).argmin()) for x, y in shapely.get_coordinates(canes.geometry.to_numpy())]
    logits = logit(drawn(xy))
    mean, covariance = logits.mean(axis=1), drawn_covariance(logits)
    limit, noise = logit(0.2), cane_noise(mean, SD, 10)
    before = Posterior(xy, np.zeros(len(xy)), mean, covariance, noise, float(limit)).misclassified
    rng = np.random.default_rng(3)
    size, axes = np.linalg.eigh(covariance)
    truth = mean + rng.normal(size=(3000, len(xy))) * np.sqrt(size.clip(0)) @ axes.T

    def left(places: list[int]) -> float:
        held = covariance[np.ix_(places, places)] + noise * np.eye(len(places))
        seen = truth[:, places] + rng.normal(0, np.sqrt(noise), (3000, len(places)))
        updated = mean + (seen - mean[places]) @ np.linalg.solve(held, covariance[places])
        return float(np.mean((truth > limit) != (updated > limit)))

    assert left(at) < 0.55 * before < 0.65 * before < left(at[:1])


def test_places_lie_in_the_zone_on_vines_under_new_names() -> None:
    """Each place is inside its zone, at a vine of the rows, and its sample has a name that no other has."""
    _, canes = asked()
    zones, _ = ground()
    assert shapely.contains(zones.geometry.iloc[0], canes.geometry.to_numpy()).all()
    assert "A01" not in set(canes["sample"])
    assert canes["sample"].is_unique
    # Row 1 runs 1.5 m north of the southern side, its first vine 1 m east of the western one.
    away = np.column_stack([canes.geometry.x - EAST - 1.0, canes.geometry.y - NORTH - 1.5])
    counted = canes[["vine", "row"]].to_numpy(float) - 1
    np.testing.assert_allclose(away, counted * (2.0, 3.0), atol=0.05)


def test_what_the_evidence_lacks_is_asked_for_at_least() -> None:
    """A block with two samples of five lacks three, shared by its zones; one with none lacks five."""
    # At 2 % dead no ground is near the step at 20 %, so that it is the evidence alone that asks.
    found, canes = asked(0.02, evidence=["few samples", "few samples", "no sample"], samples=[1, 1, 0], sure_pct=np.nan)
    assert found["canes_more"].tolist() == [2, 2, 5]
    assert canes.groupby("zone").size().tolist() == found["canes_more"].tolist()


def test_no_number_that_would_not_tell() -> None:
    """Where not even twenty canes halve the doubt, no number is given and no place."""
    zones, blocks = ground()
    found, canes = more_canes(zones, blocks, {}, pd.DataFrame({"sample": []}), joint(), 60.0, Settings())
    assert found["canes_more"].isna().tolist() == [True, False, False]
    assert len(canes) == 0
