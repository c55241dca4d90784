"""The plan in open formats: GPX 1.1, KML 2.2, GeoJSON (RFC 7946) and CSV templates that `vinemap map` reads back."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
from shapely import LineString

from vinemap.columns import BUDS_BY_NODE, PLAN_POINTS, PLAN_SAMPLES
from vinemap.exports.formats import write_csv
from vinemap.exports.gpx import write_gpx
from vinemap.exports.kml import write_kml


def write_files(
    points: gpd.GeoDataFrame,
    path: LineString,
    words: list[str],
    walk_name: str,
    care: str,
    stage: Path,
    *,
    quoted: bool,
) -> None:
    """Write plan.gpx, plan.kml, plan.geojson, samples.csv and buds.csv.

    Parameters
    ----------
    points : GeoDataFrame
        Of a `Plan`.
    path : LineString
        The line walked, in the same CRS.
    words : list of str
        A line on each point, for devices that show one.
    walk_name : str
        Name of the line.
    care : str
        Cautions for whoever follows the points.
    stage : Path
        Folder to write into.
    quoted : bool
        Whether an apostrophe goes before text of samples.csv that a spreadsheet would run.
    """
    lonlat = points.to_crs("EPSG:4326")
    walk = gpd.GeoDataFrame({"name": [walk_name]}, geometry=[path], crs=points.crs).to_crs("EPSG:4326")
    _write_gpx(lonlat, walk, words, care, stage)
    write_kml(stage / "plan.kml", {"samples": _named(lonlat, words), "walk": walk})
    shown = [name for name in PLAN_POINTS.names if name in lonlat and lonlat[name].notna().any()]
    plain = lonlat[[*shown, "geometry"]]
    plain.to_file(stage / "plan.geojson", driver="GeoJSON", engine="pyogrio", RFC7946="YES", COORDINATE_PRECISION=7)
    write_csv(samples_template(lonlat), stage / "samples.csv", PLAN_SAMPLES, quoted=quoted)
    write_csv(pd.DataFrame(columns=BUDS_BY_NODE.names), stage / "buds.csv", BUDS_BY_NODE)


def samples_template(lonlat: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return samples.csv as `vinemap map` reads it; the date is left for the crew to fill in."""
    columns = {"sample": lonlat["sample"], "block": lonlat["block"]}
    return pd.DataFrame({**columns, "lon": lonlat.geometry.x, "lat": lonlat.geometry.y, "date": ""})


def _write_gpx(points: gpd.GeoDataFrame, walk: gpd.GeoDataFrame, words: list[str], care: str, stage: Path) -> None:
    """Write the points as waypoints and the walk as a track; the cautions describe the file and the track."""
    named = points[["sample", "geometry"]].rename(columns={"sample": "name"}).assign(desc=words)
    if points["elevation_m"].notna().all():
        named["ele"] = points["elevation_m"].round(1)
    write_gpx(stage / "plan.gpx", care, waypoints=named, tracks=walk.assign(desc=care))


def _named(points: gpd.GeoDataFrame, words: list[str]) -> gpd.GeoDataFrame:
    return points[["sample", "block", "geometry"]].rename(columns={"sample": "name"}).assign(description=words)
