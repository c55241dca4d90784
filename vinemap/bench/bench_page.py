"""From a plan's samples to bench.html."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from scipy.special import ndtri

from vinemap.resources import asset
from vinemap.sentences import section
from vinemap.web.embed import columns
from vinemap.web.modules import joined
from vinemap.web.page import one_file

_BENCH, _WEB = "vinemap.bench", "vinemap.web"
_SAMPLE = ("sample", "block", "canes", "nodes")
# Intraclass correlation of a sample's nodes where no survey has shown it: what a plan begins with, or a page without.
USUAL_RHO = 0.10


def write_bench(
    path: Path,
    *,
    samples: pd.DataFrame | None,
    name: str,
    language: str = "en",
    confidence: float = 0.90,
    rho: float | None = None,
    surveyed: bool = False,
) -> None:
    """Write the bench page: one HTML file that keeps every bud read in the browser and saves buds.csv.

    The page's store belongs to ``name``: a page written again for the same vineyard goes on with what is there.

    Parameters
    ----------
    path : Path
        File to write.
    samples : DataFrame or None
        Columns sample, block (str or None) and, where wanted, canes (canes to cut of the sample, 1 by default) and
        nodes (nodes to cut on each cane), in the order of the work; None where the plan is loaded at the bench.
    name : str
        Of the vineyard.
    language : str
        ``en`` or ``es``; the reader may change it.
    confidence : float
        Of the interval of the running percentage, between 0 and 1.
    rho : float or None
        Intraclass correlation of the nodes of one sample, as the plan has it; None, where no plan is known, takes
        `USUAL_RHO`.
    surveyed : bool
        Whether a survey has shown ``rho``; the plan assumes it otherwise.
    """
    plan = columns(samples, _SAMPLE) if samples is not None else {}
    data = {
        "name": name,
        "language": language,
        "z": float(ndtri((1 + confidence) / 2)),
        "confidence": round(100 * confidence, 1),
        "rho": USUAL_RHO if rho is None else rho,
        "rho_from": "usual" if rho is None else "survey" if surveyed else "plan",
        "samples": [dict(zip(plan, row, strict=True)) for row in zip(*plan.values(), strict=True)],
        "texts": section("bench"),
    }
    style = (asset(_WEB, f"style/{name}") for name in ("tokens.css", "screen.css"))
    page = one_file(
        "bench/templates/bench.html.j2",
        styles=["\n".join([*style, asset(_BENCH, "style/bench.css")])],
        scripts=[joined("bench/script/app.js")],
        data=data,
        data_id="bench-data",
    )
    path.write_text(page, encoding="utf-8")
