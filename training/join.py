"""Two model files of one making as one: the same input, every output the mean of both."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import onnx
from onnx import compose, helper

from identify.classifier import OUTPUTS

PREFIXES = ("first/", "second/")  # of the names in the joined file


def joined(files: Sequence[Path], target: Path) -> None:
    """One model file of two: the same input, every output the mean of both.

    Raises
    ------
    ValueError
        The files' inputs or outputs differ.
    """
    models = [onnx.load(file) for file in files]
    shapes = [[value.type.SerializeToString() for value in (*m.graph.input, *m.graph.output)] for m in models]
    if shapes[0] != shapes[1]:
        raise ValueError(f"{files[0]} and {files[1]} take or give other sizes; pair networks of one configuration.")
    parts = [
        compose.add_prefix(model, prefix, rename_inputs=False) for model, prefix in zip(models, PREFIXES, strict=True)
    ]
    means = [helper.make_node("Mean", [f"{p}{name}" for p in PREFIXES], [name], f"mean {name}") for name in OUTPUTS]
    outputs = {value.name: value for value in models[0].graph.output}
    graph = helper.make_graph(
        [node for part in parts for node in part.graph.node] + means,
        "pair",
        list(models[0].graph.input),
        [outputs[name] for name in OUTPUTS],
        [weight for part in parts for weight in part.graph.initializer],
    )
    model = helper.make_model(graph, opset_imports=models[0].opset_import, ir_version=models[0].ir_version)
    onnx.checker.check_model(model)
    onnx.save(model, target)
