"""The network files that ship with the package: where they lie, and how the runtime opens them."""

from __future__ import annotations

from pathlib import Path

import onnxruntime as ort


def shipped(name: str) -> Path:
    """Path of a network file: in an installed package models/ lies inside it, in a checkout beside it."""
    here = Path(__file__).resolve().parent
    places = (here / "models" / name, here.parent / "models" / name)
    return next((place for place in places if place.is_file()), places[0])


def session(data: bytes) -> ort.InferenceSession:
    """A session on one thread of the processor: whole processes share the cores, not the threads of one network."""
    options = ort.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    return ort.InferenceSession(data, options, providers=["CPUExecutionProvider"])
