"""Write a run's weights as ONNX, prove it equals the network, and pack it small enough to ship.

    python -m training.export --run runs/first --index runs/first/index.json

The float32 file is compared with torch first, on pictures of the calibration split. What ships has float16 weights that
are widened to float32 when the file is loaded (so it computes alike on every processor), or 8-bit integers on request;
the figures of both stand in export.json.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import onnx
import onnxruntime as ort
import torch
from numpy.typing import NDArray
from onnx import TensorProto, helper, numpy_helper
from onnxruntime.quantization import CalibrationDataReader, QuantFormat, QuantType, quantize_static
from onnxruntime.quantization.shape_inference import quant_pre_process

from identify.classifier import NAME, OUTPUTS
from training import config as configuration
from training.card import write_json
from training.dataset import Pictures, load
from training.network import FittingNet, export_onnx
from training.prepare import CALIBRATION, read_rows
from training.train import build

TOLERANCE = 1e-4
LARGEST_MB = 12.0
WIDE = 256  # weights of fewer numbers stay float32
LAYERS = ["Conv", "Relu", "Add", "Resize"]  # what becomes integers where the last layer stays as it is


@dataclass(frozen=True, slots=True)
class Packed:
    """One way to store the model, scored on the calibration split (whole picture, one look)."""

    mb: float
    top1: float
    part_iou: float
    same_answer: float


class Feed(CalibrationDataReader):
    """Pictures for the choice of the integer ranges."""

    def __init__(self, pixels: Iterable[NDArray[np.float32]], given: str = "pixels") -> None:
        self.rows, self.given = iter(pixels), given

    def get_next(self) -> dict[str, NDArray[np.float32]] | None:
        """The next picture, or None."""
        row = next(self.rows, None)
        return None if row is None else {self.given: row[None]}


def halve(source: Path, target: Path) -> None:
    """Store the large weights as float16 behind a Cast to float32, which the runtime folds away when it loads."""
    model = onnx.load(source)
    casts = []
    for weight in model.graph.initializer:
        values = numpy_helper.to_array(weight)
        if values.dtype != np.float32 or values.size < WIDE:
            continue
        name = weight.name
        weight.CopyFrom(numpy_helper.from_array(values.astype(np.float16), f"{name}.half"))
        casts.append(helper.make_node("Cast", [f"{name}.half"], [name], f"widen {name}", to=TensorProto.FLOAT))
    for number, node in enumerate(casts):
        model.graph.node.insert(number, node)
    onnx.checker.check_model(model)
    onnx.save(model, target)


def to_integers(source: Path, target: Path, pixels: Iterable[NDArray[np.float32]], *, whole_last: bool = False) -> None:
    """Static 8-bit quantisation, per channel, ranges from ``pixels`` (C, H, W) each; the last layer may stay whole."""
    with TemporaryDirectory() as folder:
        ready = Path(folder) / "ready.onnx"
        quant_pre_process(str(source), str(ready), skip_symbolic_shape=True)
        graph = onnx.load(ready).graph
        layers = [node.name for node in graph.node if node.op_type == "Conv"]
        quantize_static(
            str(ready),
            str(target),
            Feed(pixels, graph.input[0].name),
            op_types_to_quantize=LAYERS if whole_last else None,
            nodes_to_exclude=layers[-1:] if whole_last else None,
            quant_format=QuantFormat.QDQ,
            per_channel=True,
            reduce_range=True,  # seven bits: processors without 8-bit dot products would overflow otherwise
            activation_type=QuantType.QUInt8,
            weight_type=QuantType.QInt8,
        )


def session(path: Path, threads: int = 0) -> ort.InferenceSession:
    """A session on the processor."""
    options = ort.SessionOptions()
    options.intra_op_num_threads = threads
    options.log_severity_level = 3
    return ort.InferenceSession(str(path), options, providers=["CPUExecutionProvider"])


def difference(net: FittingNet, path: Path, pixels: NDArray[np.float32]) -> float:
    """Largest difference between torch and the file over all outputs, relative where a value exceeds 1."""
    pixels = np.ascontiguousarray(pixels)
    with torch.no_grad():
        want = [output.numpy() for output in net.cpu().float().eval()(torch.from_numpy(pixels))]
    got = session(path).run(list(OUTPUTS), {"pixels": pixels})
    return max(float(np.max(np.abs(a - b) / np.maximum(1, np.abs(a)))) for a, b in zip(want, got, strict=True))


def score(
    path: Path, pictures: Pictures, config: configuration.Config, truth: NDArray[np.int64] | None
) -> tuple[Packed, NDArray[np.int64]]:
    """Top-1, the part's IoU, and how often the answer equals ``truth`` (the answers of the float32 file)."""
    runner = session(path)
    said, both, either = [], 0, 0
    for start in range(0, len(pictures), 32):
        rows = slice(start, start + 32)
        pixels = normalised(pictures, rows, config)
        logits, mask = runner.run(["logits", "mask"], {"pixels": pixels})
        said.append(np.argmax(logits, axis=1))
        true, seen = pictures.mask[rows, ::4, ::4].numpy() == 1, np.argmax(mask, axis=1) == 1
        both += int((true & seen).sum())
        either += int((true | seen).sum())
    answers = np.concatenate(said)
    same = 1.0 if truth is None else float(np.mean(answers == truth))
    top1 = float(np.mean(answers == pictures.klass.numpy()))
    return Packed(round(path.stat().st_size / 1e6, 2), top1, both / max(1, either), same), answers


def normalised(pictures: Pictures, rows: slice, config: configuration.Config) -> NDArray[np.float32]:
    """Pixels (N, 3, S, S) as the network takes them."""
    return np.asarray((pictures.pixels[rows].float().numpy() - config.mean) / config.std, np.float32)


def _plain(run: Path) -> tuple[configuration.Config, FittingNet, Path]:
    """Settings and network of a run, and the file with its float32 weights."""
    config = configuration.read_resolved(run / "config.json")
    net = build(config)
    net.load_state_dict(torch.load(run / "weights.pt", map_location="cpu", weights_only=True))
    plain = run / "float32.onnx"
    export_onnx(net, plain, shape=(3, config.side_px, config.side_px), names=OUTPUTS, sides=True)
    return config, net, plain


def quick(run: Path) -> Path:
    """The run's file with float16 weights, not compared with anything: for runs that never ship."""
    halve(_plain(run)[2], run / NAME)
    return run / NAME


def export(run: Path, index: Path, *, int8: str = "no", limit: int = 1500) -> dict[str, object]:
    """Write the files and return what export.json holds.

    Raises
    ------
    RuntimeError
        The file does not compute what the network computes, or is too large.
    """
    config, net, plain = _plain(run)
    pictures = load(read_rows(index, CALIBRATION)[:limit], config.labels, side_px=config.side_px)
    probe = normalised(pictures, slice(0, 8), config)
    worst = max(difference(net, plain, pixels) for pixels in (probe, probe[..., ::2, ::2]))  # the file takes any size
    if worst > TOLERANCE:
        raise RuntimeError(f"The exported file differs from torch by {worst:.1e}; at most {TOLERANCE} is allowed.")
    half = run / "float16.onnx"
    halve(plain, half)
    float_score, answers = score(plain, pictures, config, None)
    found: dict[str, object] = {
        "torch_difference": worst,
        "pictures": len(pictures),
        "float32": asdict(float_score),
        "float16": asdict(score(half, pictures, config, answers)[0]),
    }
    if int8 != "no":
        integers = run / "int8.onnx"
        to_integers(plain, integers, normalised(pictures, slice(0, 200), config))
        found["int8"] = asdict(score(integers, pictures, config, answers)[0])
    return found | ship(run / "int8.onnx" if int8 == "ship" else half, run)


def ship(chosen: Path, run: Path) -> dict[str, object]:
    """Make ``chosen`` the model file of the run; what export.json says of it.

    Raises
    ------
    RuntimeError
        The file is too large.
    """
    shipped = run / NAME
    shipped.write_bytes(chosen.read_bytes())
    size_mb = shipped.stat().st_size / 1e6
    if size_mb > LARGEST_MB:
        raise RuntimeError(f"{shipped.name} has {size_mb:.1f} MB; at most {LARGEST_MB} may ship.")
    digest = hashlib.sha256(shipped.read_bytes()).hexdigest()
    return {"shipped": chosen.stem, "sha256": digest, "opset": onnx.load(shipped).opset_import[0].version}


def main(arguments: list[str] | None = None) -> None:
    """Export one run."""
    parser = argparse.ArgumentParser(prog="python -m training.export", description=__doc__.splitlines()[0])
    parser.add_argument("--run", type=Path, required=True)
    parser.add_argument("--index", type=Path, required=True, help="file written by training.prepare")
    parser.add_argument(
        "--int8", choices=("no", "compare", "ship"), default="no", help="8-bit integers: score, or ship"
    )
    options = parser.parse_args(arguments)
    found = export(options.run, options.index, int8=options.int8)
    write_json(options.run / "export.json", found)
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
