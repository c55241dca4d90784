"""What slices under the bark showed: vines with hurt and with dead wood, by block."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.arrays import Array
from vinemap.states import Part, State, Tissue, WoodState
from vinemap.survival.intervals import wilson


def tally_wood(wood: pd.DataFrame) -> pd.DataFrame:
    """Count each vine once for each tissue.

    Parameters
    ----------
    wood : DataFrame
        sample, tissue ('cane', 'cordon', 'trunk'), phloem, xylem ('alive', 'dead', 'unread'); several rows of one
        tissue are several canes, arms or trunks of the vine.

    Returns
    -------
    DataFrame
        In the form of `vinemap.survival.tally.tally`: sample, part ('all'), tissue ('trunk_hurt', 'trunk_dead', …),
        dead, read, unread (0 or 1).

        - hurt: phloem is dead somewhere. Phloem shows injury first.
        - dead: phloem and xylem are dead in every piece that was read. Xylem goes last and does not repair itself
          (Lake Erie Regional Grape Program, "Renewing Damaged Trunks"). Alive where either is alive in any piece.
    """
    either = wood[["phloem", "xylem"]]
    rows = wood[["sample", "tissue"]].assign(
        cut=wood["phloem"] != State.UNREAD,
        hurt=wood["phloem"] == State.DEAD,
        living=(either == State.ALIVE).any(axis=1),
        killed=(either == State.DEAD).all(axis=1),
    )
    vine = rows.groupby(["sample", "tissue"], sort=False).agg("max")
    all_known = (rows["living"] | rows["killed"]).groupby([rows["sample"], rows["tissue"]], sort=False).min()
    states = {
        WoodState.HURT: (vine["hurt"], vine["cut"]),
        WoodState.DEAD: (~vine["living"], vine["living"] | (vine["killed"] & all_known)),
    }
    frames = []
    for name, (dead, read) in states.items():
        frame = pd.DataFrame({"dead": (dead & read).astype(np.int64), "read": read.astype(np.int64)}).reset_index()
        frames.append(frame.assign(tissue=frame["tissue"] + f"_{name}", part=Part.ALL.value, unread=1 - frame["read"]))
    return pd.concat(frames, ignore_index=True)[["sample", "part", "tissue", "dead", "read", "unread"]]


def wood_table(wood: pd.DataFrame, samples: pd.DataFrame, blocks: pd.DataFrame, confidence: float) -> pd.DataFrame:
    """Return the columns of blocks.csv that come from wood checks.

    Parameters
    ----------
    wood : DataFrame
        As in `tally_wood`.
    samples : DataFrame
        sample, block (None: outside every block).
    blocks : DataFrame
        block.
    confidence : float
        Of the intervals.

    Returns
    -------
    DataFrame, index of ``blocks``
        For each of cane, cordon and trunk and each of hurt and dead the columns of `vinemap.columns.BLOCKS_CSV`, such
        as trunk_hurt_read to trunk_hurt_high_pct: Wilson's interval with vines as trials, NaN where none was checked.
    """
    counts = tally_wood(wood)
    counts["block"] = counts["sample"].map(dict(zip(samples["sample"], samples["block"], strict=True)))
    sums = counts.groupby(["tissue", "block"])[["dead", "read"]].sum()
    columns: dict[str, Array] = {}
    for name in (f"{tissue}_{state}" for tissue in Tissue for state in WoodState):
        here = sums.reindex([(name, block) for block in blocks["block"]], fill_value=0)
        dead, read = here["dead"].to_numpy(), here["read"].to_numpy()
        low, high = wilson(dead, read, confidence)
        columns |= {f"{name}_read": read, f"{name}_vines": dead}
        columns[f"{name}_pct"] = 100 * np.divide(dead, read, out=np.full(read.shape, np.nan), where=read > 0)
        columns |= {f"{name}_low_pct": 100 * low, f"{name}_high_pct": 100 * high}
    return pd.DataFrame(columns, index=blocks.index)
