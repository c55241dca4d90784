"""The crew sheet: a printed page a block."""

from vinemap.sheet.crew import LANGUAGES, CrewSheet, crew_sheet, write_sheet
from vinemap.sheet.pdf import write_pdf

__all__ = ["LANGUAGES", "CrewSheet", "crew_sheet", "write_pdf", "write_sheet"]
