"""The loss of one batch: class, view, varieties (only where known) and mask, weighted."""

from __future__ import annotations

import torch
from torch import Tensor
from torch.nn import functional as F

from training.augment import Batch
from training.config import Config
from training.dataset import UNKNOWN

LABEL_WEIGHTS = (0.6, 1.0, 1.5)  # background fills most of a picture, the reference object little


def _scored(logits: Tensor, target: Tensor, smoothing: float = 0.0) -> Tensor:
    """Mean cross entropy over the known targets, zero where none is known."""
    known = (target != UNKNOWN).sum()
    total = F.cross_entropy(logits.float(), target, ignore_index=UNKNOWN, label_smoothing=smoothing, reduction="sum")
    return total / known.clamp(min=1)


def mask_loss(logits: Tensor, share: Tensor) -> Tensor:
    """Cross entropy against the share of each label in a cell, plus the soft Dice loss of part and reference."""
    logits = logits.float()
    weights = logits.new_tensor(LABEL_WEIGHTS).view(1, 3, 1, 1)
    entropy = -(weights * share * F.log_softmax(logits, dim=1)).sum(1).mean()
    p = logits.softmax(1)[:, 1:]
    both = (p * share[:, 1:]).sum(dim=(0, 2, 3))
    each = (p + share[:, 1:]).sum(dim=(0, 2, 3))
    return entropy + 0.3 * (1 - (2 * both + 1) / (each + 1)).mean()


def losses(outputs: tuple[Tensor, ...], batch: Batch, config: Config) -> dict[str, Tensor]:
    """Every part of the loss by name, and their weighted sum as ``total``."""
    logits, view, varieties, mask, _ = outputs
    parts = {
        "klass": _scored(logits, batch.klass, config.smoothing),
        "view": _scored(view, batch.view),
        "varieties": logits.new_zeros((), dtype=torch.float32),
        "mask": mask_loss(mask, batch.mask),
    }
    start = 0
    for number, (_, answers) in enumerate(config.labels.varieties):
        end = start + len(answers)
        parts["varieties"] = parts["varieties"] + _scored(varieties[:, start:end], batch.varieties[:, number])
        start = end
    parts["total"] = sum(
        (getattr(config.weights, name) * value for name, value in parts.items()), start=logits.new_zeros(())
    )
    return parts
