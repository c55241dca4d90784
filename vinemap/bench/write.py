"""From a plan's samples to bench.html."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
from scipy.stats import norm

from vinemap.resources import asset, texts
from vinemap.web.embed import columns, to_json
from vinemap.web.modules import joined
from vinemap.web.policy import policy

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
        "z": float(norm.ppf((1 + confidence) / 2)),
        "confidence": round(100 * confidence, 1),
        "rho": USUAL_RHO if rho is None else rho,
        "rho_from": "usual" if rho is None else "survey" if surveyed else "plan",
        "samples": [dict(zip(plan, row, strict=True)) for row in zip(*plan.values(), strict=True)],
        "texts": texts(_BENCH),
    }
    path.write_text(_page(to_json(data)), encoding="utf-8")


def _page(data: str) -> str:
    script = f"<script>{joined('bench/script/app.js')}</script>"
    rules = (asset(_WEB, "style/tokens.css"), asset(_WEB, "style/screen.css"), asset(_BENCH, "style/bench.css"))
    style = "<style>" + "\n".join(rules) + "</style>"
    html = asset(_BENCH, "bench.html").replace("</head>", f"{style}\n</head>", 1)
    # The policy names the digest of what stands in the page, so it is made before the data, which it does not name.
    html = html.replace("</body>", f'<script type="application/json" id="bench-data"></script>\n{script}\n</body>', 1)
    html = html.replace('<meta charset="utf-8">', f'<meta charset="utf-8">\n{policy(html)}', 1)
    return html.replace('id="bench-data">', f'id="bench-data">{data}', 1)
