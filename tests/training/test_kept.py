"""A network of the model file that ships, as a run folder of its own."""

import json
import tomllib
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="the training extra is not installed")
pytest.importorskip("timm", reason="the training extra is not installed")

from identify import classifier, weights  # noqa: E402
from training import config, export, kept  # noqa: E402

pytestmark = pytest.mark.train
SHIPPED = weights.shipped(classifier.NAME)


@pytest.mark.parametrize("number", [0, 1])
def test_what_is_kept_says_what_the_file_s_network_says(number: int, tmp_path: Path) -> None:
    kept.main(["--file", str(SHIPPED), "--network", ("first", "second")[number], "--out", str(tmp_path)])
    export.quick(tmp_path)
    pixels = np.random.default_rng(0).normal(0, 0.6, (1, 3, 256, 256)).astype(np.float32)
    alone = export.session(tmp_path / "float32.onnx").run(["logits"], {"pixels": pixels})[0]
    shipped = classifier.load()
    asked = {shipped._input: pixels, classifier.NETWORKS: np.arange(2) == number}
    said = shipped._session.run(["logits"], asked)[0]
    other = shipped._session.run(["logits"], asked | {classifier.NETWORKS: np.arange(2) != number})[0]
    # the file computes with integers of seven bits, what is kept with the floats that they stand for
    assert np.abs(alone - said).max() < 0.5 * np.abs(alone - other).max()


def test_the_run_says_what_the_network_learnt_from(tmp_path: Path) -> None:
    kept.main(["--file", str(SHIPPED), "--network", "second", "--out", str(tmp_path)])
    metrics = json.loads((tmp_path / "metrics.json").read_text())
    card = tomllib.loads(SHIPPED.with_suffix(".toml").read_text())
    assert metrics["pictures"]["train"] == card["training"]["pictures"]
    assert [source["manifest_sha256"] for source in metrics["sources"]] == card["training"]["manifests"]
    assert metrics["steps"] > 0
    assert tuple(config.read_resolved(tmp_path / "config.json").labels.classes) == tuple(card["classes"])


def test_a_file_without_records_is_refused(tmp_path: Path) -> None:
    alone = tmp_path / SHIPPED.name
    alone.write_bytes(SHIPPED.read_bytes())
    with pytest.raises(ValueError, match=r"run has no metrics\.json"):
        kept.records(alone, 0)
