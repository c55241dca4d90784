"""Grids of layers/: any CRS, a name and a unit from the settings, and every hostile or useless one refused by name."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import rasterio

from tests.builders import EAST, only_problem, problems, write_elevation
from vinemap.reading.ground_layers import MOST_LAYERS
from vinemap.reading.vineyard import read_site, read_vineyard, summary


@pytest.fixture
def layers(folder: Path) -> Path:
    """A folder's layers/, with one grid in it."""
    (folder / "layers").mkdir()
    write_elevation(folder / "layers" / "soil_depth.tif")
    return folder / "layers"


def test_a_grid_is_called_as_its_file_or_as_the_settings_say(folder: Path, layers: Path) -> None:
    """Name and unit come from the settings, the name else from the file; the ground around the blocks is kept."""
    write_elevation(layers / "V17.tif")
    (folder / "vinemap.toml").write_text('[layers.vigour]\nfile = "V17.tif"\nlabel = "vine vigour"\nunit = "%"\n')
    vineyard = read_vineyard(folder)
    soil, vigour = vineyard.site.layers
    assert (soil.key, soil.label, soil.unit, soil.file) == ("soil_depth", "soil depth", "", "layers/soil_depth.tif")
    assert (vigour.key, vigour.label, vigour.unit) == ("vigour", "vine vigour", "%")
    assert vigour.values.shape == (22, 45)
    assert float(vigour.values.sel(x=EAST + 55, y=4_800_045)) == 30.0
    assert summary(vineyard)[-1] == "Layers that may explain injury: soil depth, vine vigour."
    assert read_site(folder).layers[0].key == "soil_depth"


def test_marks_of_gaps_are_unknown(folder: Path, layers: Path) -> None:
    """What programs write into gaps counts as unknown and is told where the grid declares nothing; 0 is a figure."""
    path = layers / "soil_depth.tif"
    z = write_elevation(path)
    z[12:14, 12:14], z[15, 15], z[16, 16] = -9999.0, np.inf, 0.0
    with rasterio.open(path, "r+") as grid:
        grid.write(z, 1)
    vineyard = read_vineyard(folder)
    assert int(np.isnan(vineyard.site.layers[0].values).sum()) == 5
    said, short = [line for line in vineyard.warnings if "layers/" in line]
    assert said.endswith("hold -9999, which usually marks a gap; they were taken as unknown.")
    assert short.startswith("layers/soil_depth.tif does not cover ")


def _elsewhere(layers: Path) -> None:
    write_elevation(layers / "soil_depth.tif", left=50_000)


def _no_crs(layers: Path) -> None:
    write_elevation(layers / "soil_depth.tif", crs=None)


def _turned(layers: Path) -> None:
    write_elevation(layers / "soil_depth.tif", transform=rasterio.Affine(8, 6, EAST - 100, 6, -8, 4_800_200))


def _cut_off(layers: Path) -> None:
    path = layers / "soil_depth.tif"
    path.write_bytes(path.read_bytes()[:3000])


def _plain_text(layers: Path) -> None:
    (layers / "soil_depth.tif").write_text('<VRTDataset rasterXSize="1" rasterYSize="1"/>')


def _all_gaps(layers: Path) -> None:
    path = layers / "soil_depth.tif"
    z = write_elevation(path, nodata=-1.0)
    with rasterio.open(path, "r+") as grid:
        grid.write(np.full_like(z, -1.0), 1)


def _masked(layers: Path) -> None:
    (layers / "soil_depth.tif.msk").write_text("x")


def _link_out(layers: Path) -> None:
    outside = layers.parent.parent / "outside.tif"
    (layers / "soil_depth.tif").rename(outside)
    (layers / "soil_depth.tif").symlink_to(outside)


def _virtual(layers: Path) -> None:
    (layers / "more.vrt").write_text("<VRTDataset/>")


def _complex(layers: Path) -> None:
    write_elevation(layers / "soil_depth.tif", dtype="complex64")


def _twice(layers: Path) -> None:
    write_elevation(layers / "soil_depth.tiff")


def _not_there(layers: Path) -> None:
    (layers.parent / "vinemap.toml").write_text('[layers.vigour]\nfile = "v.tif"\n')


def _linked_folder(layers: Path) -> None:
    outside = layers.parent.parent / "elsewhere"
    layers.rename(outside)
    layers.symlink_to(outside)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (_elsewhere, "layers/soil_depth.tif: the grid covers none of the blocks"),
        (_no_crs, "layers/soil_depth.tif: the grid states no CRS"),
        (_turned, "layers/soil_depth.tif: the grid is turned against its axes"),
        (_cut_off, "layers/soil_depth.tif: the grid is damaged"),
        (_plain_text, "layers/soil_depth.tif: is plain text by its content"),
        (_all_gaps, "layers/soil_depth.tif: the grid covers none of the blocks"),
        (_masked, "layers/soil_depth.tif: has its gaps in a mask of its own"),
        (_link_out, "layers/soil_depth.tif: leads out of the vineyard's folder"),
        (_virtual, "layers/more.vrt: grids ending in .vrt are not read"),
        (_complex, "layers/soil_depth.tif: the grid holds no figures"),
        (_twice, "layers/soil_depth.tiff: has the name of layers/soil_depth.tif"),
        (_not_there, "vinemap.toml: layers.vigour: there is no grid 'v.tif' in layers/"),
        (_linked_folder, "layers/: is no folder of its own"),
    ],
    ids=lambda value: value.__name__ if callable(value) else "",
)
def test_what_cannot_be_used_is_named(layers: Path, spoil: Callable[[Path], None], said: str) -> None:
    """A grid of no use stops the run with its name and what to do, and with no traceback."""
    spoil(layers)
    assert only_problem(layers.parent).startswith(said)


def test_very_many_grids_are_refused(layers: Path) -> None:
    """With more grids than samples could ever weigh, luck finds one that fits."""
    for number in range(MOST_LAYERS):
        (layers / f"g{number}.tif").write_bytes((layers / "soil_depth.tif").read_bytes())
    assert problems(layers.parent)[0].startswith("layers/: holds 13 grids, and at most 12 are read; ")


def test_grids_are_bounded_together(layers: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each may have its share of the cells that one grid may: twelve would take twelve times the memory."""
    monkeypatch.setattr("vinemap.reading.ground_layers.MOST_CELLS", 1500)
    assert len(read_site(layers.parent).layers) == 1
    (layers / "more.tif").write_bytes((layers / "soil_depth.tif").read_bytes())
    said = "has 990 cells in and around the blocks, and at most 750 are read"
    assert [said in problem for problem in problems(layers.parent)] == [True, True]
