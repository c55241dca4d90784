"""Zones for finding one's way: GPX and KML for a phone, GeoJSON, and a shapefile for a tractor's terminal."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import shapely

from vinemap.characters import for_xml
from vinemap.columns import NAVIGATION
from vinemap.decisions.actions import task_sentence
from vinemap.decisions.evidence import cut_sentence
from vinemap.exports.formats import with_text
from vinemap.exports.gpx import write_gpx
from vinemap.exports.kml import write_kml
from vinemap.sentences import seasonal, section

FILES = ("zone_points.gpx", "zone_outlines.gpx", "zones.kml", "zones.geojson", "zones_shp/zones.shp")


def write_navigation(
    zones: gpd.GeoDataFrame,
    folder: Path,
    language: str = "en",
    *,
    spring: bool = False,
    ends: pd.DataFrame | None = None,
) -> list[Path]:
    """Write the zones in the formats that phones and terminals open.

    Parameters
    ----------
    zones : GeoDataFrame
        Of `vinemap.decisions.zones.action_zones`, in any CRS.
    folder : Path
        Gets `FILES`; it must exist.
    language : str
        'en' or 'es', of the names of the actions.
    spring : bool
        Whether what grew decides; dead_pct is then that of nodes with no shoot.
    ends : DataFrame, optional
        Of `vinemap.decisions.vine_rows.row_ends`: where to enter the zones whose rows are known.

    Returns
    -------
    list of Path
        What was written; nothing where there is no zone.

    Notes
    -----
    - zone_points.gpx (GPX 1.1, www.topografix.com): a waypoint at the end of the first and of the last vine row of each
      zone, named by zone, block, row and vines; inside the zone where rows are not known. zone_outlines.gpx: its
      outline as a track. The cautions stand in the file's description.
    - zones.kml (OGC 12-007), zones.geojson (RFC 7946): polygons with name and description.
    - zones_shp/: a shapefile in longitude and latitude with zone, block, action, area_ha, vines, nodes, dead_pct,
      nodes_cut; its column names keep to ten characters.
    """
    if zones.empty:
        return []
    place = zones.to_crs(4326)
    table = pd.DataFrame(zones.drop(columns="geometry"))
    words = section("page")[language]
    vines, dead = words["sheet.vines"], "no_live_bud_pct" if spring else "injury_pct"
    named = pd.DataFrame(
        {
            "name": [f"{row['zone']} {row['block']}" for row in table.to_dict("records")],
            "desc": [_described(row, vines, language, spring=spring) for row in table.to_dict("records")],
        }
    )
    points = _points(zones, named, ends, section("rows")[language]["waypoint"])
    outlines = gpd.GeoDataFrame(named, geometry=place.geometry.boundary.to_numpy(), crs=4326)
    shapes = gpd.GeoDataFrame(named, geometry=place.geometry.to_numpy(), crs=4326)
    plain = gpd.GeoDataFrame(_short(table, dead), geometry=place.geometry.to_numpy(), crs=4326)
    written = [folder / name for name in FILES]
    written[-1].parent.mkdir(exist_ok=True)
    cautions = (f"page.caution.{key}" for key in ("tools", "cold", "budbreak", "advice"))
    minded = " ".join(words[seasonal(key, spring=spring).removeprefix("page.")] for key in cautions)
    write_gpx(written[0], minded, waypoints=points)
    write_gpx(written[1], minded, tracks=outlines)
    write_kml(written[2], {"zones": shapes.rename(columns={"desc": "description"})})
    described = plain.assign(name=named["name"], description=named["desc"])
    described.to_file(written[3], driver="GeoJSON", engine="pyogrio", RFC7946="YES")
    with_text(plain, for_xml).to_file(written[4], driver="ESRI Shapefile", engine="pyogrio", encoding="UTF-8")
    return [*written[:-1], *sorted(written[-1].parent.iterdir())]


def _points(zones: gpd.GeoDataFrame, named: pd.DataFrame, ends: pd.DataFrame | None, name: str) -> gpd.GeoDataFrame:
    """Return where to go for each zone: the ends of its outer rows, else a place inside it."""
    inside = zones.geometry.representative_point()
    of_zone = {} if ends is None else dict(list(ends.groupby("zone")))
    rows, places = [], []
    for place, (zone, about) in enumerate(zip(zones["zone"], named.to_dict("records"), strict=True)):
        if zone not in of_zone:
            rows.append(about)
            places.append(inside.iloc[place])
            continue
        for end in of_zone[zone].to_dict("records"):
            rows.append(about | {"name": name.format(zone=about["name"], row=end["row"], vines=end["vines"])})
            places.append(shapely.Point(end["x"], end["y"]))
    return gpd.GeoDataFrame(rows, geometry=places, crs=zones.crs).to_crs(4326)


def _described(row: dict[Any, Any], count: str, language: str, *, spring: bool) -> str:
    """Say what to do in a zone, and on how many vines, in one line."""
    task = task_sentence(row, spring=spring).said(language)
    said = [task, *([] if pd.isna(row["vines"]) else [f"{count}: {row['vines']}."])]
    cut = cut_sentence(row).said(language)
    return " ".join([*said, f"{cut[:1].upper()}{cut[1:]}."])


def _short(table: pd.DataFrame, dead: str) -> pd.DataFrame:
    """Return the columns that a terminal needs, in types that every driver has."""
    short = pd.DataFrame(
        {
            "zone": table["zone"].to_numpy(),
            "block": table["block"].astype(str).to_numpy(),
            "action": table["action"].astype(str).to_numpy(),
            "area_ha": table["area_ha"].to_numpy(),
            "vines": table["vines"].astype("Float64").to_numpy(float, na_value=float("nan")),
            "nodes": table["nodes_to_keep"].to_numpy(float),
            "dead_pct": table[dead].to_numpy(float),
            "nodes_cut": table["nodes"].astype("Float64").to_numpy(float, na_value=float("nan")),
        }
    )
    return NAVIGATION.rounded(short)
