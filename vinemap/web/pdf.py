"""Pages as PDF, by WeasyPrint (extra ``pdf``)."""

from __future__ import annotations

from pathlib import Path

from vinemap.errors import VinemapError
from vinemap.sentences import Sentence


def write_pdf(html: str, path: Path) -> None:
    """Print a page to PDF.

    Parameters
    ----------
    html : str
        The page; WeasyPrint reads a drawing's style only inside the drawing itself.
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
        raise VinemapError(Sentence("fault.no_pdf")) from error
    HTML(string=html).write_pdf(path)
