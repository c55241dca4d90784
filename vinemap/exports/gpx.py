"""GPX 1.1 files by GDAL's driver: waypoints, tracks, or both in one file."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path
from typing import cast
from xml.dom import minidom

import geopandas as gpd
import shapely

from vinemap.characters import for_xml
from vinemap.exports.formats import with_text


def write_gpx(
    path: Path, about: str, *, waypoints: gpd.GeoDataFrame | None = None, tracks: gpd.GeoDataFrame | None = None
) -> None:
    """Write waypoints, tracks or both.

    Parameters
    ----------
    path : Path
        File to write.
    about : str
        The file's description.
    waypoints : GeoDataFrame, optional
        Points in WGS 84 with what GPX has a place for: name, desc, ele in metres.
    tracks : GeoDataFrame, optional
        Lines in WGS 84, a segment a part, with name and desc.

    References
    ----------
    GPX 1.1 (www.topografix.com/GPX/1/1): metadata, waypoints and tracks in this order.
    """
    # The driver writes a line as a track only where all lines of a table are of several parts.
    lines = None if tracks is None else tracks.set_geometry([_parted(line) for line in tracks.geometry], crs=tracks.crs)
    layers = {"waypoints": waypoints, "tracks": lines}
    parts = [_part(layer, table, about) for layer, table in layers.items() if table is not None]
    whole = parts[-1]
    for part in parts[:-1]:
        _put_before(part, whole)
    path.write_bytes(whole.toxml(encoding="utf-8"))


def _parted(line: shapely.Geometry) -> shapely.MultiLineString:
    return shapely.multilinestrings(shapely.get_parts(line))


def _part(layer: str, table: gpd.GeoDataFrame, about: str) -> minidom.Document:
    """Return a file of one layer: the driver cannot add a second to what it has written."""
    file = BytesIO()
    options = {"CREATOR": "vinemap", "METADATA_DESCRIPTION": for_xml(about)}
    with_text(table, for_xml).to_file(file, driver="GPX", layer=layer, engine="pyogrio", **options)
    return minidom.parseString(file.getvalue())  # noqa: S318 - written a line above


def _put_before(part: minidom.Document, whole: minidom.Document) -> None:
    """Take the waypoints of one file into another, before its tracks, and widen its bounds by theirs."""
    root = cast(minidom.Element, whole.documentElement)
    first = whole.getElementsByTagName("trk")[0]
    for point in part.getElementsByTagName("wpt"):
        root.insertBefore(whole.importNode(point, deep=True), first)
        root.insertBefore(whole.createTextNode("\n"), first)
    (theirs,), (bounds,) = (file.getElementsByTagName("bounds") for file in (part, whole))
    for edge, widest in (("minlat", min), ("minlon", min), ("maxlat", max), ("maxlon", max)):
        bounds.setAttribute(edge, widest(bounds.getAttribute(edge), theirs.getAttribute(edge), key=float))
