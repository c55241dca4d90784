"""The table of varieties, ``varieties.toml``: other spellings, species group, crop of secondaries; and its look-up."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from vinemap.sentences import Sentence
from vinemap.states import SpeciesGroup

_CLONE = re.compile(r"[\s,#]+(clone\s+\S+|cl\.?\s*\d\S*|\d\S*)\s*$", re.IGNORECASE)
_BETWEEN = re.compile(r"[/()+&,;]")
_HYBRIDS = (SpeciesGroup.HYBRID, SpeciesGroup.FRENCH_HYBRID, SpeciesGroup.NEW_HYBRID)


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Share(_Table):
    """Crop of a secondary bud whose primary is dead, as a share of the primary's, with its 90 % interval."""

    share: float = Field(ge=0, le=1, description="of the primary's crop")
    low: float = Field(ge=0, le=1, description="its low end")
    high: float = Field(ge=0, le=1, description="its high end")
    source: str

    @model_validator(mode="after")
    def _in_order(self) -> Share:
        if not self.low <= self.share <= self.high:
            raise ValueError(Sentence("fault.rules.shares"))
        return self


class Variety(_Table):
    """A variety: its species group, and what is published of its secondaries."""

    group: SpeciesGroup
    also: list[str] = Field(default_factory=list, description="other spellings")
    secondary_crop: Share | None = Field(None, description="goes before the group's")

    @field_validator("group", mode="before")
    @classmethod
    def _named(cls, given: Any) -> Any:
        """Take a group by its word: under strict rules older versions of pydantic want the state itself."""
        return SpeciesGroup(given) if isinstance(given, str) and given in {*SpeciesGroup} else given


@dataclass(frozen=True)
class Kin:
    """What a block's variety is known to be.

    Attributes
    ----------
    variety : str or None
        Its name in the table; None where the table has it not, or where the block holds several.
    group : SpeciesGroup or None
        As the block states it, else the table's; a stated hybrid is made French or new by the table.
    otherwise : SpeciesGroup or None
        The table's group, where the block states another.
    """

    variety: str | None
    group: SpeciesGroup | None
    otherwise: SpeciesGroup | None = None


class Varieties(_Table):
    """Varieties by name, with their other spellings and their species group."""

    source: str
    caution: str
    known: dict[str, Variety]

    def kin(self, name: str | None, stated: str | None = None) -> Kin:
        """Say what a block's variety is.

        Parameters
        ----------
        name : str or None
            As the blocks file has it: ``"NORTON/Cynthiana"``, ``"Pinot noir clone 777"``.
        stated : str or None
            The block's species group.

        Examples
        --------
        >>> from vinemap.rules import default_rules
        >>> default_rules().varieties.kin("cynthiana")
        Kin(variety='Norton', group=<SpeciesGroup.AMERICAN: 'american'>, otherwise=None)
        """
        found = self._found(name) if name else []
        groups = {self.known[variety].group for variety in found}
        variety = found[0] if len(found) == 1 else None
        ours = groups.pop() if len(groups) == 1 else None
        if stated is None:
            return Kin(variety, ours)
        theirs = SpeciesGroup(stated)
        if ours is None or ours == theirs or (ours is SpeciesGroup.HYBRID and theirs in _HYBRIDS):
            return Kin(variety, theirs)
        if theirs is SpeciesGroup.HYBRID and ours in _HYBRIDS:
            return Kin(variety, ours)
        return Kin(variety, theirs, ours)

    def kinds(self, blocks: pd.DataFrame) -> list[Kin]:
        """Say what each block's variety is, from its columns variety and species_group, where they are there."""
        columns = [blocks[name] if name in blocks else [None] * len(blocks) for name in ("variety", "species_group")]
        rows = zip(*columns, strict=True)
        return [self.kin(*(None if pd.isna(word) else str(word) for word in row)) for row in rows]

    def _found(self, name: str) -> list[str]:
        """Return the varieties that a name holds, each once."""
        index = self._index()
        for whole in (name, _CLONE.sub("", name)):
            if folded(whole) in index:
                return [index[folded(whole)]]
        parts = (folded(_CLONE.sub("", part)) for part in _BETWEEN.split(name))
        return list(dict.fromkeys(index[part] for part in parts if part in index))

    def _index(self) -> Mapping[str, str]:
        """Return the names by their folded spellings; a name goes before another one's spelling."""
        spellings = ((other, name) for name, variety in self.known.items() for other in variety.also)
        return {folded(other): name for other, name in spellings} | {folded(name): name for name in self.known}


def usual_name(name: str, kin: Kin) -> str:
    """Return what a variety is called among several vineyards: as the table has it, else as it is written."""
    return kin.variety or " ".join(name.split())


def folded(name: str) -> str:
    """Return a name by its letters and digits alone, without accents and capitals."""
    return "".join(_plain(name))


def _plain(name: str) -> Iterator[str]:
    for character in unicodedata.normalize("NFKD", name.casefold()):
        if character.isalnum():
            yield character
