"""The table of varieties: names as people write them, groups, and what is published of secondaries."""

from __future__ import annotations

from pathlib import Path

import pytest

from vinemap.errors import InputError
from vinemap.rules import Rules, default_rules
from vinemap.settings import read_settings
from vinemap.states import SpeciesGroup
from vinemap.varieties import Kin, folded

RULES = default_rules()
KIN = RULES.varieties.kin


def share(variety: str | None, group: str | None = None) -> tuple[float, float, float]:
    found = RULES.secondary_share(KIN(variety, group))[1]
    return found.low, found.share, found.high


@pytest.mark.parametrize(
    ("variety", "group", "figure"),
    [
        # G. S. Howell, Michigan State University, grapes.extension.org 2019: about 35 % of the primary's.
        *(("Concord", None, 0.35), ("Niagara", None, 0.35)),
        # University of Missouri Grape and Wine Institute, 2023 no. 1: seldom fruits; half the primaries, half the crop.
        *(("Norton", None, 0.0), ("Cynthiana", "american", 0.0)),
        # Montague, Hellman, Helwi & Graff, Texas Tech, ASEV abstract: crop down nearly 98 % with the primaries removed.
        ("Grenache", None, 0.02),
        # Frioni et al., Sci. Hortic. 219 (2017) 302: over 80 % of primary shoots killed in 2012, and 61 % more crop in
        # 2013 without frost: (1 / 1.61 - 0.2) / 0.8 = 0.53, at 80 % killed.
        ("Marquette", None, 0.526),
    ],
)
def test_published_shares(variety: str, group: str | None, figure: float) -> None:
    """Each published figure stands in the table, inside its own interval."""
    low, middle, high = share(variety, group)
    assert middle == pytest.approx(figure, abs=0.03)
    assert low <= middle <= high
    assert low <= figure <= high


def test_groups_in_their_order() -> None:
    """A variety with nothing published has its group's share, no group a stated wide one; vinifera is not a third."""
    assert share("Riesling") == share("a seedling", "vinifera") == (0.0, 0.1, 0.35)
    assert share("Chambourcin") == (0.1, 0.33, 0.6)
    assert share("a seedling") == share(None) == (0.0, 0.25, 0.6)
    assert share("Norton", "hybrid") == share("Norton")  # what is published of a variety goes before any group


@pytest.mark.parametrize(
    ("written", "name"),
    [
        *(("NORTON/Cynthiana", "Norton"), ("Norton (Cynthiana)", "Norton"), ("cynthiana", "Norton")),
        *(("pinot  NOIR 777", "Pinot noir"), ("Pinot noir clone 115", "Pinot noir"), ("Pinot Grigio", "Pinot gris")),
        *(("Vidal 256", "Vidal blanc"), ("VIDAL", "Vidal blanc"), ("Seyve-Villard 5-276", "Seyval blanc")),
        *(("Marechal Foch", "Maréchal Foch"), ("foch", "Maréchal Foch"), ("LaCrescent", "La Crescent")),
        *(("Saint Croix", "St. Croix"), ("st croix", "St. Croix"), ("Gewurztraminer", "Gewürztraminer")),
        *(("Frontenac Gris", "Frontenac"), ("Shiraz", "Syrah"), ("Blaufraenkisch", "Lemberger")),
        *(("Marquette / Riesling", None), ("Concord Giant", None), ("", None), ("777", None)),
    ],
)
def test_names_as_people_write_them(written: str, name: str | None) -> None:
    """Capitals, accents, points and clones do not count; two varieties in one block, or part of a name, are none."""
    assert KIN(written).variety == name


def test_two_varieties_of_one_group() -> None:
    """A block of Pinot noir and Riesling is vinifera; one of Marquette and Riesling is of no known group."""
    assert KIN("Pinot noir, Riesling") == Kin(None, SpeciesGroup.VINIFERA)
    assert KIN("Marquette / Riesling") == Kin(None, None)


def test_what_a_block_states_goes_before_the_table() -> None:
    """A stated group is kept and the table's said; a stated hybrid is made French or new by the variety."""
    assert KIN("Concord", "hybrid") == Kin("Concord", SpeciesGroup.HYBRID, SpeciesGroup.AMERICAN)
    assert KIN("Marquette", "hybrid") == Kin("Marquette", SpeciesGroup.NEW_HYBRID)
    assert KIN("Vidal blanc", "hybrid") == Kin("Vidal blanc", SpeciesGroup.FRENCH_HYBRID)
    assert KIN("a seedling", "hybrid") == Kin(None, SpeciesGroup.HYBRID)
    assert KIN("Vidal blanc", "new_hybrid") == Kin("Vidal blanc", SpeciesGroup.NEW_HYBRID, SpeciesGroup.FRENCH_HYBRID)


def test_no_spelling_means_two_varieties() -> None:
    """Each name and each other spelling of the table is of one variety."""
    spellings = [folded(name) for key, one in RULES.varieties.known.items() for name in (key, *one.also)]
    assert sorted(spellings) == sorted(set(spellings))
    assert set(SpeciesGroup) == {one.group for one in RULES.varieties.known.values()}


def test_settings_add_a_variety(tmp_path: Path) -> None:
    """A vineyard's own variety, and its own share for a known one, stand beside the rest of the table."""
    (tmp_path / "vinemap.toml").write_text(
        '[actions.rules.varieties.known."Our Seedling"]\ngroup = "new_hybrid"\nalso = ["Row 7"]\n'
        "[actions.rules.varieties.known.Riesling]\n"
        'secondary_crop = { share = 0.3, low = 0.2, high = 0.4, source = "our own counts" }\n'
    )
    rules = read_settings(tmp_path).actions.rules
    assert rules.varieties.kin("row 7") == Kin("Our Seedling", SpeciesGroup.NEW_HYBRID)
    key, found = rules.secondary_share(rules.varieties.kin("White Riesling"))
    assert (key, found.share) == ("varieties.known.Riesling.secondary_crop", 0.3)
    assert rules.varieties.known["Concord"] == RULES.varieties.known["Concord"]
    assert Rules.model_validate(rules.model_dump(mode="json")) == rules


def test_a_share_lies_in_its_interval(tmp_path: Path) -> None:
    """A share above its own high end is refused with its line."""
    (tmp_path / "vinemap.toml").write_text("[actions.rules.secondary_crop.vinifera]\nshare = 0.5\n")
    with pytest.raises(InputError) as caught:
        read_settings(tmp_path)
    (problem,) = caught.value.problems
    assert "actions.rules.secondary_crop.vinifera" in problem.column
    assert "rise" in problem.message
