"""Outputs replace earlier ones all together or not at all, and nothing but earlier outputs is ever replaced."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.builders import write_vineyard
from vinemap.errors import InputError
from vinemap.exports import exchange
from vinemap.exports.exchange import added, claimed, replaced, settle, staged
from vinemap.exports.record import places

ROOT = Path(__file__).parents[2]
POSIX = pytest.mark.skipif(sys.platform == "win32", reason="forks, links and signals of POSIX")


@pytest.fixture
def memory() -> Iterator[Path]:
    """A folder in memory where there is one: what waits for the disk at each of a hundred steps takes long."""
    place = "/dev/shm" if Path("/dev/shm").is_dir() else None  # noqa: S108
    with tempfile.TemporaryDirectory(dir=place) as name:
        yield Path(name)


def write(out: Path, command: str = "map", to_fill: tuple[str, ...] = (), **files: str) -> None:
    """Write a run's outputs: ``a_csv`` stands for a.csv, ``b__c_csv`` for b/c.csv."""
    folder = out.parent / "vineyard"
    with staged(out, folder, command, {"name": "Quarry Lane"}, to_fill) as stage:
        for name, text in files.items():
            path = stage / name.replace("__", "/").replace("_", ".")
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")


def content(folder: Path) -> dict[str, str]:
    """Return every file's text but run.json's."""
    return {place: (folder / place).read_text(encoding="utf-8") for place in places(folder) if place != "run.json"}


@pytest.mark.parametrize("moved", [False, True], ids=["swap", "move"])
def test_a_run_replaces_the_last_one_and_nothing_else(tmp_path: Path, moved: bool, monkeypatch) -> None:
    """Old outputs go, also those that the new run does not write; what somebody put in the folder or changed stays."""
    out = tmp_path / "deep" / "out"
    write(out, map_html="old", gone_csv="old", changed_csv="old", sheets__a_html="old", all__gone_csv="old")
    (out / "notes.txt").write_text("mine", encoding="utf-8")
    (out / "sheets" / "mine.txt").write_text("mine", encoding="utf-8")
    (out / "changed.csv").write_text("mine", encoding="utf-8")
    (out / "mode").symlink_to("notes.txt")
    out.chmod(0o750)
    if moved:
        monkeypatch.chdir(out)
    inode = out.stat().st_ino
    write(out, map_html="new", sheets__b_html="new")
    mine = {"notes.txt": "mine", "sheets/mine.txt": "mine", "changed.csv": "mine", "mode": "mine"}
    assert content(out) == {"map.html": "new", "sheets/b.html": "new", **mine}
    assert not (out / "all").exists()
    assert [path.name for path in out.parent.iterdir()] == ["out"]
    assert sorted(json.loads((out / "run.json").read_text(encoding="utf-8"))["files"]) == ["map.html", "sheets/b.html"]
    assert out.stat().st_mode & 0o777 == 0o750
    assert (out / "mode").is_symlink()
    if sys.platform == "linux":
        assert (out.stat().st_ino == inode) == moved


def test_a_folder_of_somebody_s_is_not_taken_out_of_its_place(tmp_path: Path) -> None:
    """Where people keep a folder in the output folder, files are exchanged one by one."""
    out = tmp_path / "out"
    write(out, map_html="old")
    (out / "photos").mkdir()
    inodes = out.stat().st_ino, (out / "photos").stat().st_ino
    write(out, map_html="new")
    assert (out.stat().st_ino, (out / "photos").stat().st_ino) == inodes
    assert content(out) == {"map.html": "new"}


def test_a_failed_run_leaves_the_last_output(tmp_path: Path) -> None:
    """After an error the folder is as it was, and no folder of work stays behind; a new folder is taken away again."""
    write(tmp_path / "out", map_html="last")
    for name in ("out", "fresh"):
        with pytest.raises(UnicodeEncodeError):
            write(tmp_path / name, map_html="next", more_csv="\ud800")
    assert content(tmp_path) == {"out/map.html": "last"} | {"out/run.json": (tmp_path / "out/run.json").read_text()}
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def test_files_already_moved_go_back(tmp_path: Path, monkeypatch) -> None:
    """Where one file cannot be put in its place, those moved before it are taken back, and old ones stand again."""
    out = tmp_path / "out"
    write(out, a_csv="last", gone_csv="last")
    monkeypatch.chdir(out)
    replace = os.replace

    def fails(source: Path, target: Path) -> None:
        if Path(target) == out / "b.csv":
            raise PermissionError(errno.EACCES, "is open elsewhere", str(target))
        replace(source, target)

    monkeypatch.setattr(os, "replace", fails)
    with pytest.raises(InputError, match="may not write there"):
        write(out, a_csv="new", b_csv="new", new__c_csv="new")
    assert content(out) == {"a.csv": "last", "gone.csv": "last"}
    assert sorted(path.name for path in out.iterdir()) == ["a.csv", "gone.csv", "run.json"]


def test_without_the_one_rename_files_are_moved(tmp_path: Path, monkeypatch) -> None:
    """A system that cannot exchange folders, or refuses to in the last moment, still gets all of the new outputs."""
    swap, calls = exchange._swap, []

    def only_first(one: Path, other: Path) -> None:
        calls.append(other)
        if len(calls) == 2 or len(calls) > 2:
            raise OSError(errno.EBUSY, "busy")
        swap(one, other)

    out = tmp_path / "out"
    write(out, a_csv="old", gone_csv="old")
    monkeypatch.setattr(exchange, "_swap", only_first)
    for text in ("new", "newer"):
        write(out, a_csv=text)
        assert content(out) == {"a.csv": text}
        assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert len(calls) == 3 or sys.platform == "win32"


@POSIX
@pytest.mark.parametrize(
    ("how", "signal"), [("swap", "SIGKILL"), ("move", "SIGKILL"), ("swap", "SIGINT"), ("move", "SIGTERM")]
)
def test_stopped_at_any_step_the_outputs_are_whole(memory: Path, how: str, signal: str) -> None:
    """At each step of the exchange: the whole old or new outputs, by one rename at once; and what is told is true."""
    call = [sys.executable, "-m", "tests.exports.kills", str(memory), how, signal]
    done = subprocess.run(call, capture_output=True, text=True, check=True, cwd=ROOT)
    entries: list[dict[str, Any]] = json.loads(done.stdout)
    assert len(entries) > 40
    assert entries[-1] == entries[-1] | {"code": 0, "at_once": "new", "told": ""}
    at_once = {entry["at_once"] for entry in entries}
    assert at_once >= {"old", "new"}
    if how == "swap" or signal != "SIGKILL":
        assert at_once == {"old", "new"}
    for entry in entries[:-1]:
        assert entry["left"] == [], entry
        if signal == "SIGKILL":
            assert entry["settled"] in ("old", "new"), entry
            assert (entry["next_codes"], entry["next"]) == ([0, 0], "old"), entry
        else:
            assert entry["code"] == 1
            out = memory / f"step{entries.index(entry) + 1}" / "out"
            told = f"{out} had been written, whole" if entry["at_once"] == "new" else "nothing was written"
            assert entry["told"] == f"Stopped; {told}.\n", entry


@POSIX
def test_the_lock_says_who_holds_it(tmp_path: Path) -> None:
    """A second run is refused and told of the first; when that is killed, nothing holds the folder any more."""
    code = "import sys; from pathlib import Path; from vinemap.exports.lock import locked\n"
    code += "with locked(Path(sys.argv[1])): print('held', flush=True); sys.stdin.read()"
    call = [sys.executable, "-c", code, str(tmp_path / "out")]
    with subprocess.Popen(call, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, cwd=ROOT) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(
            InputError, match=rf"is being written by another run \(process {holder.pid} on .*vinemap .*out"
        ):
            write(tmp_path / "out", map_html="new")
        assert content(tmp_path / "out").keys() == {".vinemap/lock"}
        holder.kill()
    write(tmp_path / "out", map_html="new")
    assert content(tmp_path) == {"out/map.html": "new"} | {"out/run.json": (tmp_path / "out/run.json").read_text()}


def test_a_folder_is_held_from_the_first_to_the_last(tmp_path: Path) -> None:
    """What a command claims it may fill; nothing stays behind in a folder that it did not fill."""
    with claimed(tmp_path / "out", tmp_path / "vineyard"):
        assert (tmp_path / "out" / ".vinemap" / "lock").exists()
        write(tmp_path / "out", map_html="new")
        assert (tmp_path / "out" / ".vinemap" / "lock").exists()
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["map.html", "run.json"]
    with claimed(tmp_path / "deep" / "other", tmp_path / "vineyard"):
        pass
    assert [path.name for path in tmp_path.iterdir()] == ["out"]


def before_and_after(folder: Path, out: Path, name: str = "Quarry Lane") -> str:
    """Try to write into a folder; return the refusal, after making sure that nothing was touched."""
    before = content(out) if out.is_dir() else {}
    with pytest.raises(InputError) as refusal, staged(out, folder, "map", {"name": name}) as stage:
        (stage / "samples.csv").write_text("new", encoding="utf-8")
    assert (content(out) if out.is_dir() else {}) == before
    return str(refusal.value)


def test_inputs_are_never_overwritten(tmp_path: Path) -> None:
    """A vineyard's folder, one's own or another's, is no output folder, however little of it there is."""
    for name in ("mine", "other"):
        (tmp_path / name).mkdir()
        write_vineyard(tmp_path / name)
    assert "is the vineyard's own folder" in before_and_after(tmp_path / "mine", tmp_path / "mine")
    told = before_and_after(tmp_path / "mine", tmp_path / "other")
    assert "holds blocks.geojson, buds.csv and samples.csv and no run.json" in told
    for number, name in enumerate(("vinemap.toml", "Shoots.xlsx", "ELEVATION.TIF", "wood.csv")):
        folder = tmp_path / str(number)
        folder.mkdir()
        (folder / name).write_text("mine", encoding="utf-8")
        assert f"holds {name} and no run.json" in before_and_after(tmp_path / "mine", folder)


def test_another_vineyard_s_outputs_are_never_overwritten(tmp_path: Path) -> None:
    """Two growers' folders of one name do not share an output folder; moved together, folders still know each other."""
    ana, ben, out = tmp_path / "ana" / "home", tmp_path / "ben" / "home", tmp_path / "outputs" / "home"
    for folder in (ana, ben):
        folder.mkdir(parents=True)
    with staged(out, ana, "map", {"name": "home"}) as stage:
        (stage / "samples.csv").write_text("ana", encoding="utf-8")
    told = before_and_after(ben, out, "home")
    assert "holds the outputs of another vineyard, 'home' from ../../ana/home; this one is ../../ben/home" in told
    moved = tmp_path.with_name(f"{tmp_path.name}_moved")
    shutil.move(tmp_path, moved)
    with staged(moved / "outputs" / "home", moved / "ana" / "home", "map", {"name": "home"}) as stage:
        (stage / "samples.csv").write_text("again", encoding="utf-8")
    assert (moved / "outputs" / "home" / "samples.csv").read_text(encoding="utf-8") == "again"


def test_an_older_version_s_run_json_names_the_vineyard(tmp_path: Path) -> None:
    """Without a list of files, files of the same names are replaced and no others; another name is another vineyard."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "run.json").write_text('{"vinemap": "0.1.0", "name": "Quarry Lane"}', encoding="utf-8")
    for name in ("samples.csv", "spring.csv"):
        (out / name).write_text("old", encoding="utf-8")
    assert "another vineyard, 'Quarry Lane'" in before_and_after(tmp_path / "vineyard", out, "Mill Lane")
    write(out, samples_csv="new")
    assert content(out) == {"samples.csv": "new", "spring.csv": "old"}


@pytest.mark.parametrize(
    "text", ["{}", "[]", "not json", '{"name": "x"}', "[" * 100_000, '{"vinemap": 1, "name": 1, "files": 3}']
)
def test_a_run_json_of_another_program_is_left_alone(tmp_path: Path, text: str) -> None:
    """run.json that vinemap did not write is somebody's file."""
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "run.json").write_text(text, encoding="utf-8")
    assert "not of vinemap's making" in before_and_after(tmp_path / "vineyard", tmp_path / "out")


def test_files_that_no_run_wrote_are_not_replaced(tmp_path: Path) -> None:
    """A file, a link or a folder in the place of an output is refused by its name."""
    out = tmp_path / "out"
    write(out, map_html="old")
    (out / "samples.csv").write_text("mine", encoding="utf-8")
    assert "samples.csv: is there already and is not of vinemap's making" in before_and_after(
        tmp_path / "vineyard", out
    )
    (out / "samples.csv").unlink()
    (out / "samples.csv").mkdir()
    assert "samples.csv: is there already" in before_and_after(tmp_path / "vineyard", out)
    (out / "sheets").write_text("mine", encoding="utf-8")
    with pytest.raises(InputError, match="sheets: is there already and is no folder"):
        write(out, sheets__a_html="new")


def test_tables_that_were_filled_in_are_not_replaced(tmp_path: Path) -> None:
    """What a plan leaves to be filled in is kept by every later run once somebody has; an untouched one is replaced."""
    out = tmp_path / "out"
    write(out, "plan", ("buds.csv",), buds_csv="sample,node", plan_html="old")
    write(out, "plan", ("buds.csv",), buds_csv="sample,node", plan_html="new")
    (out / "buds.csv").write_text("sample,node\nA1,1", encoding="utf-8")
    for command in ("plan", "map"):
        with pytest.raises(InputError, match=r"buds\.csv: has been filled in and would be lost"):
            write(out, command, map_html="new")
    assert content(out) == {"buds.csv": "sample,node\nA1,1", "plan.html": "new"}


def test_a_stranger_s_files_reach_no_other_folder(tmp_path: Path) -> None:
    """Places outside the folder that run.json or a journal names, or that lie behind a link, are not touched."""
    out, outside = tmp_path / "out", tmp_path / "outside"
    outside.mkdir()
    (outside / "a.csv").write_text("mine", encoding="utf-8")
    write(out, map_html="old")
    (out / "link").symlink_to(outside)
    listed = json.loads((out / "run.json").read_text(encoding="utf-8"))
    sha = exchange.digest(outside / "a.csv")
    listed["files"] |= dict.fromkeys(("../outside/a.csv", "link/a.csv", str(outside / "a.csv"), "C:\\a.csv"), sha)
    (out / "run.json").write_text(json.dumps(listed), encoding="utf-8")
    write(out, map_html="new")
    assert (outside / "a.csv").exists()
    (out / ".vinemap").mkdir()
    for place in ("../outside/a.csv", "link/a.csv"):
        journal = json.dumps({"new": {place: sha}, "gone": []})
        (out / ".vinemap" / "journal.json").write_text(journal, encoding="utf-8")
        with pytest.raises(InputError, match="leads outside its folder"):
            settle(out)
    shutil.rmtree(out / ".vinemap")
    (out / ".vinemap").symlink_to(outside)
    with pytest.raises(InputError, match="is a link"):
        write(out, map_html="newer")
    assert content(outside) == {"a.csv": "mine"}


def test_files_are_added_beside_others(tmp_path: Path) -> None:
    """Files come into somebody's folder all together, and take nobody's place but those that may be replaced."""
    (tmp_path / "buds.csv").write_text("old", encoding="utf-8")
    with added(tmp_path, replacing=["buds.csv"]) as stage:
        for name in ("buds.csv", "more.csv"):
            (stage / name).write_text("new", encoding="utf-8")
    assert content(tmp_path) == {"buds.csv": "new", "more.csv": "new"}
    with pytest.raises(InputError, match=r"more\.csv: is there already"), added(tmp_path) as stage:
        shutil.copytree(tmp_path, stage, dirs_exist_ok=True, ignore=shutil.ignore_patterns(".*", "buds*"))
    assert content(tmp_path) == {"buds.csv": "new", "more.csv": "new"}
    assert sorted(path.name for path in tmp_path.iterdir()) == ["buds.csv", "more.csv"]


def test_a_page_replaces_only_its_like(tmp_path: Path) -> None:
    """A page of the same kind is replaced; any other is somebody's."""
    page = tmp_path / "page.html"
    for text in ("<title>kind</title> 1", "<title>kind</title> 2"):
        with replaced(page, "<title>kind</title>") as draft:
            draft.write_text(text, encoding="utf-8")
        assert page.read_text(encoding="utf-8") == text
    with pytest.raises(InputError, match="no page of this kind"), replaced(page, "another"):
        pass


@pytest.mark.parametrize("odd", ["a!b", "a\nb", "a\rb", "a\tb"])
def test_a_path_that_no_map_can_be_written_to_is_refused(tmp_path: Path, odd: str) -> None:
    """What GDAL and its libraries cannot have in a path is named before any work, with the whole path."""
    with pytest.raises(InputError, match="which the libraries that read and write maps take") as refusal:
        write(tmp_path / odd / "out", map_html="new")
    assert refusal.value.problems[0].file == str(tmp_path / odd / "out")
    assert list(tmp_path.iterdir()) == []


FULL = """
import os, sys
from pathlib import Path
from tests.exports.test_exchange import content, write
from vinemap.errors import InputError

out = Path(sys.argv[1]) / "out"
write(out, map_html="old")
for kind in ("swap", "move"):
    if kind == "move":
        os.chdir(out)
    for size in (1 << 20, 8 << 20):
        try:
            write(out, map_html="x" * size)
        except InputError as error:
            print(error)
        assert content(out) == {"map.html": "old"}
        assert sorted(path.name for path in out.iterdir()) == ["map.html", "run.json"]
        assert [path.name for path in out.parent.iterdir()] == ["out"]
"""


def test_a_full_disk_is_named_and_loses_nothing(tmp_path: Path) -> None:
    """On a disk of 1 MB: the cause in plain words with the folder's name, and the old outputs as they were."""
    inside = f'mount -t tmpfs -o size=1m none "{tmp_path}" && exec "{sys.executable}" -c "$1" "{tmp_path}"'
    call = ["unshare", "-rm", "sh", "-c", inside, "sh", FULL]
    if (
        shutil.which("unshare") is None
        or subprocess.run([*call[:4], "mount -t tmpfs none /mnt"], check=False, capture_output=True).returncode
    ):
        pytest.skip("no small disk can be made here")
    done = subprocess.run(call, capture_output=True, text=True, check=True, cwd=ROOT)
    full = f"{tmp_path}/out: the disk is full; make room on it, or name another folder"
    assert done.stdout.splitlines() == [full] * 4


@pytest.mark.parametrize("what", ["pipe", "endless", "large", "list", "infinite"])
@pytest.mark.parametrize("name", ["run.json", ".vinemap/journal.json"])
@POSIX
def test_records_of_a_stranger_are_not_read_whole(tmp_path: Path, name: str, what: str) -> None:
    """Records that are a pipe, a device, far too large or no record at all end in words or are passed over at once."""
    out = tmp_path / "out"
    write(out, map_html="old")
    path = out / name
    path.parent.mkdir(exist_ok=True)
    path.unlink(missing_ok=True)
    if what == "pipe":
        os.mkfifo(path)
    elif what == "endless":
        path.symlink_to("/dev/zero")
    elif what == "large":
        path.touch()
        os.truncate(path, 1 << 40)
    else:
        text = (
            "[]" if what == "list" else '{"vinemap": 1, "name": "", "new": {}, "gone": [], "inode": 1e999, "files": 1}'
        )
        path.write_text(text, encoding="utf-8")
    if name == "run.json" or what in ("large", "list", "infinite"):
        with pytest.raises(InputError, match="is not of vinemap's making"):
            write(out, map_html="new")
    else:
        write(out, map_html="new")
        assert (out / "map.html").read_text(encoding="utf-8") == "new"


def test_files_of_a_record_are_read_within_bounds(tmp_path: Path) -> None:
    """A hole of a terabyte that the record names is not read through, and what lies outside the folder not at all."""
    out = tmp_path / "out"
    write(out, map_html="old", to_fill=("samples.csv",), samples_csv="old", large_bin="old")
    os.truncate(out / "large.bin", 1 << 40)
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    (tmp_path / "mine.csv").write_text("mine", encoding="utf-8")
    record["to_fill"] = ["../mine.csv", "large.bin"]
    (out / "run.json").write_text(json.dumps(record), encoding="utf-8")
    with pytest.raises(InputError, match=r"large\.bin: has been filled in"):
        write(out, map_html="new")
    record["to_fill"] = []
    (out / "run.json").write_text(json.dumps(record), encoding="utf-8")
    write(out, map_html="new")
    assert (out / "large.bin").stat().st_size == 1 << 40
    assert (tmp_path / "mine.csv").read_text(encoding="utf-8") == "mine"


@pytest.mark.parametrize("name", ["lock", "journal.json"])
@pytest.mark.parametrize("what", ["folder", "link"])
@POSIX
def test_what_stands_in_the_place_of_a_file_of_ours(tmp_path: Path, name: str, what: str) -> None:
    """A folder or a link where vinemap keeps a file of its own is named, and what it leads to left alone."""
    out = tmp_path / "out"
    write(out, map_html="old")
    (tmp_path / "mine.csv").write_text("mine", encoding="utf-8")
    path = out / ".vinemap" / name
    if what == "folder":
        path.mkdir(parents=True)
    else:
        path.parent.mkdir()
        path.symlink_to(tmp_path / "mine.csv")
    with pytest.raises(InputError):
        write(out, map_html="new")
    assert (tmp_path / "mine.csv").read_text(encoding="utf-8") == "mine"
    assert content(out)["map.html"] == "old"
