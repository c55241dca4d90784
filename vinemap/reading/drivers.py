"""The one door to GDAL for shapes: bytes that were looked at, and the one driver that the file's ending promises."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import RLock

import geopandas as gpd
import pandas as pd
import pyogrio
from pyogrio import core

from vinemap.errors import VinemapError
from vinemap.reading import vetting
from vinemap.reading.tabular import MOST_CELLS, MOST_ROWS, too_many_cells, too_many_rows
from vinemap.sentences import Sentence

# The first driver that GDAL has of these opens the file; KML is the plainer reader of wheels without LIBKML.
_DRIVERS = {
    ".geojson": ("GeoJSON",),
    ".json": ("GeoJSON",),
    ".gpkg": ("GPKG",),
    ".shp": ("ESRI Shapefile",),
    ".fgb": ("FlatGeobuf",),
    ".kml": ("LIBKML", "KML"),
    ".kmz": ("LIBKML", "KML"),
    ".gpx": ("GPX",),
}
_LOCK = RLock()


class Layers:
    """The layers of a file of shapes.

    Parameters
    ----------
    path : Path
        A plain file with an ending of `_DRIVERS`, as `vinemap.reading.files.usable` lets through.

    Raises
    ------
    RefusedError
        When the file holds what is no shapes.
    """

    def __init__(self, path: Path) -> None:
        self._name, self._ending = path.stem, path.suffix.lower()
        self._crs_known = self._ending in (".geojson", ".json")
        self._data, self._crs = _vetted(path, self._ending)

    def names(self) -> list[tuple[str, bool]]:
        """Return each layer's name, the file's where it has none of its own, and whether it holds shapes."""
        with self._door():
            listed = [(str(name), kind is not None) for name, kind in pyogrio.list_layers(self._data)]
        return [(self._name if name.startswith("pyogrio_") else name, has_shapes) for name, has_shapes in listed]

    def read(self, layer: int) -> gpd.GeoDataFrame:
        """Return a layer by its place in `names`; raise `RefusedError` where it has too many rows or columns."""
        with self._door():
            frame = self._bounded(layer)
        if not isinstance(frame, gpd.GeoDataFrame):
            return gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([None] * len(frame)))
        if not self._crs_known:
            return frame
        plain = pd.DataFrame(frame.drop(columns=frame.geometry.name))
        return gpd.GeoDataFrame(plain, geometry=frame.geometry.to_numpy(), crs=self._crs)

    def _bounded(self, layer: int) -> pd.DataFrame:
        """Read a layer; pyogrio makes room for all the rows that it may read, whatever the layer holds."""
        info = pyogrio.read_info(self._data, layer=layer, force_feature_count=True)
        width, stated = len(info["fields"]), max(0, info["features"])
        if width > vetting.MOST_FIELDS:
            raise vetting.too_many_fields()
        most = min(MOST_ROWS + 1, MOST_CELLS // max(1, width))
        # The number that a file states of its rows may be out of date.
        for rows in (min(stated + 1, most), most):
            frame = pyogrio.read_dataframe(self._data, layer=layer, on_invalid="fix", max_features=rows)
            if len(frame) < rows:
                return frame
        raise too_many_rows() if most > MOST_ROWS else too_many_cells(MOST_CELLS)

    @contextmanager
    def _door(self) -> Iterator[None]:
        with only(_DRIVERS[self._ending]), warnings.catch_warnings():
            # Bytes have no file name, and GDAL misses the ending.
            warnings.filterwarnings("ignore", ".*non conformant file extension", RuntimeWarning)
            yield


def _vetted(path: Path, ending: str) -> tuple[bytes, object]:
    if ending == ".gpkg":
        return vetting.geopackage(path), None
    if ending == ".shp":
        return vetting.shapefile(path), None
    data = path.read_bytes()
    if ending in (".geojson", ".json"):
        return vetting.geojson(data)
    if ending == ".kmz":
        return vetting.kmz(data), None
    return (vetting.flatgeobuf(data) if ending == ".fgb" else vetting.xml(data, ending[1:])), None


@contextmanager
def only(drivers: tuple[str, ...]) -> Iterator[None]:
    """Leave pyogrio's GDAL no drivers but these, and give it all of them back at the end.

    GDAL asks every driver whether a file is its own, and some take text files for orders. pyogrio, other than rasterio,
    cannot say which drivers to ask; GDAL itself skips those that its option OGR_SKIP names whenever it registers
    drivers, which takes about a millisecond.
    """
    with _LOCK:
        before = pyogrio.get_gdal_config_option("OGR_SKIP")
        others = sorted(set(pyogrio.list_drivers()) - set(drivers))
        try:
            _register(",".join(others))
            if set(pyogrio.list_drivers()) - set(drivers):
                raise VinemapError(Sentence("fault.pyogrio"))
            yield
        finally:
            _register(before)


def _register(skipped: object) -> None:
    pyogrio.set_gdal_config_options({"OGR_SKIP": skipped})
    # No public name has GDAL register its drivers again. OGR_SKIP in the environment counts once, when pyogrio is
    # loaded, for all files alike, and would take drivers from whoever calls the library. `only` tells whether it did.
    core._register_drivers()
