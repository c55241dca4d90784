"""Sixteen blocks worked by hand, from the counts to the action, the nodes and the crop.

The injury that the rule sees is the share cut dead on the nodes that pruning keeps, as if the map agreed with it; its
intervals are left at the figure itself. The rule is the proportional one (Cornell 2014). A node's crop is (1 - injury)
+ injury x secondaries alive x their share of the crop: 0.35 for american (Howell 2019), 0.33 for the French
hybrids, 0.4 for the new ones, 0.1 for vinifera (judgement: `vinemap.rules`).

roots: own, grafted or ? (unknown). second: secondaries dead, of as many as primaries were read; - where none was read.
trunks: vines checked / with dead phloem / with dead xylem / dead through; - where none was checked. Phloem alone stops
no count of nodes (Keller & Mills, Am. J. Enol. Vitic. 58 (2007) 351; before, five of five made the block look again).
keep: nodes a vine, - where there is no number. crop: percent of a normal year before any change of nodes.

Wilson's 90 % intervals used below, by hand from z² = 2.7055: all of n, low n / (n + z²): 4 -> 59.7 %, 2 -> 42.5 %; none
of n, high z² / (n + z²): 6 -> 31.1 %, 1 -> 73.0 %.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from vinemap.decisions.actions import decide
from vinemap.decisions.explain import explain_block
from vinemap.sentences import said
from vinemap.settings import Settings
from vinemap.survival.tables import block_table
from vinemap.survival.tally import kept_nodes, tally
from vinemap.survival.wood import wood_table

TABLE = """
block           group         pruning roots   target samples read unread dead second trunks action            keep crop
none dead       vinifera      cane    grafted 40     4       100  0      0    0      -      as_usual          40   100.0
just under 20 % vinifera      spur    grafted 36     5       100  4      19   5      -      as_usual          36   82.8
three samples   american      cane    own     50     3       60   0      21   6      -      keep_more         68   76.0
unread buds     new_hybrid    spur    own     44     4       80   8      40   -      -      keep_more         66   50.0
the last step   vinifera      cane    grafted 40     5       100  0      80   40     -      keep_more         72   24.8
past the rule   vinifera      cane    grafted 40     5       100  0      81   40     -      prune_long_wait   -    23.9
all dead        american      spur    own     40     4       80   0      80   80     -      check_wood        -    0.0
dead, grafted   vinifera      cane    grafted 40     4       80   0      80   80     4/4/4/4replant_candidate -    0.0
dead, own roots american      spur    own     40     4       80   0      80   80     4/4/4/4retrain           -    0.0
dead, roots ?   french_hybrid cane    ?       40     4       80   0      80   80     4/4/4/4look_again        -    0.0
two trunks seen vinifera      cane    grafted 40     4       80   0      80   80     2/2/2/2look_again        -    0.0
hurt trunks     french_hybrid cane    grafted 40     5       100  0      85   50     5/2/2/0look_again        -    29.0
sound trunks    american      cane    own     40     6       90   0      90   90     6/0/0/0prune_long_wait   -    0.0
one trunk seen  vinifera      spur    grafted 40     6       90   0      90   90     1/0/0/0check_wood        -    0.0
some hurt       vinifera      cane    grafted 40     5       100  0      35   10     5/1/1/0keep_more         54   68.2
phloem brown    vinifera      cane    grafted 40     5       100  0      35   10     5/5/0/0keep_more         54   68.2
"""


def cases() -> list[dict[str, str]]:
    head, *lines = TABLE.strip().splitlines()
    names = head.split()
    starts = [head.index(name) for name in names]
    spans = list(zip(starts, [*starts[1:], None], strict=True))
    return [{name: line[a:b].strip() for name, (a, b) in zip(names, spans, strict=True)} for line in lines]


def nodes(case: dict[str, str]) -> pd.DataFrame:
    """Node rows dealt out over the samples, all on the first five nodes."""
    read, unread, dead = (int(case[name]) for name in ("read", "unread", "dead"))
    second = None if case["second"] == "-" else int(case["second"])
    rows = []
    for k in range(read + unread):
        primary = "unread" if k >= read else "dead" if k < dead else "alive"
        secondary = "unread" if second is None or k >= read else "dead" if k < second else "alive"
        sample, place = k % int(case["samples"]), k // int(case["samples"])
        rows.append((f"{case['block']} {sample}", str(place // 5), place % 5 + 1, primary, secondary, "unread"))
    return pd.DataFrame(rows, columns=["sample", "cane", "node", "primary", "secondary", "tertiary"])


def wood(case: dict[str, str]) -> pd.DataFrame:
    checked, *tissues = (0, 0, 0, 0) if case["trunks"] == "-" else map(int, case["trunks"].split("/"))
    rows = [
        (f"{case['block']} {k}", "trunk", *("dead" if k < dead else "alive" for dead in tissues))
        for k in range(checked)
    ]
    return pd.DataFrame(rows, columns=["sample", "tissue", "phloem", "xylem", "cambium"])


def decided() -> pd.DataFrame:
    settings, table = Settings(), cases()
    blocks = pd.DataFrame(
        {
            "block": [case["block"] for case in table],
            "variety": None,
            "species_group": [case["group"] for case in table],
            "pruning": [case["pruning"] for case in table],
            "own_rooted": [{"own": True, "grafted": False, "?": None}[case["roots"]] for case in table],
            "nodes_per_vine": [float(case["target"]) for case in table],
            **{"area_ha": 1.0, "row_spacing_m": 2.5, "vine_spacing_m": 1.6, "vines": 2500.0},
        }
    )
    cut = pd.concat([nodes(case) for case in table], ignore_index=True)
    samples = pd.DataFrame({"sample": cut["sample"].unique()})
    samples["block"] = samples["sample"].str.rsplit(" ", n=1).str[0]
    empty = pd.DataFrame(columns=["sample", "part", "nodes", "primary_dead", "secondary_dead", "tertiary_dead"])
    tallies = tally(cut, empty, kept_nodes(samples, blocks, settings))
    rows = block_table(blocks, samples, tallies, 0.9)
    checks = wood_table(pd.concat([wood(case) for case in table], ignore_index=True), samples, blocks, 0.9)
    rows = rows.join(checks).assign(own_rooted=blocks["own_rooted"])
    # intervals at the figure itself keep the sums to one line
    rows = rows.assign(**{f"map_{end}_pct": rows["basal_pct"] for end in ("injury", "low", "high")})
    rows = rows.assign(secondary_low_pct=rows["secondary_pct"], secondary_high_pct=rows["secondary_pct"])
    return rows.join(decide(rows, settings)).set_index("block", drop=False)


@pytest.fixture(scope="module")
def found() -> pd.DataFrame:
    return decided()


@pytest.mark.parametrize("case", cases(), ids=lambda case: case["block"])
def test_by_hand(found: pd.DataFrame, case: dict[str, str]) -> None:
    """Action, nodes and crop are those of the table; the counts are those that went in."""
    row = found.loc[case["block"]]
    assert row["action"] == case["action"]
    expected = np.nan if case["keep"] == "-" else float(case["keep"])
    assert row["nodes_to_keep"] == pytest.approx(expected, nan_ok=True)
    assert row["crop_before_pct"] == pytest.approx(float(case["crop"]), abs=0.0501)
    assert (row["nodes"], row["primary_dead"], row["unread"]) == (
        *(int(case[name]) for name in ("read", "dead", "unread")),
    )


def test_the_table_covers_what_it_should() -> None:
    """Own-rooted and grafted, spur and cane, four species groups, with and without wood checks."""
    table = pd.DataFrame(cases())
    assert len(table) >= 12
    assert set(table["group"]) == {"vinifera", "french_hybrid", "new_hybrid", "american"}
    assert set(table["pruning"]) == {"spur", "cane"}
    assert set(table["roots"]) == {"own", "grafted", "?"}


def test_buds_alone_never_go_past_the_wood(found: pd.DataFrame) -> None:
    """Without wood checks the strongest word is to check the wood."""
    unchecked = found[found["trunk_hurt_read"] == 0]
    assert not set(unchecked["action"]) & {"look_again", "retrain", "replant_candidate"}


def test_hurt_trunks_are_told_beside_a_number(found: pd.DataFrame) -> None:
    """One trunk of five hurt: the number stands, with a word of caution; replanting is called a candidate, no more."""
    assert "Keep 54 nodes on each vine" in found.loc["some hurt", "action_text"]
    assert "look again after budbreak" in found.loc["some hurt", "action_text"]
    assert "candidate" in found.loc["dead, grafted", "action_text"]
    assert "find out whether" in found.loc["dead, roots ?", "action_text"]


@pytest.mark.parametrize("case", cases(), ids=lambda case: case["block"])
def test_the_explanation_prints_the_table_s_own_figures(found: pd.DataFrame, case: dict[str, str]) -> None:
    """The chain holds counts, percentage, nodes, crop and the action's sentence with its care, and ends in cautions."""
    row = found.loc[case["block"]]
    chain = explain_block(row, Settings())
    text = "\n".join(chain)
    assert f"Dead: {case['dead']} of {case['read']} = {row['injury_pct']:.1f} %" in text
    assert f"{row['crop_before_pct']:.1f} % of a normal year" in text
    (so,) = (line for line in chain if line.startswith("So: "))
    assert so.startswith(f"So: {row['action_text']}")
    assert (f"= {case['keep']}" in text) == (case["keep"] != "-")
    assert chain[-1] == said("en", "explain.advice")
    assert "nan" not in text.lower()
    if case["trunks"] != "-":
        checked, phloem, hurt, _ = case["trunks"].split("/")
        assert f"dead phloem on {phloem} of {checked} vines" in text
        assert f"dead xylem or cambium on {hurt} of {checked} vines" in text
        assert ("Dead phloem alone decides nothing" in text) == (phloem != "0")
