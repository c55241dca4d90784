"""What a plan is drawn from, fewer of it where its figures are not what is tested."""

from __future__ import annotations

from collections.abc import Iterator

import pytest


@pytest.fixture(scope="module")
def few_draws() -> Iterator[None]:
    """Plan from a tenth of the simulated nights and of the draws of points."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("vinemap.plan.worth._NIGHTS", 6)
        patch.setattr("vinemap.plan.points._DRAWS", 2)
        yield
