"""The network files that ship with the package: where they lie, and how the runtime opens them."""

from __future__ import annotations

import hashlib
from pathlib import Path

import onnxruntime as ort

from identify.errors import ModelError


def shipped(name: str) -> Path:
    """Path of a network file: in an installed package models/ lies inside it, in a checkout beside it."""
    here = Path(__file__).resolve().parent
    places = (here / "models" / name, here.parent / "models" / name)
    return next((place for place in places if place.is_file()), places[0])


def checked(path: Path, sha256: str) -> bytes:
    """The bytes of a network file. ModelError where they have another SHA-256 than its card says."""
    data = path.read_bytes()
    found = hashlib.sha256(data).hexdigest()
    if found != sha256:
        raise ModelError(
            f"{path.name} has SHA-256 {found[:12]}…, its card says {sha256[:12]}…; "
            "the file is damaged or not the one that was checked: install the package again."
        )
    return data


def session(data: bytes) -> ort.InferenceSession:
    """A session on one thread of the processor: whole processes share the cores, not the threads of one network."""
    options = ort.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    return ort.InferenceSession(data, options, providers=["CPUExecutionProvider"])
