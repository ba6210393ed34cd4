"""Two model files of one making as one: the same input, every output the mean of those networks that are asked."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import onnx
from onnx import GraphProto, ModelProto, NodeProto, TensorProto, compose, helper, numpy_helper

from identify.classifier import NETWORKS, OUTPUTS

PREFIXES = ("first/", "second/")  # of the names in the joined file


def joined(files: Sequence[Path], target: Path) -> None:
    """One model file of two: the same input, every output the mean of both.

    A second input, which may be left out, says which of the two are asked; the other one is not computed.

    Raises
    ------
    ValueError
        The files' inputs or outputs differ.
    """
    models = [onnx.load(file) for file in files]
    shapes = [[value.type.SerializeToString() for value in (*m.graph.input, *m.graph.output)] for m in models]
    if shapes[0] != shapes[1]:
        raise ValueError(f"{files[0]} and {files[1]} take or give other sizes; pair networks of one configuration.")
    outputs = {value.name: value for value in models[0].graph.output}
    ranks = [len(outputs[name].type.tensor_type.shape.dim) for name in OUTPUTS]
    nodes = [helper.make_node("Cast", [NETWORKS], ["shares"], to=TensorProto.FLOAT)]
    nodes += [helper.make_node("ReduceSum", ["shares"], ["count"], keepdims=0)]
    for number, (model, prefix) in enumerate(zip(models, PREFIXES, strict=True)):
        nodes += _asked(compose.add_prefix(model, prefix, rename_inputs=False).graph, prefix, number, ranks)
    for name in OUTPUTS:
        nodes.append(helper.make_node("Add", [f"{prefix}{name} or 0" for prefix in PREFIXES], [f"sum of {name}"]))
        nodes.append(helper.make_node("Div", [f"sum of {name}", "count"], [name]))
    graph = helper.make_graph(
        nodes,
        "pair",
        [*models[0].graph.input, helper.make_tensor_value_info(NETWORKS, TensorProto.BOOL, [len(PREFIXES)])],
        [outputs[name] for name in OUTPUTS],
        [numpy_helper.from_array(np.ones(len(PREFIXES), np.bool_), NETWORKS)],  # what is taken where nothing is said
    )
    model = helper.make_model(graph, opset_imports=models[0].opset_import, ir_version=models[0].ir_version)
    onnx.checker.check_model(model)
    onnx.save(model, target)


def _asked(network: GraphProto, prefix: str, number: int, ranks: Sequence[int]) -> list[NodeProto]:
    """Nodes that give the outputs of a network where it is asked, and zeros, which add nothing, where it is not."""
    place = numpy_helper.from_array(np.array(number), f"{prefix}number")
    zeros = [numpy_helper.from_array(np.zeros((1,) * rank, np.float32), f"{prefix}no {name}")
             for name, rank in zip(OUTPUTS, ranks, strict=True)]  # fmt: skip
    nothing = helper.make_graph(
        [helper.make_node("Constant", [], [zero.name], value=zero) for zero in zeros],
        f"{prefix}nothing",
        [],
        [helper.make_tensor_value_info(zero.name, TensorProto.FLOAT, zero.dims) for zero in zeros],
    )
    whole = helper.make_graph(network.node, f"{prefix}network", [], network.output, network.initializer)
    return [
        helper.make_node("Constant", [], [place.name], value=place),
        helper.make_node("Gather", [NETWORKS, place.name], [f"{prefix}asked"]),
        helper.make_node(
            "If",
            [f"{prefix}asked"],
            [f"{prefix}{name} or 0" for name in OUTPUTS],
            f"{prefix}network",
            then_branch=whole,
            else_branch=nothing,
        ),
    ]


def network_of(model: ModelProto, number: int) -> GraphProto:
    """The graph that network ``number`` of a joined file stands in; of another file the whole graph is number 0.

    Raises
    ------
    IndexError
        The file has no such network.
    """
    choices = [node for node in model.graph.node if node.op_type == "If"]
    graphs = [branch.g for node in choices for branch in node.attribute if branch.name == "then_branch"]
    return (graphs or [model.graph])[number]
