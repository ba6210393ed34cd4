"""Records in SQLite and in a real PostgreSQL server, and cases and photos to keep in them."""

from __future__ import annotations

import copy
import hashlib
import importlib.util
import io
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from identify import report
from identify.records import Records, open_records


def neighbour(path: Path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


HERE = Path(__file__).parent
servers = neighbour(HERE / "servers.py")
made_cases = neighbour(HERE.parent / "made_cases.py")
GPS = {1: "S", 2: (33.0, 55.0, 31.25), 3: "E", 4: (18.0, 25.0, 26.4)}


@pytest.fixture(scope="session")
def server() -> Iterator[object]:
    folder = servers.programs()
    if folder is None:
        pytest.skip("no PostgreSQL server here (Debian: apt-get install postgresql)")
    pytest.importorskip("psycopg", reason="psycopg is not installed (pip install 'tapwright[postgresql]')")
    running = servers.Server(folder)
    yield running
    running.throw_away()


@pytest.fixture(params=["sqlite", "postgresql"])
def url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'records.sqlite'}"
    return request.getfixturevalue("server").new_schema()


@pytest.fixture
def kept(url: str) -> Iterator[Records]:
    with open_records(url) as records:
        yield records


@pytest.fixture(scope="session")
def jpeg() -> Callable[..., bytes]:
    """Photos whose files tell where, when and by whom they were taken; another number, another photo."""

    def make(number: int = 0, size: tuple[int, int] = (320, 240)) -> bytes:
        rng = np.random.default_rng(number)
        pixels = rng.integers(0, 255, (size[1] // 16, size[0] // 16, 3), np.uint8).repeat(16, 0).repeat(16, 1)
        exif = Image.Exif()
        exif[0x010F], exif[0x0110], exif[0x0112], exif[0x013B] = "Maker", "Model", 6, "Jane Owner"
        exif[0x0132] = "2026:05:04 10:11:12"
        exif.get_ifd(0x8769).update({0xA405: 26, 0x9003: "2026:05:04 10:11:12", 0xA431: "SERIAL123"})
        exif.get_ifd(0x8825).update(GPS)
        out = io.BytesIO()
        Image.fromarray(pixels).save(out, "JPEG", quality=90, exif=exif, comment=b"Jane Owner was here")
        return out.getvalue()

    return make


@pytest.fixture(scope="session")
def a_case() -> Callable[..., dict]:
    """A case by the contract, of the photos given."""
    told: dict[tuple, dict] = {}

    def make(*photos: bytes, answer: str = "compression-screw", file: str = "/home/jane/bench.jpg") -> dict:
        case = copy.deepcopy(told.setdefault((answer,), report.as_json(made_cases.case(answer))))
        facts = case["photos"][0]
        case["photos"] = [
            {**facts, "file": file, "sha256": hashlib.sha256(photo).hexdigest()} for photo in (photos or (b"none",))
        ]
        return case

    return make
