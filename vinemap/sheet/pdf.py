"""The crew sheets as PDF, by WeasyPrint (extra ``pdf``)."""

from __future__ import annotations

from pathlib import Path

from vinemap.errors import VinemapError
from vinemap.sheet.crew import CrewSheet


def write_pdf(sheet: CrewSheet, path: Path) -> None:
    """Print crew sheets to PDF, a page a block.

    Parameters
    ----------
    sheet : CrewSheet
        Of `vinemap.sheet.crew.crew_sheet`.
    path : Path
        PDF file to write.

    Raises
    ------
    VinemapError
        When WeasyPrint, or the Pango library that it draws with, is not installed.
    """
    try:
        from weasyprint import HTML  # noqa: PLC0415 - an extra, and slow to load
    except (ImportError, OSError) as error:
        message = "PDF needs WeasyPrint and Pango: pip install 'vinemap[pdf]', and on Debian apt install libpango-1.0-0"
        raise VinemapError(message) from error
    # WeasyPrint reads a drawing's style only inside the drawing itself.
    HTML(string=sheet.html(own_style=True)).write_pdf(path)
