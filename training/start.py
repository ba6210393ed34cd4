"""Go on from a model file: the weights of an exported ONNX file back into a network that can be trained.

The export folds every batch normalisation into the convolution before it. Here each one is set up anew from the
statistics of a sample, so that the network computes what the file computes and learns on from there. Integers become
the floats they stand for; of a pair of networks one is taken.
"""

from __future__ import annotations

import hashlib
import tomllib
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import torch
from numpy.typing import NDArray
from onnx import numpy_helper
from torch import Tensor, nn

from training.join import PREFIXES, network_of

HALF = ".half"  # what training.export adds to the name of a weight that it stores as float16
WIDENED = "_DequantizeLinear_Output"  # what the quantiser adds to the name of what it turns back into floats
NETWORKS = tuple(prefix.rstrip("/") for prefix in PREFIXES)  # as the command calls the networks of a pair


def origin(path: Path) -> dict[str, Any]:
    """What the card beside the model file ``path`` says of its training, with the file's SHA-256."""
    card = tomllib.loads(path.with_suffix(".toml").read_text(encoding="utf-8"))
    return {"sha256": hashlib.sha256(path.read_bytes()).hexdigest(), **card["training"]}


def _own(name: str) -> str:
    """A tensor's name in the network, without what the export put about it."""
    for mark in (HALF, WIDENED):
        name = name.removesuffix(mark)
    for prefix in PREFIXES:
        name = name.removeprefix(prefix)
    return name


def _stored(path: Path, number: int) -> tuple[dict[str, NDArray], dict[str, NDArray]]:
    """All stored arrays of a network by name, and the bias of each convolution by its weight's name."""
    graph = network_of(onnx.load(path), number)
    kept = {weight.name: numpy_helper.to_array(weight) for weight in graph.initializer}
    arrays = {_own(name): value.astype(np.float32) for name, value in kept.items()}
    for node in graph.node:
        if node.op_type == "DequantizeLinear" and node.input[0] in kept:
            whole, scale, zero = (kept[name].astype(np.float32) for name in node.input)
            shape = (-1, *[1] * (whole.ndim - 1)) if scale.size > 1 else ()
            arrays[_own(node.output[0])] = (whole - zero.reshape(shape)) * scale.reshape(shape)
    convolutions = [node for node in graph.node if node.op_type == "Conv"]
    return arrays, {_own(node.input[1]): arrays[_own(node.input[2])] for node in convolutions}


@torch.no_grad()
def go_on(net: nn.Module, path: Path, sample: Tensor, number: int = 0) -> None:
    """Put the weights of the ONNX file ``path`` into ``net``, which must be of the same making.

    Parameters
    ----------
    sample : (B, 3, S, S) normalised pixels, as in training.
    number : which network of a pair, from 0 on.

    Raises
    ------
    ValueError
        The file lacks a weight of the network, or holds one of another shape.
    """
    arrays, biases = _stored(path, number)

    def put(target: Tensor, name: str) -> None:
        found = arrays.get(name)
        if found is None or found.shape != tuple(target.shape):
            what = "nothing" if found is None else f"shape {found.shape}"
            raise ValueError(f"{path} holds {what} for {name}, expected shape {tuple(target.shape)}.")
        target.copy_(torch.from_numpy(found))

    hooks, waiting = [], ""
    for name, module in net.named_modules():
        if isinstance(module, nn.Conv2d | nn.Linear):
            put(module.weight, f"{name}.weight")
            if module.bias is not None:
                put(module.bias, f"{name}.bias")
            waiting = name
        elif isinstance(module, nn.BatchNorm2d):
            bias = torch.from_numpy(biases[f"{waiting}.weight"])
            hooks.append(net.get_submodule(waiting).register_forward_hook(_setting(module, bias)))
    net.eval()(sample)
    for hook in hooks:
        hook.remove()


@torch.no_grad()
def go_on_in_order(net: nn.Module, path: Path, sample: Tensor) -> None:
    """As :func:`go_on`, convolution by convolution as they come, for a file in which they have no names.

    Parameters
    ----------
    sample : (B, C, H, W) of what the network is given

    Raises
    ------
    ValueError
        The file's convolutions are not those of the network.
    """
    graph = onnx.load(path).graph
    kept = {weight.name: torch.from_numpy(numpy_helper.to_array(weight).copy()) for weight in graph.initializer}
    waiting = [[kept[name] for name in node.input[1:]] for node in graph.node if node.op_type == "Conv"]
    named = [(name, module) for name, module in net.named_modules() if isinstance(module, nn.Conv2d | nn.BatchNorm2d)]
    norms = {id(one): two for (_, one), (_, two) in pairwise(named) if isinstance(two, nn.BatchNorm2d)}

    def fill(module: nn.Conv2d, _: tuple[Tensor, ...]) -> None:
        weight, bias = waiting.pop(0) if waiting else (torch.zeros(0), torch.zeros(0))
        if weight.shape != module.weight.shape:
            raise ValueError(f"{path} holds weights {tuple(weight.shape)} where {tuple(module.weight.shape)} belong.")
        module.weight.copy_(weight)
        if module.bias is not None:
            module.bias.copy_(bias)
        if id(module) in norms:
            hooks.append(module.register_forward_hook(_setting(norms[id(module)], bias)))

    hooks = [module.register_forward_pre_hook(fill) for _, module in named if isinstance(module, nn.Conv2d)]
    net.eval()(sample)
    for hook in hooks:
        hook.remove()
    if waiting:
        raise ValueError(f"{path} holds {len(waiting)} convolutions more than the network has.")


def _setting(norm: nn.BatchNorm2d, bias: Tensor):
    """A hook that makes ``norm`` add ``bias`` to what comes, and nothing else, by the statistics of what comes."""

    def hook(_: nn.Module, __: tuple[Tensor, ...], out: Tensor) -> None:
        mean, variance = out.float().mean(dim=(0, 2, 3)), out.float().var(dim=(0, 2, 3), unbiased=False)
        norm.running_mean.copy_(mean)
        norm.running_var.copy_(variance)
        norm.weight.copy_((variance + norm.eps).sqrt())
        norm.bias.copy_(bias.to(mean) + mean)

    return hook
