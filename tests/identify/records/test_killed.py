"""kill -9 while cases are written: every acknowledged case is there, the file is sound, nothing is there twice."""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from identify.errors import RecordsError
from identify.records import open_records

WRITES, KILLS = 200, 4
WRITER = """
import copy, hashlib, json, os, sys
from identify.records import open_records
told = json.load(open(sys.argv[2]))
photo = open(sys.argv[3], "rb").read()
with open_records(sys.argv[1]) as records:
    for number in range(int(sys.argv[4]), int(sys.argv[5])):
        own = photo + b"%d" % number
        case = copy.deepcopy(told)
        case["photos"][0] |= {"file": f"{number}.jpg", "sha256": hashlib.sha256(own).hexdigest()}
        name = records.keep(case, [own], own, {"thread-callipers": str(number)})
        os.write(1, f"{number} {name}\\n".encode())  # acknowledged
"""


class Writer:
    """A program that keeps cases one after the other and tells each that was acknowledged."""

    def __init__(self, url: str, folder: Path, case: dict, photo: bytes) -> None:
        self._url, self._folder = url, folder
        (folder / "case.json").write_text(json.dumps(case))
        (folder / "photo.jpg").write_bytes(photo)
        self.acknowledged: dict[int, str] = {}

    def start(self) -> subprocess.Popen[bytes]:
        files = [str(self._folder / name) for name in ("case.json", "photo.jpg")]
        first = max(self.acknowledged, default=-1) + 1
        words = [sys.executable, "-c", WRITER, self._url, *files, str(first), str(WRITES)]
        return subprocess.Popen(words, stdout=subprocess.PIPE, stderr=subprocess.PIPE)

    def listen(self, child: subprocess.Popen[bytes], lines: int = WRITES) -> None:
        for _ in range(lines):
            line = child.stdout.readline()
            if not line.endswith(b"\n"):
                return
            number, name = line.split()
            self.acknowledged[int(number)] = name.decode()

    def end(self, child: subprocess.Popen[bytes]) -> bytes:
        self.listen(child)
        complaint = child.communicate(timeout=30)[1]
        return complaint


def check(url: str, acknowledged: dict[int, str], *, all_written: bool = False) -> None:
    """Every acknowledged case is there, whole, once; at most the one that was being written beside them."""
    if url.startswith("sqlite"):
        link = sqlite3.connect(url.removeprefix("sqlite:///"))
        assert link.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        assert link.execute("PRAGMA foreign_key_check").fetchall() == []
        link.close()
    with open_records(url) as records:
        lines = records.find(limit=10 * WRITES)
        files = sorted(int(line.files[0].removesuffix(".jpg")) for line in lines)
        assert len(files) == len(set(files)) == records.count()
        assert set(acknowledged) <= set(files)
        assert len(files) - len(acknowledged) in ((0,) if all_written else (0, 1))
        by_file = {int(line.files[0].removesuffix(".jpg")): line.id for line in lines}
        for number, name in acknowledged.items():
            assert by_file[number] == name
        for number in files[-3:]:
            back = records.get(by_file[number])
            assert back.answers == {"thread-callipers": str(number)}
            assert back.overlay_jpeg == records.photo(back.photos[0])


def test_kill_9_during_200_writes(url, tmp_path, a_case, jpeg):
    rng = random.Random()  # the moment of a kill can't be repeated anyway
    writer = Writer(url, tmp_path, a_case(), jpeg())
    kills = 0
    while kills < KILLS and len(writer.acknowledged) < WRITES - 70:
        child = writer.start()
        writer.listen(child, rng.randint(1, 36))
        time.sleep(rng.uniform(0, 0.012))
        os.kill(child.pid, signal.SIGKILL)
        writer.end(child)
        assert child.returncode == -signal.SIGKILL
        kills += 1
        check(url, writer.acknowledged)
    assert kills >= 2
    assert len(writer.acknowledged) < WRITES
    child = writer.start()
    assert writer.end(child) == b""
    assert sorted(writer.acknowledged) == list(range(WRITES))
    check(url, writer.acknowledged, all_written=True)


def test_a_server_that_dies_loses_nothing_acknowledged(server, tmp_path, a_case, jpeg):
    url = server.new_database()
    writer = Writer(url, tmp_path, a_case(), jpeg())
    child = writer.start()
    writer.listen(child, 20)
    server.crash()
    try:
        complaint = writer.end(child).decode()
        assert child.returncode == 1
        assert RecordsError.__name__ in complaint.splitlines()[-1]
        with pytest.raises(RecordsError, match=r"can't be read \(.*\); check the address, and that the server runs"):
            open_records(url)
    finally:
        server.start()
    assert 20 <= len(writer.acknowledged) < WRITES
    check(url, writer.acknowledged)
