"""Find the files of a vineyard folder by their stem, and see whether they are what their endings say."""

from __future__ import annotations

from pathlib import Path

from vinemap.columns import INPUTS, SETTINGS_FILE
from vinemap.doors import barred, unreadable
from vinemap.errors import Findings, InputError, Problem
from vinemap.sentences import Listed, Sentence

TABLES = (".csv", ".tsv", ".xlsx")
LAYERS = (".geojson", ".json", ".gpkg", ".shp", ".fgb", ".kml", ".kmz", ".parquet")
POINTS = (".csv", ".tsv", ".xlsx", ".gpkg", ".geojson", ".json", ".gpx", ".shp", ".fgb", ".kml", ".kmz", ".parquet")
GRIDS = (".tif", ".tiff")

_NEEDED = ("blocks", "samples", "buds")

# Endings that people have for the same content, and what to do with them.
_CONVERT = {
    ".xls": "remedy.ending.xls",
    ".ods": "remedy.ending.xls",
    ".numbers": "remedy.ending.numbers",
    ".txt": "remedy.ending.txt",
    ".zip": "remedy.ending.zip",
    ".gdb": "remedy.ending.gdb",
    ".dxf": "remedy.ending.dxf",
    ".asc": "remedy.ending.grid",
    ".img": "remedy.ending.grid",
    ".vrt": "remedy.ending.grid",
}

# What GDAL and the libraries around it take for something else than a part of a name.
_ODD = {"!": "odd.exclamation", "\n": "odd.line_break", "\r": "odd.line_break", "\t": "odd.tab"}

_SIGNATURES = (
    (b"SQLite format 3\x00", "sqlite"),
    (b"PK\x03\x04", "zip"),
    (b"PK\x05\x06", "zip"),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "ole"),
    (b"fgb\x03", "fgb"),
    (b"PAR1", "parquet"),
    (b"\x00\x00\x27\x0a", "shp"),
    (b"II*\x00", "tiff"),
    (b"MM\x00*", "tiff"),
    (b"II+\x00", "tiff"),
    (b"MM\x00+", "tiff"),
    (b"%PDF", "pdf"),
    (b"\x89PNG", "image"),
    (b"\xff\xd8\xff", "image"),
    (b"\x1f\x8b", "gzip"),
)

_EXPECTED = {
    ".csv": "text",
    ".tsv": "text",
    ".xlsx": "zip",
    ".geojson": "json",
    ".json": "json",
    ".gpkg": "sqlite",
    ".shp": "shp",
    ".fgb": "fgb",
    ".kml": "xml",
    ".kmz": "zip",
    ".gpx": "xml",
    ".parquet": "parquet",
    ".tif": "tiff",
    ".tiff": "tiff",
}

# Far more than a vineyard fills, and few enough that what is made of them in memory stays below a gigabyte. Grids have
# no such bound: only the part around the blocks is read.
_MOST_BYTES = {
    **dict.fromkeys((".csv", ".tsv", ".xlsx", ".geojson", ".json", ".gpx"), 50_000_000),
    # GDAL keeps every corner of KML some thirty times as large as it is written.
    **dict.fromkeys((".kml", ".kmz"), 30_000_000),
    **dict.fromkeys((".gpkg", ".shp", ".fgb", ".parquet"), 100_000_000),
}


def find_file(folder: Path, stem: str, endings: tuple[str, ...], named: str | None, findings: Findings) -> Path | None:
    """Find one input file.

    Parameters
    ----------
    folder : Path
        The vineyard folder.
    stem : str
        ``blocks``, ``samples``, ``buds``, ``elevation`` or ``wood``; matched without regard to case.
    endings : tuple of str
        Endings that this input may have; files with other endings are passed over.
    named : str or None
        Name given in the settings, relative to the folder.
    findings : Findings
        Gets a problem where a needed file is missing, doubled, empty, unreadable or not what its ending says.

    Returns
    -------
    Path or None
        None where there is no such file or where it cannot be used.
    """
    path = _named(folder, stem, endings, named, findings) if named else _by_stem(folder, stem, endings, findings)
    return path if path is not None and usable(path, endings, findings, within=folder) else None


def _named(folder: Path, stem: str, endings: tuple[str, ...], named: str, findings: Findings) -> Path | None:
    try:
        found = (folder / named).exists()
        outside = Path(named).is_absolute() or not (folder / named).resolve().is_relative_to(folder.resolve())
    except (OSError, RuntimeError, ValueError):
        found = outside = False
    if outside:
        findings.problem(
            "vinemap.toml",
            None,
            f"files.{stem}",
            Sentence("fault.files.outside", name=repr(named)),
            Sentence("remedy.files.outside"),
        )
        return None
    if not found:
        none = Sentence("fault.files.none", name=repr(named))
        findings.problem("vinemap.toml", None, f"files.{stem}", none, Sentence("remedy.files.none"))
        return None
    path = folder / named
    if path.suffix.lower() not in endings:
        findings.problem(
            "vinemap.toml",
            None,
            f"files.{stem}",
            Sentence("fault.files.ending", name=repr(named), stem=stem),
            Sentence("remedy.endings", endings=Listed(endings, most=None)),
        )
        return None
    return path


def _by_stem(folder: Path, stem: str, endings: tuple[str, ...], findings: Findings) -> Path | None:
    alike = sorted(path for path in folder.iterdir() if path.stem.casefold() == stem)
    found = [path for path in alike if path.suffix.lower() in endings]
    if len(found) == 1:
        return found[0]
    if found:
        names = Listed((path.name for path in found), together=True, most=None)
        findings.problem(
            found[0].name,
            None,
            "",
            Sentence(f"fault.files.{'both' if len(found) == 2 else 'all'}", names=names, stem=stem),
            Sentence("remedy.files.keep", stem=stem),
        )
        return None
    convertible = [path for path in alike if path.suffix.lower() in _CONVERT]
    for path in convertible:
        not_read = Sentence("fault.files.not_read", ending=path.suffix)
        findings.problem(path.name, None, "", not_read, advice(path.suffix))
    if not convertible and stem in _NEEDED:
        findings.problem(
            f"{stem}.*",
            None,
            "",
            Sentence("fault.no_file"),
            Sentence(
                "remedy.add_file",
                what=Sentence(f"remedy.needed.{stem}"),
                file=f"{stem}{endings[0]}",
                endings=Listed(endings[1:], most=None),
            ),
        )
    return None


def usable(path: Path, endings: tuple[str, ...], findings: Findings, *, within: Path | None = None) -> bool:
    """Whether a file may be opened, holds anything, and starts as its ending says.

    Parameters
    ----------
    path : Path
    endings : tuple of str
        Those that the file may have.
    findings : Findings
        Gets a problem where it cannot be used.
    within : Path, optional
        Folder that it must lie in; None where its user named the file itself.
    """
    ending = path.suffix.lower()
    if ending not in endings:
        one_of = Sentence("remedy.endings", endings=Listed(endings, most=None))
        findings.problem(path.name, None, "", Sentence("fault.ending"), one_of)
        return False
    fault = barred(path, _MOST_BYTES.get(ending), within=within) or _misnamed(path)
    if fault is not None:
        findings.problem(path.name, None, "", *fault)
        return False
    return ending != ".shp" or _complete(path, findings)


def advice(ending: str) -> Sentence:
    """Say what to do with a file of an ending that is not read."""
    key = _CONVERT.get(ending.lower())
    return Sentence("remedy.one_ending", endings=Listed(_EXPECTED, most=None)) if key is None else Sentence(key)


def _misnamed(path: Path) -> tuple[Sentence, Sentence] | None:
    """Say that a file holds nothing, or starts as files of another ending do."""
    try:
        with path.open("rb") as stream:
            head = stream.read(1024)
    except OSError as error:
        return unreadable(error)
    if not head:
        return Sentence("fault.empty_file"), Sentence("remedy.copy_again")
    kind = content(head)
    if kind == _EXPECTED[path.suffix.lower()]:
        return None
    named = Sentence(f"content.{kind}")
    return Sentence("fault.misnamed", content=named, ending=path.suffix), _rename(path, kind)


def _rename(path: Path, kind: str) -> Sentence:
    endings = [ending for ending, expected in _EXPECTED.items() if expected == kind]
    if kind in ("text", "html", "pdf", "image", "binary", "gzip", "ole") or not endings:
        return Sentence("remedy.save_as", ending=path.suffix)
    return Sentence("remedy.right_ending", endings=Listed(endings, most=None), ending=path.suffix)


def _complete(path: Path, findings: Findings) -> bool:
    """Whether a shapefile has the companions without which it has no shapes or no columns."""
    present = {other.suffix.lower() for other in path.parent.iterdir() if other.stem == path.stem}
    missing = [ending for ending in (".shx", ".dbf") if ending not in present]
    for ending in missing:
        findings.problem(
            path.name,
            None,
            "",
            Sentence("fault.companion.missing", name=f"{path.stem}{ending}"),
            Sentence("remedy.companions"),
        )
    return not missing


def content(head: bytes) -> str:
    """Tell the kind of content from a file's first bytes.

    Parameters
    ----------
    head : bytes
        The first 1024 bytes or fewer.

    Returns
    -------
    str
        A key of the table of content names; ``text`` where nothing else fits and there are no NUL bytes.
    """
    for signature, kind in _SIGNATURES:
        if head.startswith(signature):
            return kind
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "text"
    start = head.removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    # A NUL in the text of JSON is a fault of its own, with a line, and no sign of another format.
    if b"\x00" in head and not start.startswith((b"{", b"[")):
        return "binary"
    if start.startswith((b"<!doctype html", b"<html")):
        return "html"
    if start.startswith((b"<?xml", b"<kml", b"<gpx", b"<!--")):
        return "xml"
    return "json" if start.startswith((b"{", b"[")) else "text"


def refuse_odd_name(folder: Path) -> None:
    """Raise `InputError` where the path of a folder holds what no map can be read from or written to."""
    for odd in sorted(_ODD.keys() & {*str(folder.absolute()), *str(folder.resolve())}):
        what = Sentence("fault.odd_path", what=Sentence(_ODD[odd]))
        raise InputError([Problem(str(folder), None, "", what, Sentence("remedy.odd_path"))])


def inputs_in(folder: Path) -> list[str]:
    """Return the names of a folder's files that are a vineyard's by stem and ending; none where it is missing."""
    stems = {layout.files.partition(".")[0] for layout in INPUTS} | {"elevation", "shoots"}
    endings = {*TABLES, *LAYERS, *POINTS, *GRIDS}
    found = folder.iterdir() if folder.is_dir() else ()
    return sorted(
        path.name
        for path in found
        if path.name == SETTINGS_FILE or (path.stem.casefold() in stems and path.suffix.lower() in endings)
    )
