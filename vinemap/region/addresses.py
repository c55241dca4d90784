"""Folders by a path or an address (``s3://bucket/folder``): listed, brought here, and sent back, through fsspec."""

from __future__ import annotations

import errno
import posixpath
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any
from urllib.parse import unquote

from vinemap.doors import barred, megabytes
from vinemap.errors import FetchError, VinemapError
from vinemap.sentences import Sentence

# Far more than a vineyard's folder holds, its elevation among it.
_MOST_BYTES = 10_000_000_000
_ON_THIS_DISK = re.compile(r"(?:file|local)://", re.IGNORECASE)
_ADDRESS = re.compile(r"[a-z][a-z0-9+.-]+://", re.IGNORECASE)


def is_address(place: str) -> bool:
    """Whether a place is an address such as ``s3://…`` or ``https://…``, and no path of this system."""
    return _ADDRESS.match(place) is not None


def without_scheme(place: str) -> str:
    """Return the path of an address on this disk (``file://``), whose links are then judged as any folder's."""
    return _ON_THIS_DISK.sub("", place, count=1) if _ON_THIS_DISK.match(place) else place


def below(place: str, *names: str) -> str:
    """Return the place of what lies below a folder."""
    return "/".join([place.rstrip("/"), *names]) if is_address(place) else str(Path(place, *names))


def last_name(place: str) -> str:
    """Return the name of a folder."""
    return _plain(place, place.rstrip("/").rpartition("/")[2]) if is_address(place) else Path(place).resolve().name


def place_on_disk(place: str) -> Path:
    """Return a folder that outputs are known to be of; of whatever lies at an address, the root of this disk.

    A copy of it that is gone afterwards would be another one's in the next run.
    """
    return Path("/") if is_address(place) else Path(place)


@contextmanager
def brought(place: str, *, deep: bool = True) -> Iterator[Path]:
    """Give a folder as a local one: as it is where it has a path, else a copy that is gone afterwards.

    Parameters
    ----------
    place : str
        Path or address.
    deep : bool
        Bring what lies in folders below too.

    Raises
    ------
    FetchError
        When the address cannot be read.
    """
    if not is_address(place):
        yield Path(place)
        return
    with TemporaryDirectory(prefix="vinemap-") as home:
        local = Path(home, last_name(place))
        local.mkdir()
        with _plain_causes(place):
            system, root = _opened(place)
            files = list(_files(system, root, deep=deep))
            if sum(size for _, _, size in files) > _MOST_BYTES:
                raise OSError(errno.EFBIG, f"holds more than {megabytes(_MOST_BYTES)}")
            for path, way, _ in files:
                (local / way).parent.mkdir(parents=True, exist_ok=True)
                system.get_file(path, str(local / way))
        yield local


def folders_at(place: str) -> list[str]:
    """Return the names of the folders right below an address, but for hidden ones."""
    with _plain_causes(place):
        system, root = _opened(place)
        entries = system.ls(root, detail=True)
    names = {_way(entry["name"].rstrip("/"), root) for entry in entries if entry["type"] == "directory"}
    return sorted(name for name in names if name and "/" not in name and not name.startswith("."))


def sent(local: Path, place: str, former: set[str], last: str) -> None:
    """Put the files of a folder to an address: ``last`` after all others, so that where it stands all do.

    Parameters
    ----------
    local : Path
    place : str
    former : set of str
        Files, by the way to them, that an earlier run put there: what of them is no more is removed, but nothing
        outside the folder.
    last : str
        Name of a file of the folder.

    Raises
    ------
    FetchError
        When the address cannot be written to.
    """
    ways = sorted(path.relative_to(local).as_posix() for path in local.rglob("*") if path.is_file())
    with _plain_causes(place):
        system, root = _opened(place)
        for way in sorted(ways, key=lambda way: way == last):
            target = posixpath.join(root, way)
            system.makedirs(posixpath.dirname(target), exist_ok=True)
            system.put_file(str(local / way), target)
        for way in sorted(filter(_is_below, former.difference(ways))):
            if system.exists(posixpath.join(root, way)):
                system.rm_file(posixpath.join(root, way))


def text_at(place: str) -> str | None:
    """Return the text of a small file by its path or address; None where there is none."""
    # It loads GDAL, which a worker's process may not before its tasks have had letters compared.
    from vinemap.exports.record import MOST_BYTES  # noqa: PLC0415

    if not is_address(place):
        path = Path(place)
        return None if barred(path, MOST_BYTES) is not None else path.read_text(encoding="utf-8", errors="replace")
    with _plain_causes(place):
        system, root = _opened(place)
        try:
            # By name: to S3's the second is a version.
            return str(system.cat_file(root, start=0, end=MOST_BYTES).decode("utf-8", "replace"))
        except FileNotFoundError:
            return None


def _opened(place: str) -> tuple[Any, str]:
    from fsspec.core import url_to_fs  # noqa: PLC0415 - an extra

    system, root = url_to_fs(place)
    return system, str(root).rstrip("/")


def _files(system: Any, root: str, *, deep: bool) -> Iterator[tuple[str, str, int]]:
    """Yield files below a folder by their path, the way to them and their bytes; none that leads out of it."""
    found = system.find(root, maxdepth=None if deep else 1, detail=True)
    if not found:
        raise FileNotFoundError(2, "holds no file", root)
    for path, entry in found.items():
        way = _way(path, root)
        if _is_below(way) and not any(part.startswith(".") for part in way.split("/")):
            size = entry.get("size")
            # A list of links, as web servers give it, has no sizes.
            yield path, way, int((system.info(path).get("size") if size is None else size) or 0)


def _is_below(way: str) -> bool:
    """Whether a way leads from a folder to a place below it."""
    return not any(part in ("", ".", "..") or "\\" in part for part in way.split("/"))


def _way(path: str, root: str) -> str:
    path, root = path.lstrip("/"), root.lstrip("/")
    return _plain(root, path[len(root) :].lstrip("/") if path.startswith(root) else path)


def _plain(address: str, name: str) -> str:
    """Return a name as people write it: in links it has its spaces and accents as %20 and the like."""
    return unquote(name) if address.lower().startswith(("http://", "https://")) else name


@contextmanager
def _plain_causes(place: str) -> Iterator[None]:
    """Turn what every store raises in its own way into an error that names the address and what to do."""
    try:
        yield
    except VinemapError:
        raise
    except ImportError as error:
        raise VinemapError(Sentence("fault.region.package", place=place, reason=str(error))) from error
    except Exception as error:
        what = str(error).splitlines()[0][:200] if str(error) else type(error).__name__
        fault = Sentence("fault.region.address", reason=what)
        raise FetchError(place, fault, Sentence("remedy.region.address")) from error
