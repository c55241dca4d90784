"""All that is known of a vineyard's ground beside its terrain, in one place: each source adds its own here."""

from __future__ import annotations

from collections.abc import Sequence

from vinemap.evidence.covariate import Evidence
from vinemap.evidence.gridded import layer_evidence
from vinemap.evidence.protected import protection_evidence
from vinemap.evidence.temperature import NightTemperature
from vinemap.evidence.winters import Winter, winter_evidence
from vinemap.reading.vineyard import Site


def gathered(site: Site, night: NightTemperature | None, winters: Sequence[Winter]) -> tuple[Evidence, ...]:
    """Return what else than terrain is known of a vineyard's ground.

    Parameters
    ----------
    site : Site
        With the grids of layers/ and the protection.
    night : NightTemperature or None
        Where loggers hung.
    winters : sequence of Winter
        Earlier freezes, of which runs are named.
    """
    ground = site.crs, tuple(site.blocks.total_bounds), site.settings.surface.cell_m
    hardiness = site.settings.actions.rules.hardiness
    layers = tuple(layer_evidence(layer, *ground) for layer in site.layers)
    protection = () if site.protection is None else protection_evidence(site.protection)
    cold = () if night is None else (night.evidence(hardiness.slope, hardiness.slope_sd),)
    before = (winter_evidence(winters, *ground),) if winters else ()
    return (*layers, *protection, *cold, *before)
