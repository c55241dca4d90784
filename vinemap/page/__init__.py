"""The map page: one HTML file that the whole crew opens, with no network."""

from __future__ import annotations

from vinemap.page.shell import OnlineBasemap
from vinemap.page.write import write_page

__all__ = ["OnlineBasemap", "write_page"]
