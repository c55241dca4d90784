"""Nobody talks to the desk but the browser that was opened with its token, and pages that came from it."""

from __future__ import annotations

import re

import pytest
from starlette.testclient import TestClient

from tests.desk.conftest import ORIGIN, PORT, TOKEN, Desk
from vinemap.desk import safety
from vinemap.sentences import said

PAGES = ("/", "/vineyards/vineyard", "/vineyards/vineyard/check", "/vineyards/vineyard/table/buds.csv")
BEGIN = "/vineyards/vineyard/save"


@pytest.mark.parametrize("page", PAGES)
def test_without_the_key_there_is_nothing_to_see(desk: Desk, page: str) -> None:
    """Every page is refused, in every language, to a browser that was not opened with the token."""
    answer = desk.client(with_key=False).get(page)
    assert answer.status_code == 403
    assert said("es", "desk.refused.token") in answer.text
    assert "Ash" not in answer.text


@pytest.mark.parametrize("token", ["", "x", TOKEN[:-1], TOKEN + "a", TOKEN.upper(), "é"])
def test_a_wrong_token_gives_no_key(desk: Desk, token: str) -> None:
    """Nor does a part of it."""
    answer = desk.client(with_key=False).get(f"/open/{token}", follow_redirects=False)
    assert answer.status_code == 403
    assert "set-cookie" not in answer.headers


def test_the_key_is_for_this_site_and_no_script(desk: Desk) -> None:
    """RFC 6265bis: HttpOnly and SameSite=Strict; the address with the token does not stay in the bar."""
    answer = desk.client(with_key=False).get(f"/open/{TOKEN}", follow_redirects=False)
    cookie = answer.headers["set-cookie"].lower()
    assert answer.status_code == 303
    assert answer.headers["location"] == "/"
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert str(PORT) in cookie.split("=")[0]
    assert TOKEN not in cookie


@pytest.mark.parametrize(
    "host",
    [
        "evil.example",
        f"evil.example:{PORT}",
        "127.0.0.1",
        f"127.0.0.1:{PORT + 1}",
        f"127.0.0.1.evil.example:{PORT}",
        "",
    ],
)
def test_a_name_that_was_pointed_here_is_refused(client: TestClient, host: str) -> None:
    """DNS rebinding: a request that names another host gets nothing, even with the key."""
    answer = client.get("/", headers={"Host": host, "Origin": f"http://{host}"})
    assert answer.status_code == 421
    assert "Ash" not in answer.text


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Origin": f"http://127.0.0.1:{PORT + 1}"},
        {"Origin": f"https://127.0.0.1:{PORT}"},
        {"Origin": ORIGIN, "Sec-Fetch-Site": "cross-site"},
        {"Origin": ORIGIN, "Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_foreign_page_cannot_call_it(client: TestClient, headers: dict[str, str]) -> None:
    """A page of another site, or of another port here, in a browser that has the key: neither reads nor acts."""
    assert client.post(BEGIN, headers=headers).status_code == 403
    assert client.get("/", headers=headers).status_code == 403


def test_what_changes_anything_says_where_it_comes_from(client: TestClient) -> None:
    """A form without an Origin is refused; with the desk's own it is taken."""
    del client.headers["Origin"]
    assert client.post(BEGIN).status_code == 403
    assert client.get("/").status_code == 200
    assert client.post(BEGIN, headers={"Origin": ORIGIN}).status_code == 200


def test_pages_run_our_own_scripts_alone(client: TestClient) -> None:
    """W3C, Content Security Policy Level 3: nothing inline, nothing from elsewhere, no frame around the page."""
    answer = client.get("/vineyards/vineyard/check")
    policy = dict(part.strip().split(" ", 1) for part in answer.headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == f"{ORIGIN}/assets/"
    assert policy["frame-ancestors"] == policy["base-uri"] == "'none'"
    assert policy["connect-src"] == policy["form-action"] == "'self'"
    assert not re.search(r"\son\w+=|\sstyle=|<style|javascript:", answer.text)
    assert set(re.findall(r"<script(?: src=\"([^\"]*)\")?", answer.text)) == {"", *_scripts(answer.text)}
    assert answer.headers["x-content-type-options"] == "nosniff"
    assert answer.headers["cross-origin-resource-policy"] == "same-origin"
    assert answer.headers["cache-control"] == "no-store"


def _scripts(html: str) -> list[str]:
    found = re.findall(r"<script src=\"([^\"]*)\"", html)
    assert all(source.startswith("/assets/") for source in found)
    return found


def test_too_much_is_refused_with_a_clear_word(client: TestClient, monkeypatch: pytest.MonkeyPatch) -> None:
    """By its stated length and by its true one: in every language, and nothing of it is kept."""
    form = {"Content-Type": "multipart/form-data; boundary=x"}
    monkeypatch.setattr(safety, "MOST_BYTES", 100_000)
    sent = {"files": ("big.csv", b"x" * 150_000)}
    for answer in (
        client.post("/vineyards/vineyard/files", files=sent),
        client.post("/vineyards/vineyard/files", content=(b"x" * 1000 for _ in range(150)), headers=form),
        client.post("/vineyards/vineyard/cell", content=b"x" * 4_100_000),
    ):
        assert answer.status_code == 413
        assert "MB" in answer.text
        assert said("es", "desk.refused.size", most="0").split(":")[0] in answer.text
    assert "big.csv" not in client.get("/vineyards/vineyard/files").text
    assert client.post("/vineyards/vineyard/files", files={"files": ("small.csv", b"x")}).status_code == 200


@pytest.mark.parametrize("way", ["%2e%2e", "..%2f..%2fetc", "%2fetc", "C:", "vineyard%00", "%2e", ".desk"])
def test_no_path_leaves_the_folder(client: TestClient, way: str) -> None:
    """Neither a vineyard's name nor a run's nor a file's leads anywhere else."""
    for address in (
        f"/vineyards/{way}/files",
        f"/vineyards/vineyard/results/{way}/passwd",
        f"/vineyards/vineyard/table/{way}",
    ):
        assert client.get(address).status_code == 404
