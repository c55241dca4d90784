"""The crew sheet: a printed page a block."""

from vinemap.sheet.write import LANGUAGES, write_sheet

__all__ = ["LANGUAGES", "write_sheet"]
