"""The crew sheet: a printed page a block."""

from vinemap.sheet.pdf import write_pdf
from vinemap.sheet.write import LANGUAGES, CrewSheet, crew_sheet, write_sheet

__all__ = ["LANGUAGES", "CrewSheet", "crew_sheet", "write_pdf", "write_sheet"]
