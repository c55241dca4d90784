"""A still picture of the map, for a notebook or a slide; matplotlib comes with the extra ``vinemap[plot]``."""

from __future__ import annotations

from typing import TYPE_CHECKING

import geopandas as gpd
import xarray as xr

from vinemap.errors import InputError, Problem, VinemapError
from vinemap.exports.colours import injury_stops
from vinemap.sentences import Listed, Sentence

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def plot_map(
    surface: xr.Dataset,
    blocks: gpd.GeoDataFrame,
    samples: gpd.GeoDataFrame,
    layer: str = "primary_injury",
    ax: Axes | None = None,
) -> Axes:
    """Draw a layer of the surface, the outlines of the blocks with their names, and the places of the samples.

    Parameters
    ----------
    surface : Dataset (y, x)
        Of a `vinemap.MapRun`: fractions 0 to 1.
    blocks, samples : GeoDataFrame
        Of the same run, in the CRS of the surface.
    layer : str
        Name of a variable of ``surface``.
    ax : matplotlib Axes, optional
        To draw on; a new one by default.

    Returns
    -------
    Axes

    Raises
    ------
    InputError
        When the surface has no such layer.
    VinemapError
        When matplotlib is not installed.

    Examples
    --------
    >>> run = vinemap.make_map("demo_blocks")
    >>> run.plot("primary_high").get_title()
    'primary_high'
    """
    try:
        from matplotlib import pyplot as plt  # noqa: PLC0415 - an extra
        from matplotlib.colors import LinearSegmentedColormap  # noqa: PLC0415
        from matplotlib.ticker import PercentFormatter  # noqa: PLC0415
    except ImportError as error:
        raise VinemapError(Sentence("fault.no_plot")) from error
    layers = [str(name) for name in surface.data_vars]
    if layer not in layers:
        raise InputError(
            [
                Problem(
                    "surface",
                    None,
                    layer,
                    Sentence("fault.no_layer_of_map"),
                    Sentence("remedy.name_one_of", names=Listed(layers, most=None)),
                )
            ]
        )
    if ax is None:
        ax = plt.figure(layout="constrained").gca()
    left, bottom, right, top = surface.rio.bounds()
    drawn = ax.imshow(
        surface[layer].to_numpy(),
        extent=(left, right, bottom, top),
        cmap=LinearSegmentedColormap.from_list("injury", injury_stops()),
        vmin=0,
        vmax=1,
    )
    ax.figure.colorbar(drawn, ax=ax, shrink=0.7, format=PercentFormatter(1.0, decimals=0))
    blocks.boundary.plot(ax=ax, color="black", linewidth=1)
    samples.plot(ax=ax, facecolor="none", edgecolor="black", markersize=12, linewidth=0.6)
    for place, name in zip(blocks.representative_point(), blocks["block"], strict=True):
        # A dollar sign would start mathematics.
        ax.annotate(str(name).replace("$", r"\$"), (place.x, place.y), ha="center", fontsize="small")
    ax.set_title(layer)
    ax.set_axis_off()
    return ax
