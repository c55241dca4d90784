"""What the razor showed: buds dead, read and unread by sample, part of the cane and tissue."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from vinemap.settings import Settings
from vinemap.states import BUDS, NONCOUNT, Bud, Part, State

_TALLY = ["sample", "part", "tissue", "dead", "read", "unread"]
COUNTS = ["dead", "read", "unread"]


def kept_nodes(samples: pd.DataFrame, blocks: pd.DataFrame, settings: Settings) -> pd.Series[int]:
    """Return how many nodes from the base pruning keeps, by sample.

    Parameters
    ----------
    samples : DataFrame
        sample, block (None for a sample outside every block, which takes ``settings.default_pruning``).
    blocks : DataFrame
        block, pruning ('spur' or 'cane').
    settings : Settings

    Returns
    -------
    Series of int, index sample
    """
    pruning = samples["block"].map(blocks.set_index("block")["pruning"]).fillna(settings.default_pruning)
    return pd.Series(
        pruning.map(settings.survival.kept_nodes).to_numpy(dtype=np.int64),
        index=pd.Index(samples["sample"], name="sample"),
    )


def tally(nodes: pd.DataFrame, counts: pd.DataFrame, kept: pd.Series[int]) -> pd.DataFrame:
    """Count buds dead, read and unread by sample, part of the cane and tissue.

    Parameters
    ----------
    nodes : DataFrame
        A row a node cut: sample, node (1 = nearest the base), primary, secondary, tertiary ('alive', 'dead', 'unread',
        'dead_before'); cane, noncount_alive and noncount_dead where basal buds were noted, which stand beside the
        nodes: once a cane, on any of its rows or on all.
    counts : DataFrame
        A row of counts: sample, part ('basal', 'apical' or 'all'), nodes, primary_dead, secondary_dead, tertiary_dead
        (NaN: that bud was not read), and primary_dead_before where buds that had died before the freeze were told
        apart (NaN: they were not), noncount_alive and noncount_dead. Each row counts other nodes than the rest.
    kept : Series
        Sample to the number of nodes that pruning keeps; must name every sample of ``nodes``.

    Returns
    -------
    DataFrame
        sample, part, tissue ('primary', 'secondary', 'tertiary', 'no_live_bud', 'dead_before', 'noncount'), dead, read,
        unread (int); samples in the order of the input. Part 'all' is the sum over the nodes wherever they stood;
        'basal' and 'apical' are there only for nodes whose position is known.

    Raises
    ------
    KeyError
        When ``kept`` lacks a sample of ``nodes``.

    Notes
    -----
    A node has no live bud when its primary and its secondary are dead and its tertiary is dead or unread. It has one
    when any bud is alive, else it is unread: secondaries need be read only where the primary is dead. Where
    no node with a dead primary had its secondary read, a dead node could never have been seen, and there are no
    'no_live_bud' rows. Counts carry the figure only when the numbers leave no choice in every row: the nodes with no
    live bud are at least the sum of the dead less the nodes for each bud but one, and at most the least of the dead
    (M. Fréchet 1935).

    Basal buds are counted as 'noncount' alone, which has part 'all' only: no count of nodes holds them.

    A bud that had died before the freeze counts as dead wherever buds are counted. How many primaries there were of
    these is counted apart, as 'dead_before', where somebody told them apart: in ``nodes`` where one was found anywhere,
    in ``counts`` row by row.

    Examples
    --------
    >>> from vinemap.survival.tally import kept_nodes, tally
    >>> vineyard = vinemap.read("demo_blocks")
    >>> kept = kept_nodes(vineyard.samples, vineyard.site.blocks, vineyard.site.settings)
    >>> tally(vineyard.nodes, vineyard.counts, kept).columns.tolist()
    ['sample', 'part', 'tissue', 'dead', 'read', 'unread']
    """
    known = pd.concat([_tally_nodes(nodes, kept), _tally_counts(counts), *_tally_beside(nodes, counts)])
    everything = known.assign(part=Part.ALL.value)
    rows = pd.concat([everything, known[known["part"] != Part.ALL]], ignore_index=True)
    return rows.groupby(_TALLY[:3], sort=False, as_index=False)[COUNTS].sum().astype(dict.fromkeys(COUNTS, np.int64))


def _tally_nodes(nodes: pd.DataFrame, kept: pd.Series[int]) -> pd.DataFrame:
    """Count the rows of ``nodes``; see `tally`."""
    basal = nodes["node"].to_numpy() <= kept.loc[nodes["sample"]].to_numpy()
    before = nodes[Bud.PRIMARY] == State.DEAD_BEFORE
    nodes = nodes.assign(**{bud: nodes[bud].replace(State.DEAD_BEFORE, State.DEAD) for bud in BUDS})
    state = nodes[list(BUDS)].assign(sample=nodes["sample"], part=np.where(basal, Part.BASAL, Part.APICAL))
    under_dead = nodes.loc[nodes[Bud.PRIMARY] == State.DEAD, Bud.SECONDARY]
    if under_dead.empty or (under_dead != State.UNREAD).any():
        state[Bud.NO_LIVE_BUD.value] = _no_live_bud(nodes)
    if before.any():
        read = nodes[Bud.PRIMARY] != State.UNREAD
        state[Bud.DEAD_BEFORE.value] = np.select([before, read], [State.DEAD, State.ALIVE], State.UNREAD)
    long = state.melt(["sample", "part"], var_name="tissue", value_name="state")
    one = {"dead": long["state"] == State.DEAD, "unread": long["state"] == State.UNREAD}
    return long.drop(columns="state").assign(**one, read=~one["unread"]).astype(dict.fromkeys(COUNTS, np.int64))


def _no_live_bud(nodes: pd.DataFrame) -> NDArray[np.str_]:
    """Return the state of each node as a whole: dead, alive or unread."""
    alive = (nodes[list(BUDS)] == State.ALIVE).any(axis=1)
    dead = (nodes[Bud.PRIMARY] == State.DEAD) & (nodes[Bud.SECONDARY] == State.DEAD) & ~alive
    return np.select([alive, dead], [State.ALIVE, State.DEAD], State.UNREAD)


def _tally_counts(counts: pd.DataFrame) -> pd.DataFrame:
    """Count the rows of ``counts``; see `tally`."""
    total = counts["nodes"].to_numpy(dtype=np.float64)
    dead = counts[[f"{bud}_dead" for bud in BUDS]].to_numpy(dtype=np.float64).reshape(len(counts), len(BUDS))
    columns = dict(zip(BUDS, dead.T, strict=True))
    given = np.isfinite(dead)
    least = np.maximum(np.nansum(dead, axis=1) - (given.sum(axis=1) - 1) * total, 0.0)
    most = np.nanmin(dead, axis=1) if len(dead) else total
    if ((least == most) & (given[:, 1] | (most == 0))).all():
        columns[Bud.NO_LIVE_BUD] = most
    if "primary_dead_before" in counts and counts["primary_dead_before"].notna().any():
        columns[Bud.DEAD_BEFORE] = counts["primary_dead_before"].to_numpy(np.float64)
    frames = [
        counts[["sample", "part"]].assign(
            tissue=bud.value,
            dead=np.nan_to_num(values),
            read=np.where(np.isfinite(values), total, 0.0),
            unread=np.where(np.isfinite(values), 0.0, total),
        )
        for bud, values in columns.items()
    ]
    return pd.concat(frames, ignore_index=True).astype(dict.fromkeys(COUNTS, np.int64))


def _tally_beside(nodes: pd.DataFrame, counts: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """Count basal buds, a row a cane or a row of counts, where they were noted."""
    for table, keys in ((nodes, ["sample", "cane"]), (counts, [])):
        if not set(NONCOUNT) <= set(table):
            continue
        noted = table[table[list(NONCOUNT)].notna().any(axis=1)]
        each = noted.groupby(keys, sort=False)[list(NONCOUNT)].first().reset_index() if keys else noted
        alive, dead = (each[name].fillna(0) for name in NONCOUNT)
        rows = each[["sample"]].assign(
            part=Part.ALL.value, tissue=Bud.NONCOUNT.value, dead=dead, read=alive + dead, unread=0
        )
        yield rows.astype(dict.fromkeys(COUNTS, np.int64))
