"""`vinemap elevation`: it asks before it uses the network, and no other command ever does."""

from __future__ import annotations

import shutil
import socket
from collections.abc import Iterator
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
import rasterio

from tests.builders import write_demo_again, write_elevation, write_vineyard
from tests.conftest import Run
from tests.intake.tile_server import TileServer, serving, write_tile
from tests.reading.strangers import state
from vinemap import cli
from vinemap.intake.elevation_tiles import elevation_sources
from vinemap.reading.elevation import CREDIT_TAG, FETCHED_TAG, SOURCE_TAG

SOURCE = elevation_sources()["copernicus_glo30"]


@pytest.fixture
def server(tmp_path: Path) -> Iterator[TileServer]:
    """A server of the two tiles around the vineyard in ``v``."""
    (tmp_path / "v").mkdir()
    write_vineyard(tmp_path / "v")
    west, south, *_ = gpd.read_file(tmp_path / "v" / "blocks.geojson").total_bounds
    for side in (-75, -76):
        write_tile(tmp_path / "tiles" / SOURCE.tile(side, 43).path, side, 43, (float(west), float(south)))
    with serving(tmp_path / "tiles") as running:
        yield running


def test_it_asks_says_what_and_fetches_only_then(tmp_path: Path, server: TileServer, monkeypatch, run: Run) -> None:
    """In a terminal tiles, host and megabytes are named; a no fetches nothing, a yes does, and the file comes last."""
    call = ("elevation", str(tmp_path / "v"), "--source-url", server.url)
    before = state(tmp_path / "v")
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("click.confirm", lambda *_, **__: False)
    code, out, _ = run(*call)
    assert code == 0
    assert "Copernicus_DSM_COG_10_N43_00_W075_00_DEM" in out
    assert f"from {server.url.removeprefix('http://')}, about 4 MB" in out
    assert out.splitlines()[-1] == "Nothing was fetched."
    assert server.asked == []
    assert state(tmp_path / "v") == before
    monkeypatch.setattr("click.confirm", lambda *_, **__: True)
    code, out, _ = run(*call)
    assert code == 0
    assert out.splitlines()[-1] == str(tmp_path / "v" / "elevation.tif")
    assert (tmp_path / "v" / "elevation.tif").exists()


def test_where_nobody_can_answer_it_stops_with_2(tmp_path: Path, server: TileServer, monkeypatch, run: Run) -> None:
    """Without a terminal and without --yes nothing is fetched, and --yes is named; with it, it goes on."""
    monkeypatch.setattr("sys.stdin.isatty", lambda: False, raising=False)
    call = ("elevation", str(tmp_path / "v"), "--source-url", server.url)
    code, _, err = run(*call)
    assert code == 2
    assert "--yes" in err
    assert server.asked == []
    assert run(*call, "--yes", "--source", SOURCE.key)[0] == 0
    code, _, err = run(*call, "--yes")
    assert code == 2
    assert "is there already" in err
    assert run(*call, "--yes", "--replace")[0] == 0


def test_a_network_that_fails_is_1_and_in_plain_words(tmp_path: Path, server: TileServer, run: Run) -> None:
    """A fault of the network is no fault of the input: exit code 1, host, cause and what to do, nothing written."""
    before = state(tmp_path / "v")
    with socket.socket() as shut:
        shut.bind(("127.0.0.1", 0))  # bound and not listening: whoever asks is turned away
        call = ("--yes", "--source-url", f"http://127.0.0.1:{shut.getsockname()[1]}")
        code, _, err = run("elevation", str(tmp_path / "v"), *call)
    assert code == 1
    assert "cannot be reached" in err
    assert "nothing was written" in err
    assert "Traceback" not in err
    assert state(tmp_path / "v") == before


def test_it_is_in_the_language_of_the_vineyard(tmp_path: Path, server: TileServer, run: Run) -> None:
    """Question, result and caution are said in Spanish where the settings have it."""
    (tmp_path / "v" / "vinemap.toml").write_text('language = "es"\n', encoding="utf-8")
    _, out, _ = run("elevation", str(tmp_path / "v"), "--source-url", server.url, "--yes")
    assert "Se escribió elevation.tif" in out
    assert "modelo de superficie" in out


def test_an_https_proxy_of_the_environment_is_used(tmp_path: Path, server: TileServer, monkeypatch, run: Run) -> None:
    """As everywhere, what the environment names as a proxy is asked in place of the host, for HTTP as for HTTPS."""
    monkeypatch.setenv("http_proxy", server.url)
    monkeypatch.setenv("https_proxy", server.url)
    call = ("elevation", str(tmp_path / "v"), "--yes", "--source", SOURCE.key, "--source-url")
    assert run(*call, "http://mirror.invalid")[0] == 1
    assert server.paths() == {f"http://mirror.invalid/{SOURCE.tile(side, 43).path}" for side in (-75, -76)}
    code, _, err = run(*call, "https://mirror.invalid")
    assert code == 1  # the test's proxy makes no tunnels, and says so
    assert "Tunnel connection failed" in err


def test_no_other_command_asks_the_network(tmp_path: Path, server: TileServer, monkeypatch, run: Run) -> None:
    """Every other command, on a vineyard whose elevation came from the network, opens no connection whatever."""
    folder = tmp_path / "v"
    write_elevation(folder / "elevation.tif")
    with rasterio.open(folder / "elevation.tif", "r+") as grid:
        grid.update_tags(
            **{SOURCE_TAG: SOURCE.key, FETCHED_TAG: "2026-01-30", CREDIT_TAG: SOURCE.attribution},
            VINEMAP_ELEVATION_TILES=f"{server.url}/tile.tif",
        )
    shoots = tmp_path / "shoots.csv"
    samples = pd.read_csv(folder / "samples.csv")
    pd.DataFrame({"sample": samples["sample"], "nodes": 30, "shoots": 12}).to_csv(shoots, index=False)
    shutil.copy(folder / "buds.csv", tmp_path / "buds_lee.csv")
    (folder / "vinemap.toml").write_text("[surface]\ncell_m = 10.0\n", encoding="utf-8")
    # What it maps of its own is mapped as by `map`.
    monkeypatch.setattr("vinemap.demo.write_demo", write_demo_again)
    opened: list[object] = []
    monkeypatch.setattr(socket.socket, "connect", lambda _, where: opened.append(where))
    monkeypatch.setattr(socket.socket, "connect_ex", lambda _, where: opened.append(where))
    for name in ("http_proxy", "https_proxy", "all_proxy", "ALL_PROXY"):
        monkeypatch.setenv(name, server.url)  # GDAL's own connections would end here
    calls = {
        "check": (str(folder),),
        "map": (str(folder), "-o", str(tmp_path / "out")),
        "plan": (str(folder), "--first", "-o", str(tmp_path / "plan")),
        "bench": ("-o", str(tmp_path / "bench.html")),
        "merge": (str(folder / "buds.csv"), str(tmp_path / "buds_lee.csv"), "-o", str(tmp_path / "merged.csv")),
        "template": (str(tmp_path / "empty"),),
        "explain": (str(folder), "--block", "Ash"),
        "spring": (str(folder), str(shoots), "-o", str(tmp_path / "spring")),
        "demo": (str(tmp_path / "demo"),),
        "guide": ("--no-open", "-o", str(tmp_path / "guide.html")),
    }
    shown = cli.commands.commands
    # Tests of their own hold import and desk; history only reads what map wrote, and region's workers, which map, are
    # reached by connections on the loopback.
    quiet = {"import", "desk", "history", "region"}
    assert set(calls) | quiet | {"elevation"} >= set(shown)
    for name, arguments in calls.items():
        code, _, err = run(name, *arguments)
        assert code == 0, (name, err)
    assert opened == []
    assert server.asked == []
    page = (tmp_path / "out" / "map.html").read_text(encoding="utf-8")
    assert SOURCE.attribution.partition("©")[0] in page  # what it says on the screen is held by the page's own tests
    assert SOURCE.attribution in (tmp_path / "out" / "crew_sheet_es.html").read_text(encoding="utf-8")
    assert SOURCE.attribution in (tmp_path / "plan" / "plan.html").read_text(encoding="utf-8")
    for folder_name in ("out", "plan"):
        report = (tmp_path / folder_name / "run.json").read_text(encoding="utf-8")
        assert '"fetched": "2026-01-30"' in report
        assert SOURCE.caution in report
