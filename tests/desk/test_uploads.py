"""Files that are given to the desk: whatever their names, they land in one folder, and their names do no harm."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.builders import HOSTILE, Html
from vinemap.desk.uploads import given_files, safe_name

HERE = "/vineyards/vineyard"
NAMES = [
    *(f"{name}.csv" for name in HOSTILE),
    '"quoted".csv',
    "two\nlines.csv",
    "../../up.csv",
    "..\\..\\up too.csv",
    "/etc/passwd",
    "C:\\autoexec.bat",
    "nul\x00byte.csv",
    f"{'long' * 200}.csv",
    "CON",
    "com1.csv",
    "-rf",
    ".hidden",
    "trailing. . .",
    "..",
    "vinemap.toml/../../x.csv",
    "\u202etxt.exe.csv",
    "%2e%2e%2fup.csv",
    "~$open.xlsx",
]


def _form(names: list[str]) -> tuple[bytes, dict[str, str]]:
    """Bytes as a browser, or somebody who is none, sends them: the names go in as they are."""
    part = b'--x\r\nContent-Disposition: form-data; name="files"; filename="%s"\r\n\r\n%d\r\n'
    quoted = [name.replace('"', "%22").replace("\n", "%0A").encode(errors="surrogatepass") for name in names]
    body = b"".join(part % (name, number) for number, name in enumerate(quoted))
    return body + b"--x--\r\n", {"Content-Type": "multipart/form-data; boundary=x"}


def test_there_are_enough_names() -> None:
    """At least twenty, of every kind that has done harm somewhere."""
    assert len(NAMES) >= 20


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_one_that_every_system_takes(name: str) -> None:
    """Microsoft, Naming Files, Paths, and Namespaces; POSIX.1-2017, 3.170 Filename: one part, no control, no device."""
    kept = safe_name(name)
    assert Path(kept).name == kept not in ("", ".", "..")
    assert kept.isprintable()
    assert not re.search(r'[<>:"/\\|?*\x00-\x1f\u202a-\u202e\u2066-\u2069]', kept)
    assert kept[0] not in ".-~ "
    assert kept[-1] not in ". "
    assert not re.fullmatch(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?", kept)
    assert len(kept.encode()) <= 255
    assert safe_name(kept) == kept


def test_hostile_names_stay_in_their_folder_and_do_nothing(client: TestClient, folder: Path) -> None:
    """All are kept, none outside; the page has the same elements as with plain names."""
    outside = {path for path in folder.parent.rglob("*") if ".desk" not in path.parts}
    body, headers = _form([f"plain {number}.csv" for number in range(len(NAMES))])
    plain = Html(client.post(f"{HERE}/files", content=body, headers=headers).text)
    for path in given_files(folder):
        client.post(f"{HERE}/files/take-back", data={"name": path.name})
    assert given_files(folder) == []
    body, headers = _form(NAMES)
    hostile = Html(client.post(f"{HERE}/files", content=body, headers=headers).text)
    kept = given_files(folder)
    assert len(kept) >= len({safe_name(name) for name in NAMES}) - 1
    assert {path for path in folder.parent.rglob("*") if ".desk" not in path.parts} == outside
    tags = {tag for tag, _ in plain.frame}
    assert {tag for tag, _ in hostile.frame} - tags <= {"b"}, "faults are set in bold"
    assert sum(tag == "li" for tag, _ in hostile.frame) >= len(kept)
    assert not any(name.startswith("on") for _, attributes in hostile.frame for name in attributes)


def test_hostile_names_in_the_vineyards_own_folder_do_nothing(client: TestClient, folder: Path) -> None:
    """Files that somebody else put there, under names that a disk takes: every page still answers, and none acts."""
    for number, name in enumerate(NAMES):
        plain = name.replace("/", "_").replace("\x00", "")[:60]
        if plain not in ("..", "."):
            (folder / plain).write_text(f"sample\n{number}\n", encoding="utf-8")
    frames = {}
    for page in ("", "/files", "/check", "/results"):
        answer = client.get(f"{HERE}{page}")
        assert answer.status_code == 200
        frames[page] = Html(answer.text).frame
    assert not any(tag in ("img", "svg", "b>") for frame in frames.values() for tag, _ in frame)
    assert not any(name.startswith("on") for frame in frames.values() for _, names in frame for name in names)


def test_a_file_is_kept_whole_or_not_at_all(client: TestClient, folder: Path) -> None:
    """One of the same name is replaced by the later one; nothing half written is listed."""
    for content in (b"first", b"second"):
        client.post(f"{HERE}/files", files={"files": ("notes.csv", content)})
    (folder / ".desk/given/half.csv.part").write_bytes(b"ha")
    assert [(path.name, path.read_bytes()) for path in given_files(folder)] == [("notes.csv", b"second")]
