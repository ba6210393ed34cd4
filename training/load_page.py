"""How fast the page answers on this machine, and how it stands eight users at once.

    python -m training.load_page [--photo PHOTO] [--users 8] [--minutes 2]

The page is served as a process of its own. Every request is what a browser sends: the photo to the page's uploads, the
form to its queue, then the answer is awaited on the event stream. The photo is enlarged to 12 megapixels. With
Debian's chromium and the package playwright, the first answer is measured on a page of a phone's size too, from the
press on Identify with the photo uploaded to the answer on the screen; the browser works on the same processors.
"""

from __future__ import annotations

import argparse
import json
import re
import secrets
import shutil
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import httpx

from training.timing import enlarged

ROOT = Path(__file__).parents[1]
PHOTO = ROOT / "data_synthetic" / "demo" / "bench.jpg"
GOAL_FIRST_S, GOAL_SLOWER, GOAL_MB = 2.0, 8.0, 1200.0
SINGLE, WATCH_S = 10, 0.25
FLAGS = "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking".split()


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, int]]:
    """Address and process of a page with records in ``folder``."""
    command = [sys.executable, "-m", "identify", "serve", "--port", "0", "--records", f"sqlite:///{folder}/records.db"]
    page = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert page.stdout is not None
    try:
        address = re.search(r"http://\S+", page.stdout.readline())
        if address is None:
            raise SystemExit("The page did not start.")
        yield address[0], page.pid
    finally:
        page.terminate()
        page.wait(20)


class User:
    """One browser's session with the page."""

    def __init__(self, address: str) -> None:
        self._web = httpx.Client(base_url=address, timeout=120)
        self._session = secrets.token_hex(6)
        config = self._web.get("/config").json()
        names = {each["id"]: each["props"] for each in config["components"]}
        self._form = next(at for at, props in names.items() if 'data-do="identify"' in str(props.get("value")))
        self._call = next(
            each["id"]
            for each in config["dependencies"]
            if [self._form, "submit"] in [list(one) for one in each["targets"]]
        )

    def identify(self, photo: bytes) -> float:
        """Seconds from the first byte sent to the answer shown; what follows is awaited too."""
        begun = time.monotonic()
        token = self._web.post("/uploads", content=photo).json()["token"]
        said = {"do": "identify", "scale": "auto", "photos": [{"token": token, "name": "bench.jpg"}]}
        order = {"data": [], "event_data": said, "fn_index": self._call, "trigger_id": self._form}
        self._web.post("/gradio_api/queue/join", json={**order, "session_hash": self._session}).raise_for_status()
        shown = 0.0
        with self._web.stream("GET", "/gradio_api/queue/data", params={"session_hash": self._session}) as stream:
            for line in stream.iter_lines():
                told = json.loads(line.removeprefix("data:")) if line.startswith("data:") else {}
                if told.get("msg") in ("process_generating", "process_completed") and not shown:
                    shown = time.monotonic() - begun
                    self._check(told)
                if told.get("msg") == "process_completed":
                    if not told.get("success", False):
                        raise RuntimeError(f"The page failed: {told}")
                    break
        return shown

    @staticmethod
    def _check(told: dict[str, Any]) -> None:
        if "verdict-title" not in json.dumps(told.get("output", {})):
            raise RuntimeError(f"No answer came: {json.dumps(told)[:400]}")


class Memory(threading.Thread):
    """The most memory that a process and its children hold [MB], shared pages counted once each process."""

    def __init__(self, process: int) -> None:
        super().__init__(daemon=True)
        self._process, self.peak_mb, self.going = process, 0.0, True

    def run(self) -> None:
        """Look again and again."""
        while self.going:
            self.peak_mb = max(self.peak_mb, sum(_resident_mb(each) for each in _family(self._process)))
            time.sleep(WATCH_S)


def _family(process: int) -> list[int]:
    found = [process]
    for task in Path(f"/proc/{process}/task").glob("*/children"):
        try:
            found += [each for child in task.read_text().split() for each in _family(int(child))]
        except OSError:
            continue
    return found


def _resident_mb(process: int) -> float:
    try:
        text = Path(f"/proc/{process}/status").read_text()
    except OSError:
        return 0.0
    match = re.search(r"VmRSS:\s+(\d+) kB", text)
    return int(match[1]) / 1e3 if match else 0.0


def together(address: str, photo: bytes, users: int, seconds: float) -> tuple[list[float], list[str]]:
    """Waiting times of users who ask one photo after the other, and what went wrong."""
    times: list[float] = []
    wrong: list[str] = []
    until = time.monotonic() + seconds

    def work() -> None:
        try:
            user = User(address)
            while time.monotonic() < until:
                times.append(user.identify(photo))
        except Exception as why:
            wrong.append(repr(why)[:300])

    crew = [threading.Thread(target=work) for _ in range(users)]
    for each in crew:
        each.start()
    for each in crew:
        each.join()
    return times, wrong


def on_a_phone(address: str, photo: bytes, folder: Path) -> list[float]:
    """Seconds from the press on Identify, the photo being there, to the answer on the page; empty without a browser."""
    chromium = shutil.which("chromium")
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        chromium = None
    if chromium is None:
        return []
    file = folder / "bench.jpg"
    file.write_bytes(photo)
    times = []
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=FLAGS)
        for _ in range(4):
            page = browser.new_page(viewport={"width": 390, "height": 844})
            page.goto(address)
            page.wait_for_selector("#identify")
            page.set_input_files("#photos", str(file))
            page.wait_for_selector(".thumbs li[data-sent]")
            begun = time.monotonic()
            page.click("#identify")
            page.wait_for_selector("#verdict-title")
            times.append(time.monotonic() - begun)
            page.close()
        browser.close()
    return times


def main() -> int:
    """Measure and print; the exit code is 1 where a goal is missed."""
    parser = argparse.ArgumentParser(description="Time the page, alone and under load.")
    parser.add_argument("--photo", type=Path, default=PHOTO)
    parser.add_argument("--users", type=int, default=8)
    parser.add_argument("--minutes", type=float, default=2.0)
    options = parser.parse_args()
    photo, how = enlarged(options.photo)
    print(f"{options.photo.name}, {len(photo) / 1e6:.1f} MB, {how}")
    with tempfile.TemporaryDirectory() as folder, served(Path(folder)) as (address, process):
        watch = Memory(process)
        watch.start()
        single = [User(address).identify(photo) for _ in range(SINGLE)]
        alone = statistics.median(single[1:])
        print(f"  one user, from upload to answer    {alone:6.2f} s in the median, first {single[0]:.2f} s")
        shown = on_a_phone(address, photo, Path(folder))
        if shown:
            print(f"  on a phone-size page, uploaded     {statistics.median(shown):6.2f} s, worst {max(shown):.2f} s")
        times, wrong = together(address, photo, options.users, 60 * options.minutes)
        watch.going = False
    p95 = sorted(times)[max(0, -(-95 * len(times) // 100) - 1)] if times else float("inf")
    print(f"  {options.users} users for {options.minutes:g} min: {len(times)} answers, {len(wrong)} errors")
    print(f"  p95 of their answers               {p95:6.2f} s")
    print(f"  p95 over one user's time           {p95 / alone:6.1f}")
    print(f"  most memory, with children         {watch.peak_mb:6.0f} MB")
    for each in wrong[:5]:
        print(f"  error: {each}")
    first = max(shown or single)
    met = first <= GOAL_FIRST_S and p95 <= GOAL_SLOWER * alone and watch.peak_mb <= GOAL_MB and not wrong
    print(
        f"  goals ({GOAL_FIRST_S:g} s, {GOAL_SLOWER:g} times, no error, {GOAL_MB:g} MB): {'met' if met else 'missed'}"
    )
    return 0 if met else 1


if __name__ == "__main__":
    raise SystemExit(main())
