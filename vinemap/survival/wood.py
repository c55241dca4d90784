"""What slices under the bark showed: vines with dead phloem, with hurt and with dead wood, by block.

Which tissue decides follows what was published. Dead phloem alone most likely does not kill a trunk, and is the first
to be hurt; xylem next, which starves the canopy; then cambium (L. Haggerty, Lake Erie Regional Grape Program, "Looking
at Trunk Damage"). Vines with 20 to 100 % of their phloem browned and little injury of the xylem broke bud, grew and
fruited as sound ones did (M. Keller & L. J. Mills, Am. J. Enol. Vitic. 58 (2007) 351; own-rooted Merlot on one site).
Xylem is least susceptible, and does not repair itself (M. Moyer, Washington State University).
"""

from __future__ import annotations

from collections.abc import Hashable

import geopandas as gpd
import numpy as np
import pandas as pd

from vinemap.arrays import Array
from vinemap.columns import WOOD
from vinemap.states import DEAD_GRADES, HURT_GRADES, Part, State, Tissue, Visit, WoodState
from vinemap.survival.growth import trunks_grown
from vinemap.survival.intervals import wilson

_TISSUES = ["phloem", "cambium", "xylem"]
_JUDGED = ("brown", "dead_phloem", "phloem_read", "hurt", "hurt_read", "living", "killed")
MOST_NAMED = 12
"""So many samples whose trunks nobody checked are named for a block."""


def tally_wood(wood: pd.DataFrame) -> pd.DataFrame:
    """Count each vine once for each tissue.

    Parameters
    ----------
    wood : DataFrame
        sample, tissue ('cane', 'cordon', 'trunk'), phloem, xylem ('alive', 'dead', 'unread'), and where they are there
        cambium, browned_pct, grade, visit, wedge, as `vinemap.columns.WOOD` has them; several rows of one tissue and
        visit are several canes, arms or trunks of the vine.

    Returns
    -------
    DataFrame
        In the form of `vinemap.survival.tally.tally`: sample, part ('all'), tissue ('trunk_phloem', 'trunk_hurt',
        'trunk_dead', …), dead, read, unread (0 or 1).

        - phloem: phloem is dead somewhere; that alone decides nothing.
        - hurt: xylem or cambium is dead somewhere, or the grade asks for suckers. Not hurt is a piece whose xylem is
          alive, or whose phloem, which dies first, is alive and nowhere brown.
        - dead: every piece that was read is dead through (xylem and another tissue dead, none alive) or graded so.

        Where a piece has a grade, that is what was judged of it as a whole, and the slice adds only its phloem. Pieces
        with a stained wedge count as not read.
    """
    rows = _judged(wood)
    vine = rows.groupby(["sample", "tissue"], sort=False)
    known = vine[["dead_phloem", "phloem_read", "hurt", "hurt_read", "living"]].max()
    all_known = (rows["living"] | rows["killed"]).groupby([rows["sample"], rows["tissue"]], sort=False).min()
    killed = vine["killed"].max() & all_known & ~known["living"]
    states = {
        WoodState.PHLOEM: (known["dead_phloem"], known["phloem_read"]),
        WoodState.HURT: (known["hurt"], known["hurt_read"]),
        WoodState.DEAD: (killed, killed | known["living"]),
    }
    frames = []
    for name, (dead, read) in states.items():
        frame = pd.DataFrame({"dead": (dead & read).astype(np.int64), "read": read.astype(np.int64)}).reset_index()
        frames.append(frame.assign(tissue=frame["tissue"] + f"_{name}", part=Part.ALL.value, unread=1 - frame["read"]))
    return pd.concat(frames, ignore_index=True)[["sample", "part", "tissue", "dead", "read", "unread"]]


def _standing(wood: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that stand: of each vine and tissue those of the last visit that showed anything."""
    rows = wood.reindex(columns=WOOD.names).astype(object)
    rows["cambium"] = rows["cambium"].where(rows["cambium"].notna(), State.UNREAD)
    rows["visit"] = rows["visit"].where(rows["visit"].notna(), Visit.WINTER)
    rows["browned_pct"] = rows["browned_pct"].astype(np.float64)
    rows["wedge"] = rows["wedge"].eq(True)
    shown = (rows[_TISSUES] != State.UNREAD).any(axis=1) | rows[["browned_pct", "grade"]].notna().any(axis=1)
    shown |= rows["wedge"]
    number = rows["visit"].map({visit: place for place, visit in enumerate(Visit)}).where(shown, -1)
    return rows[number == number.groupby([rows["sample"], rows["tissue"]]).transform("max")]


def _judged(wood: pd.DataFrame) -> pd.DataFrame:
    """Return what each piece that stands says: sample, tissue, and what is true of it."""
    rows = _standing(wood)
    counted, graded = ~rows["wedge"], rows["grade"].notna()
    state, share = rows[_TISSUES].copy(), rows["browned_pct"]
    by_share = np.select([share == 100, share < 100], [State.DEAD, State.ALIVE], State.UNREAD)
    state["phloem"] = np.where(state["phloem"] == State.UNREAD, by_share, state["phloem"])
    dead, alive = state == State.DEAD, state == State.ALIVE
    deep = dead["xylem"] | dead["cambium"]
    hurt = rows["grade"].isin(HURT_GRADES).where(graded, deep)
    brown = dead["phloem"] | (share > 0)
    well = graded | alive["xylem"] | (alive["phloem"] & ~brown & ~deep)
    through = dead["xylem"] & (dead["phloem"] | dead["cambium"]) & ~alive.any(axis=1)
    killed = rows["grade"].isin(DEAD_GRADES).where(graded, through)
    living = (~killed).where(graded, alive.any(axis=1))
    return pd.DataFrame(
        {
            "sample": rows["sample"],
            "tissue": rows["tissue"],
            "brown": counted & brown,
            "dead_phloem": counted & dead["phloem"],
            "phloem_read": counted & (dead["phloem"] | alive["phloem"]),
            "hurt": counted & hurt,
            "hurt_read": counted & (hurt | well),
            "living": counted & living,
            "killed": counted & killed,
        }
    ).astype(dict.fromkeys(_JUDGED, bool))


def wood_table(
    wood: pd.DataFrame,
    samples: pd.DataFrame,
    blocks: pd.DataFrame,
    confidence: float,
    grown: pd.DataFrame | None = None,
) -> pd.DataFrame:
    """Return the columns of blocks.csv that come from wood checks.

    Parameters
    ----------
    wood : DataFrame
        As in `tally_wood`.
    samples : DataFrame
        sample, block (None: outside every block); with points the vines to check next are named in an order that
        spreads them over the block.
    blocks : DataFrame
        block.
    confidence : float
        Of the intervals.
    grown : DataFrame, optional
        Of `vinemap.survival.growth.growth`: what grew says more of dead trunks than a slice.

    Returns
    -------
    DataFrame, index of ``blocks``
        For each of cane, cordon and trunk and each of phloem, hurt and dead the columns of
        `vinemap.columns.BLOCKS_CSV`, such as trunk_hurt_read to trunk_hurt_high_pct: Wilson's interval with vines as
        trials, NaN where none was checked. Then trunk_deeper_vines, trunk_browned_pct, trunk_visit, trunk_unchecked and
        wedge_vines.

    Examples
    --------
    >>> from vinemap.survival.wood import wood_table
    >>> vineyard = vinemap.read("demo_blocks")
    >>> wood = wood_table(vineyard.wood, vineyard.samples, vineyard.site.blocks, confidence=0.90)
    >>> bool(wood["trunk_hurt_read"].sum() <= len(vineyard.wood))
    True
    """
    home = dict(zip(samples["sample"], samples["block"], strict=True))
    counts = tally_wood(wood) if grown is None else trunks_grown(tally_wood(wood), grown)
    counts["block"] = counts["sample"].map(home)
    sums = counts.groupby(["tissue", "block"])[["dead", "read"]].sum()
    columns: dict[str, Array] = {}
    for name in (f"{tissue}_{state}" for tissue in Tissue for state in WoodState):
        here = sums.reindex([(name, block) for block in blocks["block"]], fill_value=0)
        dead, read = here["dead"].to_numpy(), here["read"].to_numpy()
        low, high = wilson(dead, read, confidence)
        columns |= {f"{name}_read": read, f"{name}_vines": dead}
        columns[f"{name}_pct"] = 100 * np.divide(dead, read, out=np.full(read.shape, np.nan), where=read > 0)
        columns |= {f"{name}_low_pct": 100 * low, f"{name}_high_pct": 100 * high}
    table = pd.DataFrame(columns, index=blocks.index)
    return table.assign(**_beside(wood, home, blocks), trunk_unchecked=_unchecked(counts, samples, blocks))


def _beside(wood: pd.DataFrame, home: dict[str, Hashable], blocks: pd.DataFrame) -> dict[str, pd.Series]:
    """Return what the shares leave out: cuts that were too shallow, the share browned, the last visit, wedges."""
    stands = _standing(wood)
    stands["block"] = stands["sample"].map(home)
    trunk = stands[stands["tissue"] == Tissue.TRUNK]
    judged = _judged(wood)
    vine = judged[judged["tissue"] == Tissue.TRUNK].groupby("sample")[["brown", "hurt_read"]].max()
    shallow = vine["brown"] & ~vine["hurt_read"]
    visits = trunk["visit"].map({visit: place for place, visit in enumerate(Visit)})
    last = visits.groupby(trunk["block"]).max()
    found = {
        "trunk_deeper_vines": shallow.groupby(shallow.index.map(home)).sum(),
        "trunk_browned_pct": trunk[~trunk["wedge"]].groupby("block")["browned_pct"].mean(),
        "trunk_visit": last.map(lambda place: tuple(Visit)[int(place)]),
        "wedge_vines": stands[stands["wedge"]].groupby("block")["sample"].nunique(),
    }
    columns = {name: blocks["block"].map(dict(values)) for name, values in found.items()}
    for name in ("trunk_deeper_vines", "wedge_vines"):
        columns[name] = columns[name].fillna(0).astype(np.int64)
    columns["trunk_browned_pct"] = columns["trunk_browned_pct"].astype(np.float64)
    columns["trunk_visit"] = columns["trunk_visit"].astype(object).where(columns["trunk_visit"].notna(), None)
    return columns


def _unchecked(counts: pd.DataFrame, samples: pd.DataFrame, blocks: pd.DataFrame) -> list[str]:
    """Return for each block the samples whose trunk nobody read, each next one as far as can be from those before."""
    trunk = counts[(counts["tissue"] == f"{Tissue.TRUNK}_{WoodState.HURT}") & (counts["read"] > 0)]
    read = samples["sample"].isin(trunk["sample"]).to_numpy()
    xy = np.zeros((len(samples), 2))
    if isinstance(samples, gpd.GeoDataFrame):
        xy = np.column_stack([samples.geometry.x, samples.geometry.y])
    known = np.atleast_1d(np.isfinite(xy).all(axis=1))
    names, block = samples["sample"].to_numpy(), samples["block"].to_numpy()
    lists = []
    for name in blocks["block"]:
        here = np.flatnonzero(block == name)
        nowhere = here[~known[here] & ~read[here]]
        here = here[known[here]]
        order = np.concatenate([here[_spread(xy[here], read[here])], nowhere])
        lists.append("; ".join(map(str, names[order][:MOST_NAMED])))
    return lists


def _spread(xy: Array, taken: Array) -> list[int]:
    """Return the places not taken, always next the one farthest from all that are taken by then."""
    if taken.any():
        near = np.hypot(*(xy[:, None] - xy[None, taken]).transpose(2, 0, 1)).min(axis=1)
    else:
        # With nothing to keep away from, the first is the one nearest the middle.
        near = -np.hypot(*(xy - xy.mean(axis=0)).T) if len(xy) else np.zeros(0)
    left = list(np.flatnonzero(~taken))
    order: list[int] = []
    while left and len(order) < MOST_NAMED:
        best = max(left, key=lambda place: near[place])
        away = np.hypot(*(xy - xy[best]).T)
        near = np.minimum(near, away) if order or taken.any() else away
        left.remove(best)
        order.append(int(best))
    return order
