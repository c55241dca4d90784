"""What grew after budbreak: nodes with and without a shoot, and shoots that froze, by sample."""

from __future__ import annotations

import numpy as np
import pandas as pd

from vinemap.states import Bud, Part, Tissue, WoodState


def growth(shoots: pd.DataFrame, fewest_nodes: float) -> pd.DataFrame:
    """Add up the rows of each sample.

    Parameters
    ----------
    shoots : DataFrame
        Of `vinemap.reading.shoots.read_shoots`.
    fewest_nodes : float
        Nodes of a row, from which on its having no shoot says something of the whole vine.

    Returns
    -------
    DataFrame
        A row a sample, in the order of the table:

        - nodes, shoots, blind: nodes left at pruning, with a shoot, without one.
        - vines: vines counted; NaN unless every row of the sample says so.
        - frost_shoots, primary_frozen: nodes with a shoot on the rows where frost was looked for, and those whose
          first shoot froze; 0 where it was not.
        - secondary_read, secondary_frozen: nodes whose first shoot froze on the rows where the second was looked at,
          and those whose second froze too.
        - living: rows on which a node grew a shoot.
        - no_shoot, with_suckers, nothing: rows of so many nodes on which none grew a shoot, and of these those with and
          those without suckers, where that was looked at.
        - stage: the stages noted, each once, in their order.
    """
    frost, second = shoots["primary_frozen"].notna(), shoots["secondary_frozen"].notna()
    bare = (shoots["nodes"] >= fewest_nodes) & (shoots["shoots"] == 0)
    rows = pd.DataFrame(
        {
            "sample": shoots["sample"],
            "nodes": shoots["nodes"],
            "shoots": shoots["shoots"],
            "blind": shoots["nodes"] - shoots["shoots"],
            "frost_shoots": shoots["shoots"].where(frost, 0),
            "primary_frozen": shoots["primary_frozen"].fillna(0),
            "secondary_read": shoots["primary_frozen"].where(second, 0),
            "secondary_frozen": shoots["secondary_frozen"].fillna(0),
            "living": shoots["shoots"] > 0,
            "no_shoot": bare,
            "with_suckers": bare & (shoots["suckers"] > 0),
            "nothing": bare & (shoots["suckers"] == 0),
        }
    )
    by_sample = rows.groupby("sample", sort=False)
    table = by_sample.sum().astype(np.int64).reset_index()
    grouped = shoots.groupby("sample", sort=False)
    vines = grouped["vines"].agg(lambda counted: counted.sum(skipna=False))
    stages = grouped["stage"].agg(lambda noted: ", ".join(dict.fromkeys(noted.dropna())))
    return table.assign(vines=vines.to_numpy(np.float64), stage=stages.to_numpy())


def growth_tallies(grown: pd.DataFrame) -> pd.DataFrame:
    """Return what grew in the form of `vinemap.survival.tally.tally`.

    Parameters
    ----------
    grown : DataFrame
        Of `growth`.

    Returns
    -------
    DataFrame
        Rows of tissue 'no_live_bud', in which a blind node is dead; and of 'frozen' where frost was looked for, in
        which a node is dead whose first shoot froze, of the nodes with a shoot.
    """
    counts = {Bud.NO_LIVE_BUD: ("blind", "nodes"), Bud.FROZEN: ("primary_frozen", "frost_shoots")}
    frames = [
        pd.DataFrame(
            {
                "sample": grown["sample"],
                "part": Part.ALL.value,
                "tissue": tissue.value,
                "dead": grown[dead],
                "read": grown[read],
                "unread": 0,
            }
        )[grown[read] > 0]
        for tissue, (dead, read) in counts.items()
    ]
    return pd.concat(frames, ignore_index=True)


def trunks_grown(tallies: pd.DataFrame, grown: pd.DataFrame) -> pd.DataFrame:
    """Put what grew in the place of what a slice said of dead trunks.

    Parameters
    ----------
    tallies : DataFrame
        Of `vinemap.survival.wood.tally_wood`.
    grown : DataFrame
        Of `growth`.

    Returns
    -------
    DataFrame
        ``tallies``; in the rows of 'trunk_dead' a vine with a shoot has no dead trunk. A vine on which no node grew a
        shoot, of which it is known whether it has suckers, has one, unless a slice showed living wood. One that nobody
        looked at for suckers says nothing.
    """
    name = f"{Tissue.TRUNK}_{WoodState.DEAD}"
    sliced = tallies[(tallies["tissue"] == name) & (tallies["read"] > 0)].set_index("sample")
    sound = grown["sample"].isin(sliced.index[sliced["dead"] == 0])
    dead = (grown["with_suckers"] + grown["nothing"]).where(~sound, 0)
    living = grown["living"].where(~sound, grown["living"].clip(lower=1))
    rows = pd.DataFrame(
        {
            "sample": grown["sample"],
            "part": Part.ALL.value,
            "tissue": name,
            "dead": dead,
            "read": dead + living,
            "unread": 0,
        }
    )
    rows = rows[rows["read"] > 0]
    kept = tallies[~((tallies["tissue"] == name) & tallies["sample"].isin(rows["sample"]))]
    return pd.concat([kept, rows], ignore_index=True)


def block_growth(grown: pd.DataFrame, samples: pd.DataFrame, blocks: pd.DataFrame) -> pd.DataFrame:
    """Return the columns of blocks.csv that come from the count after budbreak.

    Parameters
    ----------
    grown : DataFrame
        Of `growth`.
    samples, blocks : DataFrame
        sample and block; block.

    Returns
    -------
    DataFrame, index of ``blocks``
        counted_samples, no_shoot_vines, sucker_vines; nodes_left a vine, over the samples whose vines were counted, and
        both_frozen_pct, over the nodes looked at again; NaN where there are none.
    """
    home = dict(zip(samples["sample"], samples["block"], strict=True))
    known = grown["vines"].notna()
    table = grown.assign(
        block=grown["sample"].map(home), counted=1, left=grown["nodes"].where(known, 0), vines=grown["vines"].fillna(0)
    )
    names = ["counted", "no_shoot", "with_suckers", "left", "vines", "secondary_read", "secondary_frozen"]
    sums = table.groupby("block")[names].sum().reindex(blocks["block"], fill_value=0).set_axis(blocks.index)
    return pd.DataFrame(
        {
            "counted_samples": sums["counted"],
            "no_shoot_vines": sums["no_shoot"],
            "sucker_vines": sums["with_suckers"],
            "nodes_left": sums["left"] / sums["vines"].where(sums["vines"] > 0),
            "both_frozen_pct": 100
            * sums["secondary_frozen"]
            / sums["secondary_read"].where(sums["secondary_read"] > 0),
        }
    )
