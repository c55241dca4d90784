"""KML 2.2 files by GDAL's driver, in which no name becomes markup."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd

from vinemap.characters import for_html_reader
from vinemap.exports.formats import with_text


def write_kml(path: Path, layers: dict[str, gpd.GeoDataFrame]) -> None:
    """Write tables as folders of a KML file.

    Parameters
    ----------
    path : Path
        File to write.
    layers : dict of GeoDataFrame
        By the folder's name: geometry in WGS 84, ``name`` and, where wanted, ``description`` and further columns. What
        looks like HTML in their text is spelt out, for viewers render descriptions, and whatever they put into a
        balloon, as HTML.

    References
    ----------
    OGC 07-147r2 (KML 2.2; 12-007r2 is 2.3): a description is plain text or a subset of HTML; from memory.
    """
    for number, (layer, table) in enumerate(layers.items()):
        named = with_text(table, for_html_reader).rename(columns={"name": "Name"})
        named.to_file(path, driver="LIBKML", layer=layer, engine="pyogrio", mode="a" if number else "w")
