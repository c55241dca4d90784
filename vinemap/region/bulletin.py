"""The bulletin: one page for everybody, in the region's language, with nothing in it of a single grower."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import pandas as pd

from vinemap.exports.summary import likely
from vinemap.region.district_map import district_map
from vinemap.region.members import Region
from vinemap.region.task import Outcome
from vinemap.region.totals import ALL, UNKNOWN, Tables
from vinemap.sentences import Figure, Listed, Said, Sentence, languages, said, unreviewed
from vinemap.states import Disclosure
from vinemap.units import area_unit, length_unit
from vinemap.web.templates import render

_METHOD = ("cut", "map", "pool", "net", "privacy")


class Bulletin:
    """What the page shows, in one language.

    Parameters
    ----------
    region : Region
    outcomes : mapping of str to Outcome
        By the name of the folder.
    tables : Tables
    made : str
        The day that it is made.
    version : str
        Of vinemap.
    borrowed : bool
        Whether the vineyards' maps borrowed from each other.
    """

    def __init__(
        self,
        region: Region,
        outcomes: Mapping[str, Outcome],
        tables: Tables,
        made: str,
        version: str,
        *,
        borrowed: bool = False,
    ) -> None:
        self.language, self.name, self.tables = region.settings.language, region.name, tables
        self._settings, self._borrowed = region.settings, borrowed
        self._freezes, self._days, self._counted, self._mapped = set[str](), set[str](), 0, 0
        for member in region.members:
            figures = outcomes[member.folder].figures
            self._mapped += figures is not None
            if member.share and figures is not None:
                self._counted += 1
                self._freezes.update({figures["freeze"]} - {None})
                self._days.update(figures["days"])
        self._all, self._made, self._version = len(region.members), made, version
        self.drawing = district_map(tables.districts, region.districts)

    def __call__(self, key: str, **values: Any) -> str:
        """Return the sentence of a key of the bulletin."""
        return Sentence(f"region.{key}", **values).said(self.language)

    def said(self, text: Any) -> str:
        """Return a sentence, a figure or plain text in the bulletin's language."""
        return text.said(self.language) if isinstance(text, Said) else str(text)

    def html(self) -> str:
        """Return the page: one file that needs no network and runs no script."""
        return render("region/templates/bulletin.html.j2", bulletin=self)

    @property
    def facts(self) -> list[tuple[str, str]]:
        """What stands under the title: a label and what it says."""
        freezes = sorted(self._freezes)
        if self._settings.event_date is not None:
            freezes = [self._settings.event_date.isoformat()]
        days = sorted(self._days)
        unknown = self("fact.unknown")
        counts = {"counted": Figure(self._counted), "mapped": Figure(self._mapped), "all": Figure(self._all)}
        return [
            (self("fact.freeze"), self.said(Listed(freezes)) if freezes else unknown),
            (self("fact.cut"), " – ".join(dict.fromkeys((days[0], days[-1]))) if days else unknown),
            (self("fact.vineyards"), self("fact.counts", **counts)),
            (self("fact.made"), self("made", date=self._made, version=self._version)),
        ]

    @property
    def first(self) -> str:
        """The whole region in a sentence."""
        table = self.tables.varieties
        whole = table[(table["variety"] == ALL) & (table["district"] == ALL)].iloc[0]
        if whole["state"] != Disclosure.SHOWN:
            return self(f"first.{whole['state']}")
        ends = {
            end: Figure(whole[f"injury{name}_pct"])
            for end, name in (("injury", ""), ("low", "_low"), ("high", "_high"))
        }
        return self("first", survival=Figure(whole["survival_pct"]), vineyards=Figure(int(whole["vineyards"])), **ends)

    @property
    def method(self) -> list[str]:
        """The method, in five lines."""
        rule = {"fewest": Figure(self._settings.fewest_growers), "share": Figure(self._settings.most_share_pct)}
        values = {"pool": {"confidence": Figure(100 * self._settings.confidence)}, "privacy": rule}
        parts = ["borrowed" if part == "map" and self._borrowed else part for part in _METHOD]
        return [self(f"method.{part}", **values.get(part, {})) for part in parts]

    @property
    def unreviewed(self) -> str:
        """That no native reader has read the language's words; "" where one has."""
        return said(self.language, "page.unreviewed") if self.language in unreviewed() else ""

    def named(self, name: str) -> str:
        """Return a variety, district or group as readers know it."""
        if name in (ALL, UNKNOWN):
            return self(f"name.{name}")
        key = f"explain.group.{name}"
        return Sentence(key).said(self.language) if key in languages()["en"] else name

    @property
    def heads(self) -> list[str]:
        """Headings of the long tables, after the name's."""
        limit = Figure(self._settings.crop_loss_over_pct)
        names = ("vineyards", "canes", "buds", "area", "injury", "range", "survival", "net", "loss")
        return [*(self(f"head.{name}") for name in names), self("head.over", limit=limit)]

    def cells(self, row: Mapping[Any, Any]) -> list[str]:
        """Return a row's figures; none where it has none to show."""
        if row["state"] != Disclosure.SHOWN:
            return []
        per_hectare, unit = area_unit(self._settings.units)
        counts = [
            "" if pd.isna(row[name]) else self.said(Figure(int(row[name]))) for name in ("vineyards", "canes", "buds")
        ]
        return [
            *counts,
            self.said(Sentence(f"page.unit.{unit}", value=Figure(row["area_ha"] * per_hectare, 1))),
            self._within(row, "injury"),
            self("range", low=Figure(row["range_low_pct"]), high=Figure(row["range_high_pct"])),
            self.said(Figure(row["survival_pct"], 0, "%")),
            self._within(row, "net_injury"),
            self._within(row, "crop_loss"),
            "" if pd.isna(row["over_pct"]) else self.said(likely(row["over_pct"])),
        ]

    def short(self, row: Mapping[Any, Any]) -> str:
        """Return what the table of varieties by districts has of a row."""
        return self._within(row, "injury") if row["state"] == Disclosure.SHOWN else self(f"state.{row['state']}")

    @property
    def crossed(self) -> tuple[list[str], list[tuple[str, list[dict[Any, Any]]]]]:
        """The districts, and each variety with its rows in their order; the sums come last."""
        table = self.tables.varieties
        across = list(dict.fromkeys(table["district"]))
        rows = {(row["variety"], row["district"]): row for row in table.to_dict("records")}
        return across, [(v, [rows[v, d] for d in across]) for v in dict.fromkeys(table["variety"])]

    @property
    def sums(self) -> list[dict[Any, Any]]:
        """Rows of every variety over all districts, the whole last."""
        table = self.tables.varieties
        return table[table["district"] == ALL].to_dict("records")

    def band(self, row: Mapping[Any, Any]) -> str:
        """Return a band of height in words."""
        per_metre, unit = length_unit(self._settings.units)
        ends = {"low": Figure(row["from_m"] * per_metre), "unit": unit}
        if pd.isna(row["to_m"]):
            return self("band.above", **ends)
        return self("band", high=Figure(row["to_m"] * per_metre), **ends)

    def _within(self, row: Mapping[Any, Any], stem: str) -> str:
        value, low, high = (row[f"{stem}{end}_pct"] for end in ("", "_low", "_high"))
        if pd.isna(value):
            return ""
        return self.said(Sentence("report.within", value=Figure(value), low=Figure(low), high=Figure(high)))
