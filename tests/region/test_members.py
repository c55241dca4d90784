"""region.csv and region.toml are read like any other table: faults by file and row, all of them in one run."""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import numpy as np
import pytest
from shapely import Polygon
from shapely.affinity import translate

from tests.builders import square
from vinemap.errors import InputError
from vinemap.region.members import Member, folders_in, read_region

FOLDERS = {"hill": True, "creek": True, "barn": False}


def _problems(home: Path) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_region(home, FOLDERS, "county")
    return [str(problem) for problem in caught.value.problems]


def test_a_table_of_members(tmp_path: Path) -> None:
    """Rows become members; one grower has one spelling; what the table does not name is mapped and not shared."""
    (tmp_path / "region.csv").write_text(
        "Folder,District,Grower,Area weight,share\nhill,North, Ana  Roe,2,yes\nbarn,north,ana roe,,no\n",
        encoding="utf-8",
    )
    region = read_region(tmp_path, FOLDERS, "county")
    assert region.members == [
        Member("hill", "North", "Ana Roe", 2.0),
        Member("barn", "North", "Ana Roe", 1.0, share=False),
        Member("creek", share=False),
    ]
    assert [warning.key for warning in region.warnings] == ["region.warning.unlisted"]


def test_without_a_table_all_count_as_one_grower(tmp_path: Path) -> None:
    """Nothing is known of whose they are, and a warning says what follows."""
    region = read_region(tmp_path, FOLDERS, "county")
    assert [member.folder for member in region.members] == ["hill", "creek"]
    assert {member.grower for member in region.members} == {""}
    assert "as one grower" in str(region.warnings[0])


def test_every_fault_is_named_at_its_row(tmp_path: Path) -> None:
    """Unknown and doubled folders, wrong cells and wrong settings stand together, with what to do."""
    rows = "folder,grower,area_weight,share\nhil,A,1,yes\nhill,B,none,yes\nHILL,C,1,perhaps\nhill,D,1,\n"
    (tmp_path / "region.csv").write_text(rows, encoding="utf-8")
    (tmp_path / "region.toml").write_text('language = "fr"\n\nfewest_growers = 2\ncolour = 1\n', encoding="utf-8")
    said = _problems(tmp_path)
    for part in (
        "region.csv:2: folder: there is no vineyard's folder 'hil'",
        "region.csv:3: area_weight:",
        "region.csv:4: share:",
        "region.csv:5: folder: 'hill' stands in row 3 already",
        "region.toml:1: language:",
        "region.toml:3: fewest_growers:",
        "region.toml:4: colour: there is no such key",
    ):
        assert any(part in problem for problem in said), (part, said)


def test_outputs_and_links_are_no_vineyards(tmp_path: Path) -> None:
    """Of the folders beside region.csv those with a run.json are outputs."""
    for name in ("hill", "barn", "out", ".hidden"):
        (tmp_path / name).mkdir()
    (tmp_path / "hill" / "buds.csv").touch()
    (tmp_path / "out" / "run.json").touch()
    (tmp_path / "link").symlink_to(tmp_path / "hill")
    assert folders_in(tmp_path) == {"barn": False, "hill": True}


def test_outlines_of_districts(tmp_path: Path) -> None:
    """They come in longitude and latitude, one row a district; a nameless one is named by its row."""
    frame = gpd.GeoDataFrame({"district": ["N", "N", "S"]}, geometry=[square(0, 0), square(200, 0), square(0, 300)])
    frame.set_crs("EPSG:32618").to_file(tmp_path / "districts.gpkg")
    region = read_region(tmp_path, FOLDERS, "county")
    assert region.districts is not None
    assert region.districts["district"].tolist() == ["N", "S"]
    assert region.districts.total_bounds[1] < 90
    frame.assign(district=["N", "", "S"]).set_crs("EPSG:32618").to_file(tmp_path / "districts.gpkg")
    assert any(problem.startswith("districts.gpkg:3:") for problem in _problems(tmp_path))


@pytest.mark.parametrize(
    "text", [f"fewest_growers = 0x{'f' * 5000}", f"name{'.a' * 40_000} = 1", "name = " + "[" * 40_000]
)
def test_settings_that_no_region_has(tmp_path: Path, text: str) -> None:
    """Numbers without end and tables without end in each other are no TOML of ours."""
    (tmp_path / "region.toml").write_text(text, encoding="utf-8")
    (problem,) = _problems(tmp_path)
    assert problem.startswith("region.toml: is not valid TOML")
    assert len(problem) < 400


def test_outlines_that_cross_themselves(tmp_path: Path) -> None:
    """A bow tie is mended, as a block's outline is; a tangle is named, and not mended for hours."""
    bow = Polygon([(0, 0), (1, 1), (1, 0), (0, 1)])
    tangle = Polygon(np.random.default_rng(1).random((2000, 2)))
    frame = gpd.GeoDataFrame({"district": ["N", "N"]}, geometry=[bow, translate(bow, 0.1)], crs=4326)
    frame.to_file(tmp_path / "districts.gpkg")
    region = read_region(tmp_path, FOLDERS, "county")
    assert region.districts is not None
    assert region.districts.geometry.is_valid.all()
    frame.set_geometry([bow, tangle], crs=4326).to_file(tmp_path / "districts.gpkg")
    (problem,) = _problems(tmp_path)
    assert problem.startswith("districts.gpkg:3: geometry: the outline has very many parts, or crosses")
