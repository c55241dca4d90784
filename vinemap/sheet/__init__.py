"""The crew sheet: a printed page a block."""

from vinemap.sheet.pdf import write_pdf
from vinemap.sheet.write import LANGUAGES, write_sheet

__all__ = ["LANGUAGES", "write_pdf", "write_sheet"]
