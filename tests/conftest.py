"""Fixtures that several test files share."""

from __future__ import annotations

import os

from vinemap.characters import compare_as_ascii

# Before NumPy is loaded: workers with one thread each are faster than workers whose threads want each other's core.
os.environ.setdefault("OMP_NUM_THREADS", "1")
# Before GDAL is loaded, as the command line does.
compare_as_ascii()

import gc
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import matplotlib
import pytest
from hypothesis import HealthCheck, settings
from playwright.sync_api import sync_playwright

from tests.builders import write_vineyard
from tests.chromium import chromium
from vinemap import cli

Run = Callable[..., tuple[int, str, str]]

# No example is judged by how long it takes; on the build server every run tries the same ones.
settings.register_profile(
    "vinemap", deadline=None, derandomize=bool(os.environ.get("CI")), suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("vinemap")


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark what drives Chromium, so that ``-m "not browser"`` leaves out just that.

    Such a test that fails is tried once more, and counted as a rerun: of hundreds of pages on a machine with two cores,
    one may lose a race that no reader of a page is in.
    """
    for item in items:
        if "driver" in getattr(item, "fixturenames", ()):
            item.add_marker("browser")
            item.add_marker(pytest.mark.flaky(reruns=1))


def pytest_collection_finish() -> None:
    """Spare the collector what is loaded by now and stays: to walk it again and again takes a twentieth of the time."""
    gc.collect()
    gc.freeze()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A faultless vineyard folder."""
    home = tmp_path / "vineyard"
    home.mkdir()
    return write_vineyard(home)


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run the command line in this process: its exit code, what it printed, and what it complained of."""

    def called(*arguments: object) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["vinemap", *map(str, arguments)])
        code = 0
        try:
            cli.main()
        except SystemExit as ending:
            code = int(ending.code or 0)
        return code, *capsys.readouterr()

    return called


@pytest.fixture(scope="session")
def chromium_path() -> str:
    """Chromium; without it the tests are skipped, but never on the build server."""
    path = chromium()
    if path is None:
        if os.environ.get("CI"):
            pytest.fail("no Chromium on this machine, and CI is set")
        pytest.skip("no Chromium on this machine")
    return path


@pytest.fixture(scope="session", autouse=True)
def _signals() -> None:
    """Under nohup, or behind a shell's &, signals are ignored, and what a test starts would inherit that."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        if signal.getsignal(number) is signal.SIG_IGN:
            default = signal.default_int_handler if number is signal.SIGINT else signal.SIG_DFL
            signal.signal(number, default)


@pytest.fixture(scope="session", autouse=True)
def _fonts(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Without one font on the machine Chromium writes nothing and crashes: then the ones that matplotlib carries."""
    tool = shutil.which("fc-list")
    if tool and not subprocess.run([tool], capture_output=True, check=False).stdout:
        home = tmp_path_factory.mktemp("fonts")
        carried = Path(matplotlib.get_data_path(), "fonts", "ttf")
        (home / "fonts.conf").write_text(
            '<?xml version="1.0"?><!DOCTYPE fontconfig SYSTEM "urn:fontconfig:fonts.dtd">'
            f"<fontconfig><dir>{carried}</dir><cachedir>{home}</cachedir></fontconfig>",
            encoding="utf-8",
        )
        os.environ["FONTCONFIG_FILE"] = str(home / "fonts.conf")


@pytest.fixture(scope="session")
def driver() -> Iterator[Any]:
    """Playwright, once: a second one beside it cannot be started."""
    with sync_playwright() as playwright:
        yield playwright


@pytest.fixture(scope="session")
def browser(driver: Any, chromium_path: str) -> Iterator[Any]:
    """One headless Chromium for all tests that drive a page."""
    chromium = driver.chromium.launch(executable_path=chromium_path, args=["--no-sandbox", "--disable-gpu"])
    yield chromium
    chromium.close()
