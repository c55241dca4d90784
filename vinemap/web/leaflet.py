"""Leaflet's style and code, from the installed package, for pages that draw maps."""

from __future__ import annotations

import re
from pathlib import Path

from xstatic.pkg import leaflet


def leaflet_parts() -> tuple[str, str]:
    """Return Leaflet's style and code, neither of which asks for a file."""
    library = Path(leaflet.BASE_DIR)
    code = (library / "leaflet.js").read_text(encoding="utf-8").replace("//# sourceMappingURL=leaflet.js.map", "")
    # The rules that name image files serve controls that the pages do not use.
    rules = re.sub(r"[^{}]*\{[^{}]*url\([^{}]*\}", "", (library / "leaflet.css").read_text(encoding="utf-8"))
    return rules, code
