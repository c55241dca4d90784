"""Whether a vineyard can be mapped as its files stand: what is asked before anything that maps is loaded."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

import pandas as pd

from vinemap.errors import InputError, Problem, TooFewSamplesError
from vinemap.reading.vineyard import Vineyard, read_vineyard
from vinemap.sentences import Sentence
from vinemap.states import Bud
from vinemap.surface.observations import Observations, refuse_too_few
from vinemap.survival.tally import kept_nodes, tally


def check_folder(folder: str | os.PathLike[str]) -> Vineyard:
    """Read a vineyard folder, and make sure that it can be mapped.

    Parameters
    ----------
    folder : Path
        Of the vineyard.

    Raises
    ------
    InputError
        As `vinemap.pipeline.mapping.make_map` would.
    """
    vineyard = read_vineyard(folder)
    primary_counts(vineyard)
    return vineyard


def primary_counts(vineyard: Vineyard) -> Observations:
    """Return the counts of primary buds; raise `InputError` where they are too few for a map."""
    observed = Observations.of(vineyard.samples, vineyard.site.blocks, tallied(vineyard), Bud.PRIMARY)
    with named(vineyard):
        refuse_too_few(observed)
    return observed


def tallied(vineyard: Vineyard) -> pd.DataFrame:
    """Return buds dead and read, as `vinemap.survival.tally.tally` counts them."""
    kept = kept_nodes(vineyard.samples, vineyard.site.blocks, vineyard.site.settings)
    return tally(vineyard.nodes, vineyard.counts, kept)


@contextmanager
def named(vineyard: Vineyard) -> Iterator[None]:
    """Turn too few samples into a problem of the samples' file."""
    try:
        yield
    except TooFewSamplesError as error:
        alone = int(vineyard.samples.geometry.isna().sum())
        remedy = Sentence.counted("remedy.block_only", alone) if alone else Sentence("remedy.more_canes")
        raise InputError([Problem("samples", None, "", error.sentence, remedy)]) from error
