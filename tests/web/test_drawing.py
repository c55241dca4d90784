"""What drawings are made of: paths, pictures of ground, lengths for scale bars."""

from __future__ import annotations

import base64
import io

import numpy as np
import pytest
from PIL import Image
from shapely import MultiPolygon, Polygon, box

from vinemap.web.drawing import outline_path, round_length, shade_png


def test_every_ring_is_drawn_and_closed() -> None:
    """A polygon with a hole and one beside it: three rings of four corners, each closed by Z (SVG 2, path data)."""
    holed = Polygon(box(0, 0, 10, 10).exterior, [box(4, 4, 6, 6).exterior.coords])
    path = outline_path(MultiPolygon([holed, box(20, 0, 25.26, 5)]), lambda xy: 2 * xy, 1)
    rings = path.split("Z")
    assert [len(ring.split("L")) for ring in rings[:-1]] == [4, 4, 4]
    assert all(ring.startswith("M") for ring in rings[:-1])
    assert rings[-1] == ""
    assert "50.5 0.0" in path


@pytest.mark.parametrize(("longest", "length"), [(1.0, 1), (1.99, 1), (2.0, 2), (99, 50), (431, 200), (0.07, 0.05)])
def test_a_scale_bar_has_a_round_length(longest: float, length: float) -> None:
    """1, 2 or 5 of a decade, the longest that fits."""
    assert round_length(longest) == pytest.approx(length)


def test_light_becomes_grey_and_the_unknown_transparent() -> None:
    """Read back by another library: darkest without light, white in full light, nothing where it is unknown."""
    light = np.array([[0.0, 1.0], [0.5, np.nan]])
    kind, data = shade_png(light, 100).split(",")
    assert kind == "data:image/png;base64"
    image = Image.open(io.BytesIO(base64.b64decode(data))).convert("LA")
    grey, alpha = (np.asarray(band) for band in image.split())
    assert grey[0].tolist() == [100, 255]
    assert grey[1, 0] in (177, 178)
    assert alpha.tolist() == [[255, 255], [255, 0]]
    whole = Image.open(io.BytesIO(base64.b64decode(shade_png(light[:1], 100).split(",")[1])))
    assert whole.mode == "L"
