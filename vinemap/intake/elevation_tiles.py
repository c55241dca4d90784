"""The sources of open elevation data, and which of their tiles hold a piece of ground."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache

from vinemap.resources import asset
from vinemap.sentences import Sentence

Bounds = tuple[float, float, float, float]
"""West, south, east, north in degrees; east is greater than west, past 180 where the date line lies between."""


@dataclass(frozen=True)
class Tile:
    """A square degree of a source.

    Attributes
    ----------
    name : str
        As the source names it.
    path : str
        At the source's host.
    west, south : int
        Its south-western corner, whole degrees, west from -180 to 179.
    turn : int
        Degrees to add to its longitudes so that it lies beside its neighbours: 360 past the date line, else 0.
    """

    name: str
    path: str
    west: int
    south: int
    turn: int = 0


@dataclass(frozen=True)
class Source:
    """A source of open elevation data; the attributes are explained in ``elevation_sources.toml``."""

    key: str
    label: str
    caution: str
    host: str
    path: str
    name: str
    corner: str
    cell_arcsec: float
    piece_cells: int
    bytes_per_cell: float
    nodata: float
    unit: str
    heights: str
    licence: str
    attribution: str
    covers: tuple[tuple[float, float, float, float], ...]

    @property
    def said(self) -> Sentence:
        """Its name, in every language."""
        return Sentence(f"elevation_source.{self.key}.label")

    def may_cover(self, bounds: Bounds) -> bool:
        """Whether ground lies wholly in one of the boxes that the source covers; tiles may be missing there."""
        west, south, east, north = bounds
        return any(
            left <= west and bottom <= south and east <= right + (right - left == 360) * 180 and north <= top
            for left, bottom, right, top in self.covers
        )

    def tile(self, west: int, south: int, turn: int = 0) -> Tile:
        """Return the tile of a square degree by its south-western corner, whatever corner the source names it after."""
        lat = south + (self.corner == "north-west")
        north_south, east_west = ("N" if lat >= 0 else "S"), ("E" if west >= 0 else "W")
        name = self.name.format(
            NS=north_south,
            ns=north_south.lower(),
            EW=east_west,
            ew=east_west.lower(),
            lat=abs(lat),
            lon=abs(west),
        )
        return Tile(name, self.path.format(name=name), west, south, turn)

    def tiles(self, bounds: Bounds) -> tuple[Tile, ...]:
        """Return the tiles that hold ground, from the south-west, row by row.

        Tiles are moved by half a cell against the whole degrees, or reach a few cells past them, so that a cell more is
        looked at on every side.
        """
        cell = self.cell_arcsec / 3600
        west, south, east, north = bounds
        columns = range(math.floor(west - cell), math.ceil(east + cell))
        rows = range(max(-90, math.floor(south - cell)), min(90, math.ceil(north + cell)))
        found = [((column + 180) % 360 - 180, row, column) for row in rows for column in columns]
        return tuple(self.tile(column, row, whole - column) for column, row, whole in found)

    def cells(self, bounds: Bounds) -> tuple[int, int]:
        """Return the columns and rows that ground takes, at the most."""
        west, south, east, north = bounds
        per_degree = 3600 / self.cell_arcsec
        return math.ceil((east - west) * per_degree) + 1, math.ceil((north - south) * per_degree) + 1

    def megabytes(self, bounds: Bounds) -> float:
        """Return about how much is fetched: the heads of the tiles, and the pieces that ground lies in, on average."""
        across, down = (cells / self.piece_cells + 1 for cells in self.cells(bounds))
        heads = 0.1 * len(self.tiles(bounds))
        return heads + across * down * self.piece_cells**2 * self.bytes_per_cell / 1e6


@cache
def elevation_sources() -> dict[str, Source]:
    """Return the sources by their keys, the finest first."""
    tables = tomllib.loads(asset("vinemap", "intake/elevation_sources.toml"))
    return {
        key: Source(key, **{**table, "covers": tuple(tuple(box) for box in table["covers"])})
        for key, table in tables.items()
    }
