"""A toy picture set: every class another shape and colour on a noisy ground, with a disc beside it as the reference."""

import json
from pathlib import Path
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from identify import classifier
from identify.model import Camera
from training import drawn_parts

CLASSES = {
    "compression-screw": ((200, 160, 60), 4),
    "quarter-turn-ceramic": ((190, 190, 200), 3),
    "push-non-hold-open": ((120, 60, 60), 6),
    "single-lever-cartridge": ((240, 240, 240), 5),
    "thermostatic": ((60, 60, 160), 8),
    "sensor": ((40, 120, 60), 7),
    "none": (None, 0),
}
VARIETY = {
    "compression-screw": ("spindle", ("exposed", "concealed")),
    "single-lever-cartridge": ("base", ("flat", "raised")),
}


def draw(seed: int, klass: str, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Picture (H, W, 3) RGB and mask (H, W)."""
    rng = np.random.default_rng(seed)
    w, h = size
    rgb = np.clip(rng.normal(rng.uniform(90, 170, 3), 12, (h, w, 3)), 0, 255).astype(np.uint8)
    mask = np.zeros((h, w), np.uint8)
    colour, corners = CLASSES[klass]
    if colour is not None:
        centre, reach = rng.uniform(0.35, 0.55, 2) * (w, h), rng.uniform(0.16, 0.26) * min(w, h)
        angle = np.arange(corners) / corners * 2 * np.pi + rng.uniform(0, 6)
        polygon = np.round(centre + reach * np.stack([np.cos(angle), np.sin(angle)], 1)).astype(np.int32)
        cv2.fillPoly(rgb, [polygon], tuple(int(c) for c in colour))
        cv2.fillPoly(mask, [polygon], 1)
    cv2.circle(rgb, (int(0.82 * w), int(0.82 * h)), int(0.09 * min(w, h)), (215, 180, 90), -1)
    cv2.circle(mask, (int(0.82 * w), int(0.82 * h)), int(0.09 * min(w, h)), 2, -1)
    return rgb, mask


def write_set(
    folder: Path, *, count: int, size: tuple[int, int] = (256, 256), split: str = "train", first: int = 0
) -> Path:
    """A picture folder of the training set's form."""
    (folder / "images").mkdir(parents=True)
    (folder / "masks").mkdir()
    lines = []
    names = list(CLASSES)
    for number in range(count):
        klass = names[number % len(names)]
        rgb, mask = draw(first + number, klass, size)
        file, mask_file = f"images/{number:06d}.jpg", f"masks/{number:06d}.png"
        cv2.imwrite(str(folder / file), rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
        cv2.imwrite(str(folder / mask_file), mask)
        name, answers = VARIETY.get(klass, (None, ()))
        lines.append(
            {
                "file": file,
                "mask": mask_file,
                "seed": first + number,
                "split": split,
                "class": klass,
                "variety": {name: answers[(first + number) % 2]} if name else {},
                "view": None if klass == "none" else ("lying", "standing", "installed")[number % 3],
            }
        )
    (folder / "manifest.jsonl").write_text("".join(json.dumps(line) + "\n" for line in lines), encoding="utf-8")
    return folder


@pytest.fixture(scope="session")
def toy_set(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """70 pictures to train on."""
    return write_set(tmp_path_factory.mktemp("toy") / "set", count=70)


@pytest.fixture(scope="session")
def toy_evaluation(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """28 pictures of parts never trained on, in the photo's own proportions."""
    folder = tmp_path_factory.mktemp("toy_evaluation") / "set"
    return write_set(folder, count=28, size=(400, 300), split="evaluation", first=10_000)


@pytest.fixture(scope="session")
def bar(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One picture of a stepped bar lying on the bench, with its mask and its line: a body of 24 mm beside 16 mm."""
    place = tmp_path_factory.mktemp("bars")
    pose = drawn_parts.look_at(240, 10, 30)
    made = drawn_parts.joined((30, drawn_parts.stepped((30, 16.0))), (30, drawn_parts.stepped((30, 24.0))))
    at = drawn_parts.laid(made, (0, 0), 25)
    camera = Camera(600.0, (319.5, 239.5), 0.002, "truth", 0.0)
    picture, mask = drawn_parts.draw(made, at, camera, pose, (480, 640), finer=2)
    cv2.imwrite(str(place / "bar.png"), picture[..., ::-1])
    cv2.imwrite(str(place / "mask.png"), np.asarray(mask > 0.5, np.uint8))
    seen = {
        "focal_px": 600.0,
        "k1": 0.0,
        "rotation": pose.rotation.tolist(),
        "translation_mm": pose.translation_mm.tolist(),
        "tilt_deg": 10.0,
        "distance_mm": 240.0,
    }
    axis = [at.foot_mm.tolist(), (at.foot_mm + 60 * at.along).tolist()]
    row = {"file": "bar.png", "mask": "mask.png", "view": "lying", "dimensions_mm": {"body_diameter": 24.0}, "seed": 7}
    row |= {"pose": {"axis_mm": axis, "measured_mm": [30.0, 60.0]}, "camera": seen}
    (place / "manifest.jsonl").write_text(json.dumps(row) + "\n")
    return place


@pytest.fixture(scope="module")
def bar_labels(bar: Path):
    """While it is asked for, the network's map of that picture is its mask, as coarse as the network's."""
    mask = cv2.imread(str(bar / "mask.png"), cv2.IMREAD_GRAYSCALE).astype(np.float32)
    labels = (cv2.resize(mask, (80, 60), interpolation=cv2.INTER_AREA) > 0.5).astype(np.uint8)
    seen = SimpleNamespace(recognise=lambda shot: SimpleNamespace(labels=labels))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(classifier, "load", lambda: seen)
        yield
