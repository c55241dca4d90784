"""The report says what was worked out on paper, in both languages and units; it prints on a page and its appendix."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import xarray as xr
from pypdf import PdfReader
from shapely import Point, box

from tests.builders import HOSTILE, Html
from vinemap.report.report import Report, loss_sentences, map_report
from vinemap.sentences import Sentence
from vinemap.settings import Report as ReportSettings
from vinemap.settings import Settings
from vinemap.terrain.grid import block_grid
from vinemap.web.pdf import write_pdf

CRS = "EPSG:32618"
X, Y = 500_000.0, 4_700_000.0
MADE = "2026-02-02T10:00:00-05:00"


def blocks(name: str = "Low Field") -> gpd.GeoDataFrame:
    """Two blocks: 4 of 10 trunks dead in the low one, none of 30 in the high one."""
    ends = {"": [80.0, 10.0], "_low": [70.0, 5.0], "_high": [88.0, 16.0]}
    cut = {
        f"{stem}{end}_pct": values for stem in ("injury", "secondary", "no_live_bud") for end, values in ends.items()
    }
    crop = {"": [35.0, 94.0], "_low": [25.0, 90.0], "_high": [45.0, 97.0]}
    return gpd.GeoDataFrame(
        {
            "block": [name, "High Field"],
            "variety": ["Riesling", None],
            "area_ha": [2.0, 3.0],
            "vines": [4000.0, 6000.0],
            "samples": [8, 6],
            "canes": [24, 18],
            "nodes": [240, 180],
            "map_injury_pct": [82.0, 11.0],
            "map_low_pct": [75.0, 7.0],
            "map_high_pct": [87.4, 16.0],
            **cut,
            "action": ["prune_long_wait", "as_usual"],
            "nodes_to_keep": [np.nan, 40.0],
            **{f"crop_before{end}_pct": values for end, values in crop.items()},
            **{f"crop_after{end}_pct": [np.nan, 94.0] for end in ends},
            "trunk_dead_read": [10.0, 30.0],
            "trunk_dead_vines": [4.0, 0.0],
            "trunk_dead_pct": [40.0, 0.0],
            "trunk_dead_low_pct": [21.0, 0.0],
            "trunk_dead_high_pct": [62.0, 9.0],
        },
        geometry=[box(X, Y, X + 200, Y + 100), box(X + 250, Y, X + 450, Y + 150)],
        crs=CRS,
    )


LOSSES = [
    {"variety": "Riesling", "whole": False, "area_ha": 2.0, "counted_ha": 2.0, "vines": 4000.0, "by_yield": True}
    | {"loss_pct": 65.0, "loss_low_pct": 55.2, "loss_high_pct": 75.0, "over_pct": 99.5},
    {"variety": "", "whole": False, "area_ha": 3.0, "counted_ha": 2.5, "vines": 6000.0, "by_yield": True}
    | {"loss_pct": 6.0, "loss_low_pct": 3.0, "loss_high_pct": 10.0, "over_pct": 0.0},
    {"variety": "", "whole": True, "area_ha": 5.0, "counted_ha": 4.5, "vines": 10000.0, "by_yield": True}
    | {"loss_pct": 29.6, "loss_low_pct": 24.0, "loss_high_pct": 36.0, "over_pct": 30.0},
]
OWN = ReportSettings(
    prepared_for="The owner", cut_by="A. Reader", normal_mortality_pct=2, deadlines={"Notice": dt.date(2026, 2, 20)}
)


def report(name: str = "Low Field", losses: list[dict[str, Any]] = LOSSES, **settings: Any) -> Report:
    rows = blocks(name)
    grid = block_grid(rows, 5.0, 10_000)
    injury = xr.where(grid["block_index"] == 0, 0.82, 0.11).where(grid["block_index"] >= 0)
    days = pd.to_datetime(["2026-01-26", "2026-01-25"])
    samples = gpd.GeoDataFrame({"date": days}, geometry=[Point(X + 50, Y + 50), None], crs=CRS)
    run = {"name": name, "made": MADE, "vinemap": "9.9", "python": "3.11", "libraries": {"numpy": "2"}, "warnings": []}
    run |= {"crop_loss": losses, "held_out": [Sentence("page.scores.no_better")], "inputs": {name + ".csv": "0f" * 32}}
    return map_report(
        blocks=rows,
        samples=samples,
        surface=grid.assign(primary_injury=injury),
        run=run,
        settings=Settings(**{"report": OWN, "event_date": dt.date(2026, 1, 22)} | settings),
    )


def said(made: Report, table: list[list[Any]]) -> list[list[str]]:
    return [[plain(made, cell) for cell in row] for row in table]


def plain(made: Report, text: Any) -> str:
    """Say a text, no-break spaces made plain."""
    return made.said(text).replace("\u00a0", " ")


def test_every_figure_of_a_case_on_paper() -> None:
    """The sums, intervals and verdicts of two blocks, cell by cell; of the trunks 4 of 10 (21 to 62 %) lie above the 15
    % beyond the usual 2 %, none of 30 (to 9 %) below."""
    made = report()
    facts = {made.said(label): plain(made, text) for label, text in made.facts}
    assert facts == {
        "Vineyard": "2 blocks, 5.0 ha, 10,000 vines",
        "Freeze": "2026-01-22",
        "Collected": "2026-01-25 – 2026-01-26",
        "Cut and read by": "A. Reader",
        "Cut": "14 samples, 42 canes, 420 nodes cut",
        "Made": "2026-02-02, with vinemap 9.9",
        "For": "The owner",
    }
    assert [plain(made, text) for text in made.loss] == [
        "30 % of a normal year's crop (24 to 36 %) over the whole vineyard.",
        "Blocks count by their normal yield.",
        "0.5 ha have no figure, and are left out.",
    ]
    assert said(made, made.varieties)[1:] == [
        ["Riesling", "2.0 ha", "4,000", "65 % (55 to 75)", "over 95 %"],
        ["Variety not given", "3.0 ha", "6,000", "6 % (3 to 10)", "under 5 %"],
        ["All", "5.0 ha", "10,000", "30 % (24 to 36)", "30 %"],
    ]
    cut = "8 samples, 24 canes, 240 nodes cut"
    worst = ["1", "Low Field", "Riesling", "2.0 ha", "4,000", cut, "82 % (75 to 87)", *["80 % (70 to 88)"] * 3]
    assert said(made, made.injury)[1] == worst
    assert said(made, made.crops)[1:] == [
        ["1", "Low Field", "Prune long, then wait", "", "35 % (25 to 45)", ""],
        ["2", "High Field", "Prune as usual", "40", "94 % (90 to 97)", "94 % (94 to 94)"],
    ]
    assert said(made, made.trunks)[1:] == [
        ["1", "Low Field", "10", "4", "40 % (21 to 62)", "above, its low end too"],
        ["2", "High Field", "30", "0", "0 % (0 to 9)", "below, its high end too"],
    ]
    assert "15 % of a stand beyond the 2 %" in plain(made, made.wood[0])
    assert "1 lie above it, 1 below, and 0 have too few" in plain(made, made.wood[1])
    assert made.said(made.deadlines[0]) == "2026-02-20: Notice"


def test_a_limit_inside_the_interval_is_not_decided() -> None:
    """With 6 % of vines dying in an ordinary year the limit is 21 %, which 21 % does not pass."""
    made = report(report=OWN.model_copy(update={"normal_mortality_pct": 6.0}))
    assert said(made, made.trunks)[1][-1] == "too few to say"


def test_too_few_samples_are_said() -> None:
    """Where no block has a figure there is no loss, no interval and no likelihood."""
    nothing = dict.fromkeys(("loss_pct", "loss_low_pct", "loss_high_pct", "over_pct"), np.nan)
    losses = [row | nothing | {"counted_ha": 0.0} for row in LOSSES]
    assert [str(text) for text in loss_sentences(losses, Settings())] == [
        "Too few samples to say how much of the crop is lost."
    ]
    made = report(losses=losses)
    assert said(made, made.varieties)[1][3:] == ["", ""]


def test_spanish_and_acres() -> None:
    """Words, decimal comma and acres (2 ha / 0.40468564224 = 4.94), short in a table."""
    made = report(language="es", units="us")
    assert said(made, made.varieties)[1][:2] == ["Riesling", "4,9 ac"]
    assert "de la cosecha de un año normal" in made.html()
    assert made.drawing.bar.endswith("\N{NO-BREAK SPACE}ft")


@pytest.mark.parametrize("name", HOSTILE)
def test_names_are_text(name: str) -> None:
    """A name that is markup stands as text and changes no element of the page."""
    page, plain = Html(report(name).html()), Html(report("Low Field").html())
    assert page.frame == plain.frame
    assert "script" not in [tag for tag, _ in page.elements]


def test_cautions_and_sources_stand_there() -> None:
    """No vine comes out before the agency agrees; the local office decides; the limits name their source."""
    text = " ".join(Html(report().html()).words)
    for words in ("Do not pull vines before the agency", "the local office decides", "7 CFR 1416.400", "not a promise"):
        assert words in text


def test_numbers_on_the_map_are_those_of_the_tables() -> None:
    """The worst block is 1, its number inside its own outline; the block of the picture is where the outline is."""
    drawing = report().drawing
    assert [block.number for block in drawing.blocks] == [1, 2]
    assert drawing.blocks[0].x < drawing.width / 2 < drawing.blocks[1].x
    assert drawing.samples.count("M") == 1  # the other has no place
    assert drawing.picture.x == pytest.approx(4, abs=1.5)  # the margin, to a cell


@pytest.mark.parametrize("paper", ["A4", "Letter"])
@pytest.mark.parametrize(("varieties", "language"), [(1, "en"), (11, "es"), (40, "es")])
def test_prints_on_one_page_and_its_appendix(tmp_path: Path, paper: str, varieties: int, language: str) -> None:
    """The signatures stand on the first page whatever the paper and however many varieties; the rest follows it."""
    losses = [LOSSES[0] | {"variety": f"Variety {k}"} for k in range(varieties)] + LOSSES[-1:]
    html = report(losses=losses, language=language).html()
    write_pdf(html.replace("@page {", f"@page {{ size: {paper};"), tmp_path / "report.pdf")
    first, *rest = [page.extract_text() for page in PdfReader(tmp_path / "report.pdf").pages]
    assert {"en": "Adviser: name, date, signature", "es": "Asesor: nombre, fecha, firma"}[language] in first
    assert rest
    appendix = " ".join(rest)
    assert "0f0f0f" in appendix.replace("\n", "")
    assert (f"Variety {varieties - 1}" in first) is (varieties < 40)
    assert (f"Variety {varieties - 1}" in appendix) is (varieties == 40)
