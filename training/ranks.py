"""Training on several devices of one machine: a process each, its own pictures, the gradients averaged at every step.

    torchrun --standalone --nproc-per-node 2 -m training.train ...

The processes ("ranks") start from the same weights and take the same steps, so their weights stay equal.
"""

from __future__ import annotations

import os
from collections.abc import Iterable

import torch
from torch import Tensor, distributed, nn


def join(kind: str) -> torch.device:
    """The device of this process, after it has joined the others where there are any.

    Parameters
    ----------
    kind : str
        ``cuda`` or ``cpu``.
    """
    rank = int(os.environ.get("LOCAL_RANK", "0"))
    if int(os.environ.get("WORLD_SIZE", "1")) > 1 and not distributed.is_initialized():
        distributed.init_process_group("nccl" if kind == "cuda" else "gloo")
    if kind != "cuda":
        return torch.device(kind)
    device = torch.device("cuda", rank)
    torch.cuda.set_device(device)
    return device


def number() -> int:
    """Number of this process, 0 where it is alone."""
    return distributed.get_rank() if distributed.is_initialized() else 0


def count() -> int:
    """How many processes train together."""
    return distributed.get_world_size() if distributed.is_initialized() else 1


def share(net: nn.Module) -> None:
    """Give the weights and statistics of process 0 to all."""
    if count() > 1:
        for value in net.state_dict().values():
            distributed.broadcast(value, src=0)


def average_gradients(parameters: Iterable[nn.Parameter]) -> None:
    """Replace every gradient by its mean over the processes."""
    if count() == 1:
        return
    gradients = [p.grad for p in parameters if p.grad is not None]
    flat = torch.cat([gradient.reshape(-1) for gradient in gradients])
    distributed.all_reduce(flat)
    flat /= count()
    pieces = flat.split([gradient.numel() for gradient in gradients])
    torch._foreach_copy_(gradients, [piece.view_as(g) for piece, g in zip(pieces, gradients, strict=True)])


def agreed(value: float, device: torch.device) -> float:
    """The value of process 0, for all: clocks differ, steps may not."""
    if count() == 1:
        return value
    shared: Tensor = torch.tensor(value, dtype=torch.float64, device=device)
    distributed.broadcast(shared, src=0)
    return float(shared)
