"""The desk's pages: what they show, keep and set off, without a browser."""

from __future__ import annotations

import re
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pandas as pd
import pytest
from starlette.testclient import TestClient

from tests.builders import DEMO, Html
from tests.desk.conftest import Desk
from vinemap.desk.drafts import Drafts
from vinemap.errors import InputError
from vinemap.intake.questions import Choice, Proposal
from vinemap.intake.understand import Understanding
from vinemap.sentences import Sentence, languages

HERE = "/vineyards/vineyard"


def _cell(client: TestClient, file: str, row: int, column: int, was: str, value: str) -> int:
    asked = {"file": file, "row": row, "column": column, "was": was, "value": value}
    return client.post(f"{HERE}/cell", json=asked).status_code


@pytest.mark.parametrize("language", languages())
@pytest.mark.parametrize(
    "page", ["", "/files", "/places", "/check", "/plan", "/map", "/results", "/spring", "/table/buds.csv"]
)
def test_every_page_speaks_the_readers_language(client: TestClient, language: str, page: str) -> None:
    """By the browser's wish; the language is stated, and the chosen one stays."""
    answer = client.get(f"{HERE}{page}", headers={"Accept-Language": f"{language};q=0.9, xx"})
    assert answer.status_code == 200
    assert ("html", {"lang": language}) in Html(answer.text).elements
    assert languages()[language]["desk.step.map"] in answer.text


def test_a_chosen_language_stays(client: TestClient) -> None:
    """After the switch all pages have it, and no way back leads elsewhere."""
    for back, goes in ((f"{HERE}/map", f"{HERE}/map"), ("//evil.example", "/"), ("https://evil.example", "/")):
        answer = client.post("/language", data={"language": "es", "back": back}, follow_redirects=False)
        assert answer.headers["location"] == goes
    assert 'lang="es"' in client.get(HERE).text


def test_a_fault_stands_at_its_cell(folder: Path) -> None:
    """A wrong cell is named on the check page with the way to it, and marked in the table; typed over, it is right."""
    table = pd.read_csv(folder / "buds.csv").astype(object)
    table.loc[3, "primary"] = "green-ish"
    table.to_csv(folder / "buds.csv", index=False)
    desk = Desk(folder)
    client = desk.client()
    spanish = client.get(f"{HERE}/check", headers={"Accept-Language": "es"}).text
    assert "no es ni viva, ni muerta, ni sin leer" in spanish
    assert "Escriba alive si está viva" in spanish
    page = client.get(f"{HERE}/check").text
    assert "is neither alive nor dead nor unread" in page
    way = re.search(r'href="(/vineyards/vineyard/table/buds.csv\?row=5#cell-5-\d)"', page)
    assert way is not None
    column = list(table).index("primary")
    cell = next(
        attributes for tag, attributes in Html(client.get(way[1].split("#")[0]).text).elements
        if tag == "input" and attributes.get("id") == f"cell-5-{column}"
    )  # fmt: skip
    assert cell["aria-invalid"] == "true"
    assert cell["value"] == "green-ish"
    before = (folder / "buds.csv").read_bytes()
    assert _cell(client, "buds.csv", 5, column, "green-ish", "alive") == 200
    assert languages()["en"]["console.ready"] in client.get(f"{HERE}/check").text
    assert (folder / "buds.csv").read_bytes() == before, "the file changes when it is saved, not before"
    assert client.post(f"{HERE}/save").status_code == 200
    assert (folder / "buds.csv").read_bytes() == before.replace(b"green-ish", b"alive")
    assert [path.read_bytes() for path in (folder / ".desk/former").rglob("buds.csv")] == [before]
    desk.close()


def test_a_sample_without_buds_is_not_called_right(folder: Path) -> None:
    """Where a sample has no buds, the page says what `vinemap check` does: not all that was given is in the map."""
    table = pd.read_csv(folder / "buds.csv")
    table[table["sample"] != table["sample"].iloc[0]].to_csv(folder / "buds.csv", index=False)
    page = Desk(folder).client().get(f"{HERE}/check").text
    assert languages()["en"]["console.incomplete"] in page
    assert languages()["en"]["console.ready"] not in page


def test_two_tabs_do_not_type_over_each_other(client: TestClient) -> None:
    """Whoever saw an older cell is told what stands there now; nothing is changed until that is chosen."""
    assert _cell(client, "samples.csv", 2, 0, "A1", "A1 east") == 200
    assert _cell(client, "samples.csv", 2, 0, "A1", "A1 west") == 409
    assert _cell(client, "samples.csv", 2, 0, "A1 east", "A1 west") == 200


def test_what_is_no_cell_is_refused(client: TestClient) -> None:
    """The header, a column past the last, a table that is not there, and what is far too long."""
    assert _cell(client, "samples.csv", 1, 0, "sample", "x") == 400
    assert _cell(client, "samples.csv", 2, 99, "", "x") == 400
    assert _cell(client, "samples.csv", 2, 0, "A1", "x" * 5000) == 400
    assert _cell(client, "../samples.csv", 2, 0, "A1", "x") == 404
    assert client.post(f"{HERE}/cell", content=b"{").status_code == 400


def test_it_goes_on_where_it_was_left(folder: Path) -> None:
    """A desk that is opened again has all that was typed, and a line that was broken off hinders nothing."""
    first = Desk(folder)
    assert _cell(first.client(), "samples.csv", 2, 0, "A1", "A1 east") == 200
    first.close()
    with (folder / ".desk/journal.jsonl").open("ab") as stream:
        stream.write(b'{"kind": "cell", "file": "samples.csv", "row": 3, "colu')
    second = Desk(folder)
    client = second.client()
    assert _cell(client, "samples.csv", 3, 0, "A2", "A2 east") == 200
    second.close()
    assert Drafts(folder).cells == {"samples.csv": {(2, 0): "A1 east", (3, 0): "A2 east"}}


@pytest.mark.usefixtures("desk")
def test_one_desk_a_folder(folder: Path) -> None:
    """A second desk is told who holds the folder; within a thread the lock may be taken again, so this is another's."""
    with ThreadPoolExecutor(1) as elsewhere, pytest.raises(InputError, match=r"another run \(process \d+ on "):
        elsewhere.submit(Desk, folder).result()


def test_several_vineyards_side_by_side(tmp_path: Path) -> None:
    """A folder of folders lists its vineyards; a new one gets a folder, and no name leads out."""
    root = tmp_path / "all"
    for name in ("Tarn", "<b>Beck"):
        shutil.copytree(DEMO, root / name)
    (root / "outputs").mkdir()
    for name in ("samples.csv", "run.json"):
        (root / "outputs" / name).write_text("{}", encoding="utf-8")
    desk = Desk(root)
    client = desk.client()
    shown = Html(client.get("/").text)
    assert "outputs" not in shown.words
    assert {"Tarn", "<b>Beck"} <= set(shown.words)
    assert client.post("/vineyards", data={"name": "Fell Side"}).url.path == "/vineyards/Fell Side/files"
    for name in ("..", "a/b", "", ".hidden", "x\x00", "-x", "Tarn", "CON<>", "a" * 200):
        assert client.post("/vineyards", data={"name": name}).status_code == 409
    assert {path.name for path in root.iterdir() if path.name[0] != "."} == {
        *("Tarn", "<b>Beck", "Fell Side", "outputs"),
    }
    desk.close()


def _choice(value: str) -> Choice:
    return Choice(value, Sentence("desk.row", row=value))


def test_what_is_not_certain_is_asked(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """An open question is shown with its choices and rows, its answer is kept, and only then can the files go in."""
    code = Proposal(
        "code|g", Sentence("desk.row", row="Pri"), (_choice("alive"), _choice("dead")), None, False, ("G B G",)
    )
    sure = Proposal("role|x", Sentence("desk.row", row="Smp"), (_choice("sample"), _choice("block")), "sample", True)

    def understand(files: list[Path], answers: dict[str, str]) -> Understanding:
        return Understanding((sure, code), answers, {}, (), (), ())

    monkeypatch.setattr("vinemap.desk.understood.understand", understand)
    page = client.post(f"{HERE}/files", files={"files": ("mine.csv", b"Smp,Pri\n1,G\n")}).text
    assert languages()["en"]["desk.questions"] in page
    assert "G B G" in page
    put = languages()["en"]["desk.given.put"]
    assert put not in page
    form = {"key-0": "role|x", "answer-0": "sample", "key-1": "code|g", "answer-1": "dead"}
    assert put in client.post(f"{HERE}/files/answers", data=form).text
    found = [
        attributes.get("value")
        for tag, attributes in Html(client.get(f"{HERE}/files").text).elements
        if tag == "input" and "checked" in attributes
    ]
    assert found == ["sample", "dead"]
    client.post(f"{HERE}/files/answers", data=form | {"answer-1": "nonsense", "key-0": "other"})
    assert client.get(f"{HERE}/files").text.count("checked") == 2


def test_shoots_are_entered_and_become_a_file(client: TestClient, folder: Path) -> None:
    """The table is begun on the desk; without a script, a page of it is kept as a whole."""
    page = client.get(f"{HERE}/spring").text
    assert f'href="{HERE}/table/shoots.csv"' in page
    table = Html(client.get(f"{HERE}/table/shoots.csv").text)
    base = next(one["value"] for tag, one in table.elements if tag == "input" and one.get("name") == "base")
    form = {"base": base, "cell-2-0": "A1", "cell-2-1": "12", "cell-2-2": "9", "cell-3-0": ""}
    assert client.post(f"{HERE}/table/shoots.csv", data=form).status_code == 200
    assert not (folder / "shoots.csv").exists()
    client.post(f"{HERE}/save")
    assert pd.read_csv(folder / "shoots.csv")[["sample", "nodes", "shoots"]].to_numpy().tolist() == [["A1", 12, 9]]


def test_what_another_program_changed_is_not_typed_over_blindly(client: TestClient, folder: Path) -> None:
    """Rows may stand elsewhere now: what was typed stands aside until somebody says that it fits, or gives it up."""
    assert _cell(client, "samples.csv", 2, 0, "A1", "A1 east") == 200
    table = pd.read_csv(folder / "samples.csv")
    table.iloc[::-1].to_csv(folder / "samples.csv", index=False)
    turned = (folder / "samples.csv").read_bytes()
    page = client.get(f"{HERE}/table/samples.csv").text
    assert languages()["en"]["desk.outdated"] in page
    assert "A1 east" in page
    assert 'value="A1 east"' not in page
    assert client.post(f"{HERE}/save").status_code == 409
    assert _cell(client, "samples.csv", 3, 0, "C1", "x") == 423
    assert (folder / "samples.csv").read_bytes() == turned
    client.post(f"{HERE}/outdated/samples.csv", data={"fits": "yes"})
    assert 'value="A1 east"' in client.get(f"{HERE}/table/samples.csv").text
    client.post(f"{HERE}/outdated/samples.csv", data={"fits": "no"})
    assert "A1 east" not in client.get(f"{HERE}/table/samples.csv").text
    assert (folder / "samples.csv").read_bytes() == turned


def test_work_that_was_cut_off_is_told(folder: Path) -> None:
    """A map that a crash took away is spoken of by the next desk; one that was stopped is not."""
    Drafts(folder).note("began", work="map", out="2026-01-01-000000-map")
    told = languages()["en"]["desk.state.cut_off"]
    desk = Desk(folder)
    client = desk.client()
    assert told in client.get(f"{HERE}/map").text
    assert told not in client.get(f"{HERE}/plan").text
    desk.vineyards.find("vineyard").drafts.note("began", work="map", out="")
    assert told not in client.get(f"{HERE}/map").text
    desk.close()


@pytest.mark.parametrize("page", ["/plan", "/map", "/spring", "/results"])
def test_pages_that_send_someone_out_keep_their_cautions(client: TestClient, page: str) -> None:
    """Blades cut people, and advice defers to local extension and licensed practice."""
    assert languages()["en"]["desk.care"] in Html(client.get(f"{HERE}{page}").text).words
