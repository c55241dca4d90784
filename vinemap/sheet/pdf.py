"""The crew sheets as PDF, by WeasyPrint (extra ``pdf``)."""

from __future__ import annotations

import re
from pathlib import Path

from vinemap.errors import VinemapError
from vinemap.resources import asset

_SVG = re.compile(r"<svg[^>]*>")
# WeasyPrint paints a letter's outline over its fill, whatever the order asked for.
_NO_OUTLINE = ".label, .furniture { stroke: none; }"


def write_pdf(sheet: Path, path: Path) -> None:
    """Print crew sheets to PDF, a page a block.

    Parameters
    ----------
    sheet : Path
        HTML file of `vinemap.sheet.write_sheet`.
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
    style = asset("vinemap.sheet", "drawing.css") + _NO_OUTLINE
    html = sheet.read_text(encoding="utf-8")
    drawn = _SVG.sub(lambda tag: f"{tag[0]}<style>{style}</style>", html)
    HTML(string=drawn).write_pdf(path)
