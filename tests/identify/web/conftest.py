"""A page served for the tests, and a browser that looks at it."""

import contextlib
import os
import re
import shutil
import subprocess
import sys
import time
import urllib.request
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[3]
DEMO = ROOT / "data_synthetic/demo"
CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
).split()
READY_S = 60
LOCKED_PASSWORD = "a long enough one"


@contextlib.contextmanager
def serving(folder, *options):
    """Address and process id of a page served from the repository."""
    command = [sys.executable, "-m", "identify", "serve", "--port", "0", *options]
    rubbish = folder / "rubbish"
    rubbish.mkdir()
    surroundings = {**os.environ, "PYTHONUNBUFFERED": "1", "HOME": str(folder), "TMPDIR": str(rubbish)}
    with (folder / "log").open("w") as log:
        page = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=log, text=True, cwd=ROOT, env=surroundings)
    try:
        line = page.stdout.readline()
        found = re.search(r"http://\S+", line)
        assert found, f"{line}{(folder / 'log').read_text()}"
        _wait(found[0])
        yield found[0], page.pid
    finally:
        page.terminate()
        page.wait(20)
        page.stdout.close()
    assert page.returncode == 0
    assert [each.name for each in rubbish.iterdir() if each.name.startswith("tapwright")] == []  # no photo stays behind


def _wait(address):
    until = time.monotonic() + READY_S
    while True:
        try:
            with urllib.request.urlopen(f"{address}/healthz", timeout=5) as answer:
                assert answer.read() == b"ok"
            return
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.2)


@pytest.fixture(scope="session")
def served_page(tmp_path_factory):
    pytest.importorskip("gradio")
    folder = tmp_path_factory.mktemp("page")
    options = ["--records", f"sqlite:///{folder}/records.db", "--stock", str(DEMO / "parts.csv")]
    with serving(folder, *options) as served:
        yield served
        said = (folder / "log").read_text()
    assert "Traceback" not in said, said


@pytest.fixture(scope="session")
def page_address(served_page):
    return served_page[0]


@pytest.fixture(scope="session")
def chromium():
    if CHROMIUM is None:
        pytest.skip("no chromium here: apt-get install chromium")
    api = pytest.importorskip("playwright.sync_api")
    with api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def locked_address(tmp_path_factory):
    """A page behind a login: ann, with the password of `locked_password`."""
    pytest.importorskip("gradio")
    from identify.web import login

    folder = tmp_path_factory.mktemp("locked")
    login.add(folder / "users.txt", "ann", LOCKED_PASSWORD)
    with serving(folder, "--login", str(folder / "users.txt"), "--records", "none") as (address, _):
        yield address


@pytest.fixture(scope="session")
def locked_password():
    return LOCKED_PASSWORD
