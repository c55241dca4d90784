"""What was cut: tallies, score intervals and the design effect of vines as clusters."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from scipy.stats import betabinom, binomtest, ttest_ind
from scipy.stats import t as student
from shapely.geometry import Point, box
from statsmodels.formula.api import ols
from statsmodels.stats.proportion import proportion_confint

from vinemap.settings import Settings
from vinemap.settings import Survival as SurvivalSettings
from vinemap.survival.intervals import (
    LEAST_FREEDOM,
    IntraclassCorrelation,
    cluster_interval,
    design_effect,
    intraclass_correlation,
    wilson,
)
from vinemap.survival.tables import block_table, sample_table
from vinemap.survival.tally import kept_nodes, tally

# Pups alive at 21 days of pups alive at 4 days, by litter: C. S. Weil, Food Cosmet. Toxicol. 8 (1970) 177, the data of
# Rao & Scott 1992, table 1; as SAS/STAT's example of the NLMIXED procedure prints them.
WEIL_CONTROL = (
    (13, 12, 9, 9, 8, 8, 12, 11, 9, 9, 8, 11, 4, 5, 7, 7),
    (13, 12, 9, 9, 8, 8, 13, 12, 10, 10, 9, 13, 5, 7, 10, 10),
)
WEIL_TREATED = (
    (12, 11, 10, 9, 10, 9, 9, 8, 8, 4, 7, 4, 5, 3, 3, 0),
    (12, 11, 10, 9, 11, 10, 10, 9, 9, 5, 9, 7, 10, 6, 10, 7),
)

NO_COUNTS = pd.DataFrame(columns=["sample", "part", "nodes", "primary_dead", "secondary_dead", "tertiary_dead"])
NO_NODES = pd.DataFrame(columns=["sample", "cane", "node", "primary", "secondary", "tertiary"])
LETTERS = {"A": "alive", "D": "dead", "B": "dead_before", "-": "unread"}


def nodes_of(canes: dict[str, str]) -> pd.DataFrame:
    """Node rows from 'PST PST …' by sample, three letters a node from the base: A alive, D dead, B before, - unread."""
    rows = [
        [sample, "1", number, *(LETTERS[letter] for letter in node)]
        for sample, cane in canes.items()
        for number, node in enumerate(cane.split(), start=1)
    ]
    return pd.DataFrame(rows, columns=NO_NODES.columns)


def counts_of(*rows: tuple[str, str, int, int, float, float]) -> pd.DataFrame:
    """Count rows: sample, part, nodes, primary, secondary and tertiary dead."""
    return pd.DataFrame(rows, columns=NO_COUNTS.columns)


def figures(tallies: pd.DataFrame, sample: str) -> dict[tuple[str, str], tuple[int, int, int]]:
    """(part, tissue) to (dead, read, unread) of one sample."""
    here = tallies[tallies["sample"] == sample]
    return {(row.part, row.tissue): (row.dead, row.read, row.unread) for row in here.itertuples()}


def vineyard(sizes: dict[str, int]) -> tuple[gpd.GeoDataFrame, gpd.GeoDataFrame]:
    """Blocks of one hectare side by side, each with so many samples named like A1, A2."""
    blocks = gpd.GeoDataFrame(
        {
            "block": list(sizes),
            "variety": "Riesling",
            "species_group": "vinifera",
            "pruning": "spur",
            "row_spacing_m": 2.5,
            "vine_spacing_m": 1.6,
            "vines": np.nan,
            "nodes_per_vine": 40.0,
            "area_ha": 1.0,
        },
        geometry=[box(100 * i, 0, 100 * i + 100, 100) for i in range(len(sizes))],
        crs="EPSG:32618",
    )
    rows = [(f"{name}{i + 1}", name, k, i) for k, (name, count) in enumerate(sizes.items()) for i in range(count)]
    samples = gpd.GeoDataFrame(
        {
            "sample": [row[0] for row in rows],
            "block": [row[1] for row in rows],
            "stated_block": None,
            "distance_m": 0.0,
            "date": pd.NaT,
        },
        geometry=[Point(500_000 + 100 * row[2] + 50, 4_800_000 + 5 * row[3]) for row in rows],
        crs="EPSG:32618",
    )
    return blocks, samples


def alone(name: str = "A1") -> pd.Series:
    return pd.Series({name: 2})


# --- tally ---------------------------------------------------------------------------------------------------------


def test_a_bud_dead_before_the_freeze_is_dead_and_counted_apart():
    """Two of the four primaries read were dead, one of them before the freeze; its node has no live bud either."""
    result = figures(tally(nodes_of({"A1": "BBB DAA AA- AA- -A-"}), NO_COUNTS, alone()), "A1")
    assert result["all", "primary"] == (2, 4, 1)
    assert result["all", "dead_before"] == (1, 4, 1)
    assert result["basal", "dead_before"] == (1, 2, 0)
    assert result["all", "no_live_bud"] == (1, 5, 0)
    assert ("all", "dead_before") not in figures(tally(nodes_of({"A1": "DAA"}), NO_COUNTS, alone()), "A1")
    counts = counts_of(("A1", "all", 20, 5, np.nan, np.nan), ("A2", "all", 30, 6, np.nan, np.nan))
    told = tally(NO_NODES, counts.assign(primary_dead_before=[2, np.nan]), alone())
    assert figures(told, "A1")["all", "dead_before"] == (2, 20, 0)
    assert figures(told, "A2")["all", "dead_before"] == (0, 0, 30)


def test_tally_counts_by_part_and_keeps_unread_beside():
    """Nodes that pruning keeps are basal, the rest apical, 'all' is their sum, and unread buds are in no total."""
    result = figures(tally(nodes_of({"A1": "DAA DDA AA- -A- DDD"}), NO_COUNTS, alone()), "A1")
    assert result["basal", "primary"] == (2, 2, 0)
    assert result["apical", "primary"] == (1, 2, 1)
    assert result["all", "primary"] == (3, 4, 1)
    assert result["all", "secondary"] == (2, 5, 0)
    assert result["all", "tertiary"] == (1, 3, 2)


@pytest.mark.parametrize(
    ("node", "expected"),
    [
        ("DDD", (1, 1, 0)),
        ("DD-", (1, 1, 0)),
        ("DDA", (0, 1, 0)),
        ("ADD", (0, 1, 0)),
        ("A--", (0, 1, 0)),
        ("-A-", (0, 1, 0)),
        ("D-D", (0, 0, 1)),
        ("-DD", (0, 0, 1)),
        ("---", (0, 0, 1)),
    ],
)
def test_a_node_has_no_live_bud_when_primary_and_secondary_are_dead(node, expected):
    """Dead only with primary and secondary read dead and no bud alive; alive with any bud alive; else unread."""
    result = figures(tally(nodes_of({"A1": node, "B1": "DAA"}), NO_COUNTS, pd.Series({"A1": 5, "B1": 5})), "A1")
    assert result["all", "no_live_bud"] == expected


def test_no_live_bud_is_not_invented_where_secondaries_were_never_read():
    """Where primaries died and no secondary under one was read, the figure is absent, not zero."""
    result = tally(nodes_of({"A1": "A-- D-- D--"}), NO_COUNTS, alone())
    assert set(result["tissue"]) == {"primary", "secondary", "tertiary"}


def test_no_live_bud_works_where_secondaries_are_read_only_under_dead_primaries():
    """A live primary settles its node, so that the saving in cuts costs nothing."""
    result = figures(tally(nodes_of({"A1": "A-- DA- DD- A--"}), NO_COUNTS, alone()), "A1")
    assert result["all", "no_live_bud"] == (1, 4, 0)


def test_counts_without_a_part_are_known_for_the_whole_cane_only():
    """A row of counts with no part says nothing of basal or apical; rows with a part keep it and add up."""
    counts = counts_of(("A1", "all", 40, 10, 4, np.nan), ("B1", "basal", 20, 5, 2, 1), ("B1", "apical", 30, 9, 3, 2))
    result = tally(NO_NODES, counts, pd.Series(dtype=int))
    first, second = figures(result, "A1"), figures(result, "B1")
    assert {part for part, _ in first} == {"all"}
    assert first["all", "primary"] == (10, 40, 0)
    assert first["all", "tertiary"] == (0, 0, 40)
    assert second["basal", "primary"] == (5, 20, 0)
    assert second["all", "primary"] == (14, 50, 0)
    assert second["all", "tertiary"] == (3, 50, 0)


@pytest.mark.parametrize(
    ("row", "expected"),
    [
        ((20, 20, 7, np.nan), 7),  # every primary dead: the dead secondaries are the dead nodes
        ((20, 0, np.nan, np.nan), 0),  # a live primary everywhere
        ((20, 9, 0, np.nan), 0),
        ((20, 20, 20, 6), 6),
        ((20, 9, 5, np.nan), None),  # 5 dead secondaries may or may not sit under the 9 dead primaries
        ((20, 20, np.nan, np.nan), None),  # secondaries not read
        ((20, 20, np.nan, 20), None),
    ],
)
def test_counts_give_no_live_bud_only_where_the_numbers_leave_no_choice(row, expected):
    """The figure is derived where the limits on an overlap meet, and absent where they do not."""
    result = figures(tally(NO_NODES, counts_of(("A1", "all", *row)), pd.Series(dtype=int)), "A1")
    assert result.get(("all", "no_live_bud")) == (None if expected is None else (expected, row[0], 0))


def test_counts_give_no_live_bud_for_every_row_or_none():
    """Rows that happen to be exact are not singled out: they would be the least injured ones."""
    counts = counts_of(("A1", "all", 20, 0, 0, np.nan), ("B1", "all", 20, 12, 8, np.nan))
    assert "no_live_bud" not in set(tally(NO_NODES, counts, pd.Series(dtype=int))["tissue"])


def test_tally_of_nothing_is_empty():
    """No node rows and no counts give an empty table with its columns."""
    result = tally(NO_NODES, NO_COUNTS, pd.Series(dtype=int))
    assert list(result.columns) == ["sample", "part", "tissue", "dead", "read", "unread"]
    assert result.empty


def test_tally_refuses_a_sample_of_unknown_pruning():
    """A sample whose pruning is not known is an error, not a guess."""
    with pytest.raises(KeyError):
        tally(nodes_of({"Z9": "DDD"}), NO_COUNTS, alone())


def test_kept_nodes_follow_the_block_and_the_settings():
    """Spur and cane blocks take their settings; a sample outside every block takes the default pruning."""
    blocks = pd.DataFrame({"block": ["S", "C"], "pruning": ["spur", "cane"]})
    samples = pd.DataFrame({"sample": ["s1", "c1", "out"], "block": ["S", "C", None]})
    chosen = Settings(default_pruning="spur", survival=SurvivalSettings(spur_nodes_kept=4, cane_nodes_kept=11))
    assert kept_nodes(samples, blocks, chosen).to_dict() == {"s1": 4, "c1": 11, "out": 4}


# --- Wilson --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("dead", "read", "low", "high"),
    [(81, 263, 0.2553, 0.3662), (15, 148, 0.0624, 0.1605), (0, 20, 0.0, 0.1611), (1, 29, 0.0061, 0.1718)],
)
def test_wilson_gives_newcombes_table(dead, read, low, high):
    """Method 3 of R. G. Newcombe, Stat. Med. 17 (1998) 857, table I, to its four decimals."""
    assert np.round(wilson(dead, read, 0.95), 4) == pytest.approx([low, high], abs=1e-9)


def test_wilson_equals_statsmodels_and_scipy():
    """statsmodels' proportion_confint and scipy's binomtest give the same intervals on random counts."""
    rng = np.random.default_rng(3)
    read = rng.integers(1, 400, 60)
    dead = rng.binomial(read, rng.random(60))
    low, high = wilson(dead, read, 0.9)
    assert np.column_stack([low, high]) == pytest.approx(
        np.column_stack(proportion_confint(dead, read, alpha=0.1, method="wilson")), abs=1e-12
    )
    for i in range(0, 60, 6):
        theirs = binomtest(int(dead[i]), int(read[i])).proportion_ci(0.9, method="wilson")
        assert (low[i], high[i]) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


def test_wilson_of_nothing_read_is_nan():
    """Nothing read, nothing known."""
    assert np.isnan(wilson([0, 0], [0, 0], 0.9)).all()


@given(read=st.integers(1, 5000), dead=st.integers(0, 5000), confidence=st.floats(0.51, 0.999))
def test_wilson_holds_the_share_and_rises_with_the_dead(read, dead, confidence):
    """Intervals hold the share, stay within 0 and 1, mirror with alive for dead, and rise with one more dead bud."""
    dead = min(dead, read)
    low, high = wilson([dead, read - dead, min(dead + 1, read)], [read] * 3, confidence)
    assert 0 <= low[0] <= dead / read <= high[0] <= 1
    assert [1 - high[1], 1 - low[1]] == pytest.approx([low[0], high[0]], abs=1e-12)
    if dead < read:
        assert low[2] > low[0]
        assert high[2] >= high[0]


# --- the variation between vines -----------------------------------------------------------------------------------


def test_rao_scott_worked_example():
    """Design effects 1.232495 (control) and 3.952861 (treated) of the rat litters, within 8 %.

    Source of the two figures: documentation of the R package PF 9.6 (function rsb), on the data of J. N. K. Rao & A. J.
    Scott, Biometrics 48 (1992) 577, table 1 (read). Theirs is a ratio-estimator variance a group over the binomial one,
    recomputed first to show that the litters typed above are the same; ours is an intraclass correlation, so that it
    can be pooled over blocks.
    """
    for (alive, litter), published in ((WEIL_CONTROL, 1.232495), (WEIL_TREATED, 3.952861)):
        y, n = np.array(alive, float), np.array(litter, float)
        share, m = y.sum() / n.sum(), len(n)
        theirs = m / (m - 1) * ((y - n * share) ** 2).sum() / n.sum() / (share * (1 - share))
        assert theirs == pytest.approx(published, abs=1e-6)
        ours = design_effect(n, intraclass_correlation(y, n, np.zeros(m)).rho)
        assert ours == pytest.approx(published, rel=0.08)


def test_intraclass_correlation_equals_statsmodels_nested_anova():
    """The pooled estimate follows from statsmodels' mean squares of samples within blocks, bud by bud.

    Estimator: M. S. Ridout, C. G. B. Demétrio & D. Firth, Biometrics 55 (1999) 137.
    """
    rng = np.random.default_rng(8)
    block = np.repeat(np.arange(4), [3, 6, 5, 8])
    read = rng.integers(8, 35, block.size)
    dead = rng.binomial(read, rng.beta(2, 3, block.size))
    buds = pd.DataFrame({
        "dead": np.concatenate([np.r_[np.ones(d), np.zeros(n - d)] for d, n in zip(dead, read, strict=True)]),
        "block": np.repeat(block, read),
        "vine": np.repeat(np.arange(block.size), read),
    })  # fmt: skip
    table = sm.stats.anova_lm(ols("dead ~ C(block)", buds).fit(), ols("dead ~ C(vine)", buds).fit())
    within = table["ssr"][1] / table["df_resid"][1]
    between = table["ss_diff"][1] / table["df_diff"][1]
    totals = pd.Series(read).groupby(block).agg(["sum", lambda n: (n**2).sum()])
    size = (totals["sum"] - totals.iloc[:, 1] / totals["sum"]).sum() / table["df_diff"][1]
    correlation = intraclass_correlation(dead, read, block)
    assert correlation.freedom == table["df_diff"][1] == 18
    assert correlation.rho == pytest.approx((between - within) / (between + (size - 1) * within), rel=1e-9)


def test_intraclass_correlation_agrees_with_a_beta_binomial_fit():
    """On many beta-binomial vines the estimate is the truth, and scipy's betabinom at its maximum likelihood."""
    rng = np.random.default_rng(21)
    read = rng.integers(15, 35, 600)
    dead = betabinom.rvs(read, 0.4 * 4, 0.6 * 4, random_state=rng)  # rho = 1 / (1 + 4)

    def unlikely(at: np.ndarray) -> float:
        share, rho = 1 / (1 + np.exp(-at))
        size = 1 / rho - 1
        return -float(betabinom.logpmf(dead, read, share * size, (1 - share) * size).sum())

    likeliest = 1 / (1 + np.exp(-minimize(unlikely, [0.0, -1.0], method="Nelder-Mead").x[1]))
    correlation = intraclass_correlation(dead, read, np.zeros(600))
    assert correlation.rho == pytest.approx(0.2, abs=0.03)
    assert correlation.rho == pytest.approx(likeliest, abs=0.02)


def test_design_effect_agrees_with_statsmodels_exchangeable_gee():
    """For vines of equal size, Kish's 1 + (m - 1) rho is the variance ratio of exchangeable estimating equations."""
    rng = np.random.default_rng(5)
    dead = betabinom.rvs(20, 2, 4, size=40, random_state=rng)
    y = np.concatenate([np.r_[np.ones(d), np.zeros(20 - d)] for d in dead])
    vine = np.repeat(np.arange(40), 20)
    fit = sm.GEE(y, np.ones_like(y), vine, family=sm.families.Binomial(), cov_struct=sm.cov_struct.Exchangeable()).fit(
        cov_type="naive"
    )
    share = y.mean()
    independent = 1 / (y.size * share * (1 - share))
    effect = design_effect(np.full(40, 20), intraclass_correlation(dead, np.full(40, 20), np.zeros(40)).rho)
    assert effect == pytest.approx(float(fit.cov_params()[0, 0]) / independent, rel=0.05)


def test_differences_between_blocks_make_no_correlation():
    """Vines alike within a tender and a hardy block are not alike, however far the two blocks lie apart."""
    correlation = intraclass_correlation([2, 2, 2, 2, 18, 18, 18, 18], [20] * 8, list("AAAABBBB"))
    assert correlation == IntraclassCorrelation(0.0, 6)


def test_blocks_all_dead_or_all_alive_say_nothing_of_correlation():
    """Such blocks add no degrees of freedom; a vineyard of them alone shows no variation between vines."""
    mixed = intraclass_correlation([3, 9, 12, 1, 6], [20] * 5, list("AAAAA"))
    more = intraclass_correlation([3, 9, 12, 1, 6, 0, 0, 0, 20, 20], [20] * 10, list("AAAAABBBCC"))
    assert more == mixed
    assert not intraclass_correlation([0, 0, 0, 20, 20, 20], [20] * 6, list("AAABBB")).known
    assert not intraclass_correlation([0, 1, 1, 0, 1, 0], [1] * 6, list("AAAAAA")).known


def test_vines_wholly_dead_beside_vines_wholly_alive_are_one_trial_each():
    """With rho 1 a block of 10 vines counts as 10 trials, however many buds each had."""
    correlation = intraclass_correlation([20] * 5 + [0] * 5, [20] * 10, ["A"] * 10)
    assert correlation == IntraclassCorrelation(1.0, 9)
    assert design_effect([20] * 10, correlation.rho) == pytest.approx(20)


# --- the interval of a block ---------------------------------------------------------------------------------------


@given(
    counts=st.lists(st.integers(1, 40).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n))), min_size=1),
    freedom=st.integers(LEAST_FREEDOM, 80),
    rho=st.floats(0, 1),
)
def test_block_interval_holds_the_share_and_widens_from_wilson(counts, freedom, rho):
    """Wilson's interval at rho 0; intervals hold the share and stay within 0 and 1; more rho never narrows it."""
    dead, read = np.array(counts).T
    plain = wilson(dead.sum(), read.sum(), 0.9)
    assert cluster_interval(dead, read, IntraclassCorrelation(0.0, freedom), 0.9) == pytest.approx(
        (float(plain[0]), float(plain[1])), abs=1e-12
    )
    low, high = cluster_interval(dead, read, IntraclassCorrelation(rho, freedom), 0.9)
    assert 0 <= low <= dead.sum() / read.sum() <= high <= 1
    assert high - low >= plain[1] - plain[0] - 1e-12
    wider = cluster_interval(dead, read, IntraclassCorrelation(min(1.0, rho + 0.1), freedom), 0.9)
    assert wider[1] - wider[0] >= high - low - 1e-12


def coverage(rho: float, sizes: list[int], shares: list[float], repeats: int) -> tuple[float, float]:
    """How often the 90 % block interval, and Wilson's on the same buds, hold the truth on beta-binomial vines."""
    rng = np.random.default_rng(17)
    block = np.repeat(np.arange(len(sizes)), sizes)
    share = np.array(shares)[block]
    ours = plain = total = 0
    for _ in range(repeats):
        read = rng.integers(18, 32, block.size)
        vine = rng.beta(share * (1 / rho - 1), (1 - share) * (1 / rho - 1)) if rho else share
        dead = rng.binomial(read, vine)
        correlation = intraclass_correlation(dead, read, block)
        for k, truth in enumerate(shares):
            here = block == k
            low, high = cluster_interval(dead[here], read[here], correlation, 0.9)
            ours += low <= truth <= high
            low, high = wilson(dead[here].sum(), read[here].sum(), 0.9)
            plain += low <= truth <= high
            total += 1
    return ours / total, plain / total


def test_block_interval_covers_what_it_says_and_wilson_does_not():
    """Of 90 % intervals, 87 to 95 % hold the truth, clusters or none; Wilson's alone fails once vines differ."""
    sizes, shares = [8] * 6, [0.06, 0.15, 0.3, 0.5, 0.7, 0.9]
    chance, _ = coverage(0.0, sizes, shares, 60)
    clustered, plain = coverage(0.15, sizes, shares, 100)
    assert 0.87 <= chance <= 0.95
    assert 0.87 <= clustered <= 0.95
    assert plain < 0.65


def test_block_interval_stays_useful_with_few_vines():
    """Three blocks of three vines, six degrees of freedom: at least 82 % of 90 % intervals hold the truth."""
    covered, plain = coverage(0.1, [3] * 3, [0.2, 0.5, 0.8], 150)
    assert covered >= 0.82
    assert plain < 0.72


# --- the tables ----------------------------------------------------------------------------------------------------


def test_sample_table_has_its_place_and_wilson_bounds():
    """Each sample keeps its row and place, with percentages, Wilson's intervals and the unread beside."""
    _, samples = vineyard({"A": 2})
    nodes = nodes_of({"A1": "DAA DDA AA- -A- DDD", "A2": "AAA AAA"})
    table = sample_table(samples, tally(nodes, NO_COUNTS, pd.Series({"A1": 2, "A2": 2})), 0.9)
    assert table["sample"].tolist() == ["A1", "A2"]
    assert table.loc[0, ["lon", "lat"]].tolist() == pytest.approx([-74.9994, 43.353], abs=1e-3)
    assert table.loc[0, ["nodes", "unread", "primary_dead", "injury_pct"]].tolist() == [4, 1, 3, 75.0]
    assert table.loc[0, ["injury_low_pct", "injury_high_pct"]].tolist() == pytest.approx(
        [100 * float(end) for end in wilson(3, 4, 0.9)]
    )
    assert table.loc[0, ["basal_nodes", "basal_dead", "apical_nodes", "apical_dead"]].tolist() == [2, 2, 2, 1]
    assert table.loc[0, ["tertiary_nodes", "tertiary_unread", "tertiary_dead"]].tolist() == [3, 2, 1]
    assert table.loc[1, ["injury_pct", "injury_low_pct", "no_live_bud_pct"]].tolist() == [0, 0, 0]
    assert pd.isna(table.loc[1, "apical_nodes"])
    assert np.isnan(table.loc[1, "apical_pct"])


def test_sample_table_leaves_blank_what_the_file_did_not_hold():
    """A sample without bud rows has no nodes and no percentage; counts without a part have no basal figure."""
    _, samples = vineyard({"A": 2})
    samples.index = [7, 3]
    counts = counts_of(("A1", "all", 40, 10, 4, np.nan))
    table = sample_table(samples, tally(NO_NODES, counts, pd.Series(dtype=int)), 0.9)
    assert table.loc[7, ["nodes", "injury_pct", "secondary_pct"]].tolist() == [40, 25.0, 10.0]
    assert table.loc[7, ["tertiary_nodes", "tertiary_unread"]].tolist() == [0, 40]
    assert table.loc[7, ["basal_nodes", "no_live_bud_nodes"]].isna().all()
    assert np.isnan(table.loc[7, "tertiary_pct"])
    assert table.loc[3, ["nodes", "unread", "primary_dead"]].tolist() == [0, 0, 0]
    assert np.isnan(table.loc[3, "injury_low_pct"])


@pytest.mark.parametrize("known", [True, False])
def test_one_sample_is_too_few_and_two_are_not(known):
    """Two samples carry a block's interval, whether the vineyard shows its spread or not; one carries none."""
    blocks, samples = vineyard({"A": 2, "B": 1, "C": 4} if known else {"A": 2, "B": 1, "C": 2})
    dead = dict(zip(samples["sample"], (3, 14, 6, 2, 9, 17, 5), strict=False))
    counts = counts_of(*((name, "all", 20, count, np.nan, np.nan) for name, count in dead.items()))
    table = block_table(blocks, samples, tally(NO_NODES, counts, pd.Series(dtype=int)), 0.9)
    enough = "clusters" if known else "as one sample of nodes"
    assert table["interval"].tolist() == [enough, "too few samples", enough]


@pytest.mark.parametrize("rho", [0.05, 0.3, 1.0])
def test_degrees_of_freedom_are_satterthwaites(rho):
    """The interval's t quantile has the degrees of freedom that Welch's test gives to variances in that proportion.

    The clusters' part of the variance, effect - 1, is estimated on the correlation's degrees of freedom; the binomial
    part, 1, on (nearly) infinitely many. Reference: scipy.stats.ttest_ind, unequal variances.
    """
    dead, read, freedom = [3, 14, 6, 9], [20] * 4, 6
    low, high = cluster_interval(dead, read, IntraclassCorrelation(rho, freedom), 0.9)
    share, effect = 32 / 80, 1 + 19 * rho
    quantiles = [abs(end - share) / np.sqrt(end * (1 - end) * effect / 80) for end in (low, high)]

    def numbers(count, variance_of_mean):
        line = np.linspace(-1, 1, count)
        return line * np.sqrt(variance_of_mean * count / line.var(ddof=1))

    welch = ttest_ind(numbers(freedom + 1, effect - 1), numbers(10**6, 1.0), equal_var=False).df
    assert quantiles == pytest.approx([student.ppf(0.95, welch)] * 2, rel=1e-4)


def test_block_table_sums_its_samples_and_names_its_interval():
    """Counts add up over a block's own samples, with the clusters' interval where the vineyard shows them."""
    blocks, samples = vineyard({"A": 4, "B": 3, "C": 1, "D": 0})
    samples.loc[0, "block"] = None
    dead = {"A1": 20, "A2": 4, "A3": 10, "A4": 16, "B1": 1, "B2": 0, "B3": 9, "C1": 5}
    counts = counts_of(*((name, "basal", 20, count, np.nan, np.nan) for name, count in dead.items()))
    table = block_table(blocks, samples, tally(NO_NODES, counts, pd.Series(dtype=int)), 0.9).set_index("block")
    assert table["samples"].tolist() == [3, 3, 1, 0]
    assert table["interval"].tolist() == ["clusters", "clusters", "too few samples", "too few samples"]
    assert table["primary_dead"].tolist() == [30, 10, 5, 0]
    assert table["basal_dead"].tolist()[:3] == [30, 10, 5]
    correlation = intraclass_correlation([4, 10, 16, 1, 0, 9], [20] * 6, list("AAABBB"))
    expected = cluster_interval([4, 10, 16], [20] * 3, correlation, 0.9)
    assert table.loc["A", ["injury_low_pct", "injury_high_pct"]].tolist() == pytest.approx([100 * b for b in expected])
    assert table.loc["A", "injury_high_pct"] > 100 * float(wilson(30, 60, 0.9)[1])
    assert table.loc["C", "injury_high_pct"] > 100 * float(wilson(5, 20, 0.9)[1])
    assert table.loc["D", ["injury_pct", "injury_low_pct", "basal_pct"]].isna().all()


def test_a_part_that_is_all_of_a_block_has_the_bounds_of_the_whole():
    """Block A was cut at basal nodes only: its basal figure is the block's, whatever B's apical nodes say."""
    blocks, samples = vineyard({"A": 4, "B": 4})
    rows = [(f"A{k}", "basal", 20, dead, np.nan, np.nan) for k, dead in enumerate((4, 10, 16, 12), 1)]
    rows += [(f"B{k}", "basal", 20, dead, np.nan, np.nan) for k, dead in enumerate((1, 0, 9, 3), 1)]
    rows += [(f"B{k}", "apical", 20, dead, np.nan, np.nan) for k, dead in enumerate((2, 19, 9, 20), 1)]
    table = block_table(blocks, samples, tally(NO_NODES, counts_of(*rows), pd.Series(dtype=int)), 0.9)
    injury, basal = (table[[f"{name}_low_pct", f"{name}_high_pct"]].to_numpy() for name in ("injury", "basal"))
    assert basal[0].tolist() == injury[0].tolist()
    assert (basal[1] != injury[1]).all()


def test_block_table_says_when_clusters_are_too_few():
    """Below four degrees of freedom intervals are Wilson's and say so; one vine alone has none."""
    blocks, samples = vineyard({"A": 3, "B": 1})
    counts = counts_of(*((name, "all", 20, 6, np.nan, np.nan) for name in samples["sample"]))
    table = block_table(blocks, samples, tally(NO_NODES, counts, pd.Series(dtype=int)), 0.9).set_index("block")
    assert table["interval"].tolist() == ["as one sample of nodes", "too few samples"]
    assert table.loc["A", ["injury_low_pct", "injury_high_pct"]].tolist() == pytest.approx(
        [100 * float(end) for end in wilson(18, 60, 0.9)]
    )
    assert table.loc["B", "injury_pct"] == 30
    assert np.isnan(table.loc["B", "injury_low_pct"])


def test_block_table_counts_vines_as_given_or_by_spacing():
    """The given number stands; else area over spacing; else nothing, and a column says which."""
    blocks, samples = vineyard({"A": 0, "B": 0, "C": 0})
    blocks["vines"] = [2100, np.nan, np.nan]
    blocks["row_spacing_m"] = [2.5, 2.5, np.nan]
    table = block_table(blocks, samples, tally(NO_NODES, NO_COUNTS, pd.Series(dtype=int)), 0.9)
    assert table["vines_from"].tolist() == ["given", "spacing", ""]
    assert table["vines"].tolist()[:2] == [2100, 2500]  # 10 000 m² / (2.5 m × 1.6 m)
    assert pd.isna(table["vines"][2])


def test_missing_vines_are_counted_out():
    """Of 2,100 vines 140 gaps leave 1,960, of 2,500 by spacing 90 young ones 2,410; unknown vines stay unknown."""
    blocks, samples = vineyard({"A": 0, "B": 0, "C": 0})
    blocks["vines"], blocks["row_spacing_m"] = [2100, np.nan, np.nan], [2.5, 2.5, np.nan]
    blocks["missing_vines"] = [140, 90, 10]
    table = block_table(blocks, samples, tally(NO_NODES, NO_COUNTS, pd.Series(dtype=int)), 0.9)
    assert table["vines"].tolist()[:2] == [1960, 2410]
    assert pd.isna(table["vines"][2])


STATES = st.sampled_from(["alive", "dead", "unread"])
CUTS = st.lists(
    st.tuples(st.sampled_from(["A1", "A2", "A3", "B1", "B2", "B3"]), st.integers(1, 12), STATES, STATES, STATES),
    min_size=1,
    max_size=60,
)


@settings(max_examples=5)
@given(cuts=CUTS, extra=st.integers(1, 12))
def test_unread_nodes_change_no_figure_and_bounds_hold_it(cuts, extra):
    """Adding nodes on which nothing was read changes the unread columns alone; every interval holds its percentage."""
    blocks, samples = vineyard({"A": 3, "B": 3})
    nodes = pd.DataFrame([("1", *cut) for cut in cuts], columns=["cane", "sample", "node", *NO_NODES.columns[3:]])
    blank = pd.DataFrame({"sample": "A1", "cane": "2", "node": range(1, extra + 1)}).assign(
        primary="unread", secondary="unread", tertiary="unread"
    )
    kept = pd.Series(5, index=samples["sample"])
    plain, padded = (tally(frame, NO_COUNTS, kept) for frame in (nodes, pd.concat([nodes, blank], ignore_index=True)))
    for make in (lambda t: sample_table(samples, t, 0.9), lambda t: block_table(blocks, samples, t, 0.9)):
        table, more = make(plain), make(padded)
        figures_of = [name for name in table if name.endswith(("_pct", "_dead"))]
        for name in figures_of:
            nothing = 0 if name.endswith("_dead") else -1
            same = [frame[name].astype("Float64").fillna(nothing).tolist() for frame in (table, more)]
            assert same[0] == pytest.approx(same[1])
        for name in [name for name in figures_of if name.endswith("_pct") and f"{name[:-4]}_low_pct" in table]:
            known = table[table[f"{name[:-4]}_low_pct"].notna()]
            assert (known[f"{name[:-4]}_low_pct"] <= known[name]).all()
            assert (known[f"{name[:-4]}_high_pct"] >= known[name]).all()


def test_basal_buds_are_counted_beside_the_nodes() -> None:
    """Cane 1 gives 2 alive and 1 dead on its first row, cane 2 gives 0 and 3 on every row: 4 of 6 are dead.

    Not one count of nodes is another for it, and without basal buds there is no such figure at all.
    """
    nodes = pd.DataFrame(
        {
            "sample": "A",
            "cane": ["1", "1", "2", "2"],
            "node": [1, 2, 1, 2],
            "primary": ["alive", "dead", "dead", "alive"],
        }
    ).assign(secondary="alive", tertiary="unread")
    kept = pd.Series({"A": 2})
    without = tally(nodes, NO_COUNTS, kept)
    noted = nodes.assign(noncount_alive=[2.0, np.nan, 0.0, 0.0], noncount_dead=[1.0, np.nan, 3.0, 3.0])
    with_them = tally(noted, NO_COUNTS, kept)
    beside = with_them[with_them["tissue"] == "noncount"]
    assert beside[["sample", "part", "dead", "read", "unread"]].to_numpy().tolist() == [["A", "all", 4, 6, 0]]
    pd.testing.assert_frame_equal(with_them.drop(beside.index).reset_index(drop=True), without)
    counts = pd.DataFrame(
        {
            "sample": ["B"],
            "part": "all",
            "nodes": 10,
            "primary_dead": 5,
            "secondary_dead": np.nan,
            "tertiary_dead": np.nan,
        }
    )
    counted = tally(NO_NODES, counts.assign(noncount_alive=np.nan, noncount_dead=3.0), kept)
    assert counted.loc[counted["tissue"] == "noncount", ["dead", "read"]].to_numpy().tolist() == [[3, 3]]
    assert counted.loc[counted["tissue"] == "primary", ["dead", "read"]].to_numpy().tolist() == [[5, 10]]
