"""What one vineyard teaches the others of its night, without a map being made."""

from __future__ import annotations

import os

from vinemap.pipeline.fit_to_map import primary_counts
from vinemap.pipeline.mapping import ground_of, usual_varieties
from vinemap.reading.vineyard import read_vineyard
from vinemap.surface.design import Design
from vinemap.surface.fit import fit_field
from vinemap.surface.lesson import Lesson


def lesson_of(folder: str | os.PathLike[str]) -> Lesson:
    """Fit the surface of the primary buds to a vineyard's own counts, and take what it teaches.

    Parameters
    ----------
    folder : Path
        Of the vineyard.

    Raises
    ------
    InputError
        As `vinemap.pipeline.mapping.make_map` does.

    Examples
    --------
    >>> from vinemap.pipeline.teaching import lesson_of
    >>> len(lesson_of("demo_blocks").theta_pull)
    3
    """
    vineyard = read_vineyard(folder)
    blocks, hardiness = vineyard.site.blocks, vineyard.site.settings.surface.hardiness
    observed = primary_counts(vineyard)
    grid, terrain, _, known = ground_of(vineyard)
    design = Design.over(blocks, grid, terrain, hardiness, known)
    return Lesson.of(fit_field(observed, design), design, usual_varieties(vineyard))
