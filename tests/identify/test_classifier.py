import re
import shutil
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from identify import classifier, tables, weights
from identify.classifier import Look, Square, cut_square, label_map, part_square, softmax, whole_square
from identify.errors import ModelError
from identify.model import UNSURE, Photo

CARD = """
version = "test"
sha256 = "00"
classes = ["a", "b", "nothing"]
nothing = "nothing"
views = ["lying"]
[input]
side_px = 64
mean = 127.0
std = 128.0
crop_shares = []
sure_at = 0.99
[decision]
temperature = 1.5
unsure_below = 0.8
set_from = 0.1
least_part_share = 0.001
[[varieties]]
name = "kind"
answers = ["one", "two"]
classes = ["a"]
temperature = 2.0
"""


def photo(rgb: np.ndarray) -> Photo:
    return Photo("drawn", "0" * 64, rgb, rgb.shape[1], rgb.shape[0])


@pytest.fixture(scope="module")
def shipped() -> classifier.Classifier:
    return classifier.load()


@pytest.fixture
def copied(tmp_path: Path) -> Path:
    """A copy of the shipped model and card."""
    model = weights.shipped(classifier.NAME)
    for file in (model, model.with_suffix(".toml")):
        shutil.copy(file, tmp_path / file.name)
    return tmp_path / model.name


def look(square: Square, labels: np.ndarray, logits: tuple[float, ...] = (9, 0, 0)) -> Look:
    """A look whose mask says ``labels`` (h, w) with certainty."""
    mask = np.stack([np.where(labels == k, 9.0, -9.0) for k in range(3)]).astype(np.float32)
    zeros = np.zeros(2, np.float32)
    return Look(square, np.array(logits, np.float32), np.array([0], np.float32), zeros, mask, zeros)


# ---------------------------------------------------------------- files


def test_a_changed_model_file_is_refused(copied: Path):
    data = bytearray(copied.read_bytes())
    data[len(data) // 2] ^= 1
    copied.write_bytes(data)
    with pytest.raises(ModelError, match="SHA-256"):
        classifier.load(copied)


def test_a_copy_is_accepted_and_read_once(copied: Path):
    assert classifier.load(copied) is classifier.load(str(copied))


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (("temperature = 1.5\n", ""), "temperature"),
        (('nothing = "nothing"', 'nothing = "c"'), "names its classes wrongly"),
        (('["a", "b", "nothing"]', '["a", "a", "nothing"]'), "names its classes wrongly"),
        (("std = 128.0", 'std = "wide"'), "incomplete"),
        (('version = "test"', "version = "), "can't be read"),
    ],
)
def test_a_bad_card_is_refused(tmp_path: Path, change: tuple[str, str], said: str):
    path = tmp_path / "card.toml"
    path.write_text(CARD.replace(*change), encoding="utf-8")
    with pytest.raises(ModelError, match=said):
        classifier.read_card(path)


def test_a_missing_model_or_card_is_named(tmp_path: Path):
    with pytest.raises(ModelError, match="does not exist"):
        classifier.load(tmp_path / "none.onnx")
    (tmp_path / "none.onnx").write_bytes(b"x")
    with pytest.raises(ModelError, match="card"):
        classifier.load(tmp_path / "none.onnx")


def test_classes_that_the_tables_lack_are_refused(copied: Path):
    card = copied.with_suffix(".toml")
    first = next(iter(tables.load().classes))
    card.write_text(card.read_text(encoding="utf-8").replace(f'"{first}"', '"unheard-of"'), encoding="utf-8")
    with pytest.raises(ModelError, match=f"unheard-of|{first}"):
        classifier.load(copied)


def test_the_shipped_card_agrees_with_the_tables(shipped):
    blocks = tables.load().classes
    assert set(shipped.card.classes) == set(blocks)
    for head in shipped.card.varieties:
        for name in head.classes:
            assert head.answers == tuple(blocks[name].varieties[head.name])


def test_the_shipped_model_is_small():
    assert weights.shipped(classifier.NAME).stat().st_size <= 12_000_000


# ---------------------------------------------------------------- geometry


@pytest.mark.parametrize("size_hw", [(300, 400), (400, 300), (256, 256), (90, 360), (3000, 4000)])
@pytest.mark.parametrize("at", [(0.25, 0.25), (0.8, 0.6)])
def test_a_mark_lands_where_the_letter_box_says(size_hw, at):
    height, width = size_hw
    x, y = at[0] * width, at[1] * height
    rgb = np.full((height, width, 3), 20, np.uint8)
    reach = max(3, max(size_hw) // 40)
    rgb[round(y) - reach : round(y) + reach + 1, round(x) - reach : round(x) + reach + 1] = 250
    square = whole_square(size_hw)
    small = cut_square(rgb, square, 128)
    found = np.argwhere(small[..., 0] > 190).mean(axis=0)[::-1]
    scale = 128 / square.side_px
    wanted = (np.array([x + 0.5 - square.left_px, y + 0.5 - square.top_px])) * scale - 0.5
    assert found == pytest.approx(wanted, abs=0.8)


def test_a_window_beyond_the_picture_is_grey():
    rgb = np.full((50, 60, 3), 200, np.uint8)
    small = cut_square(rgb, Square(-30, -30, 60), 60)
    assert (small[:29, :29] == classifier.FILL).all()
    assert (small[31:, 31:] == 200).all()
    assert (cut_square(rgb, Square(500, 500, 10), 32) == classifier.FILL).all()


@pytest.mark.parametrize("size_hw", [(300, 400), (400, 300), (1500, 2000)])
def test_labels_lie_over_the_whole_photo_without_the_bars(size_hw):
    square = whole_square(size_hw)
    inside = np.zeros((64, 64), np.uint8)
    inside[24:40, 16:32] = 1  # in the square: x 0.25..0.5, y 0.375..0.625
    labels = label_map((look(square, inside),), size_hw, 512)
    assert max(labels.shape) == min(512, max(size_hw))
    factor = max(labels.shape) / max(size_hw)
    ys, xs = np.nonzero(labels == 1)
    left, top = square.left_px + 0.25 * square.side_px, square.top_px + 0.375 * square.side_px
    assert (xs.min(), xs.max() + 1) == pytest.approx((left * factor, (left + 0.25 * square.side_px) * factor), abs=1.5)
    assert (ys.min(), ys.max() + 1) == pytest.approx((top * factor, (top + 0.25 * square.side_px) * factor), abs=1.5)


def test_a_nearer_look_sharpens_the_map_only_where_it_looks():
    size_hw = (400, 400)
    whole = np.zeros((16, 16), np.uint8)
    whole[4:12, 4:12] = 1
    near = np.zeros((16, 16), np.uint8)
    near[:, 8:] = 1  # of the window 100..300: the part begins at x = 200
    labels = label_map((look(whole_square(size_hw), whole), look(Square(100, 100, 200), near)), size_hw, 400)
    row = labels[200]
    assert row[120:190].max() == 0
    assert row[210:290].min() == 1
    assert labels[:90].max() == 0


def test_the_second_look_is_centred_on_the_part():
    labels = np.zeros((64, 64), np.uint8)
    labels[30:34, 10:18] = 1
    labels[60, 60] = 1  # a speck does not widen the window
    near = part_square(look(whole_square((3000, 4000)), labels), (3000, 4000), 0.5)
    assert near is not None
    pixel = 4000 / 64
    assert near.side_px == pytest.approx(8 * pixel / 0.5, abs=1)
    assert near.left_px + near.side_px / 2 == pytest.approx(14 * pixel, abs=1)
    assert near.top_px + near.side_px / 2 == pytest.approx(32 * pixel - 500, abs=1)


@pytest.mark.parametrize("labels", [np.zeros((64, 64), np.uint8), np.ones((64, 64), np.uint8)])
def test_no_second_look_without_a_part_or_when_it_fills_the_photo(labels):
    assert part_square(look(whole_square((300, 400)), labels), (300, 400), 0.7) is None


def faint_look(square: Square, chance: float) -> Look:
    """A look at a part of 4 of 16 places of which the mask is no surer than ``chance``."""
    seen = look(square, np.pad(np.ones((4, 4), np.uint8), 6))
    inside = seen.mask[1] > 0
    seen.mask[:, inside] = np.log([[1 - chance - 1e-6], [chance], [1e-6]])
    return seen


def test_a_faint_part_is_where_its_probability_says():
    seen = faint_look(whole_square((1600, 1600)), 0.2)
    assert part_square(seen, (1600, 1600), 0.5) is None
    assert part_square(seen, (1600, 1600), 0.5, 0.21) is None
    assert part_square(seen, (1600, 1600), 0.5, 0.19).side_px == 800


@pytest.mark.parametrize("logits", [[1e4, -1e4, 0], [0, 0, 0], [-800, -801, -802]])
@pytest.mark.parametrize("temperature", [0.2, 1, 7])
def test_softmax_is_finite_and_sums_to_one(logits, temperature):
    p = softmax(np.array(logits, np.float32), temperature)
    assert np.isfinite(p).all()
    assert p.sum() == pytest.approx(1)


# ---------------------------------------------------------------- decisions, with a card and looks written by hand


@pytest.fixture
def bare(tmp_path: Path) -> classifier.Classifier:
    path = tmp_path / "card.toml"
    path.write_text(CARD, encoding="utf-8")
    made = classifier.Classifier.__new__(classifier.Classifier)
    made.card = classifier.read_card(path)
    return made


PART_SEEN = np.pad(np.ones((8, 8), np.uint8), 4)


@pytest.mark.parametrize(
    ("logits", "labels", "answer", "in_set"),
    [
        ((6.0, 0.0, 0.0), PART_SEEN, "a", ("a",)),
        ((1.5, 1.2, 0.0), PART_SEEN, UNSURE, ("a", "b", "nothing")),
        ((0.0, 0.0, 6.0), PART_SEEN, "nothing", ("nothing",)),
        ((0.0, 0.0, 6.0), np.zeros((16, 16), np.uint8), "nothing", ("nothing",)),
        ((6.0, 0.0, 0.0), np.zeros((16, 16), np.uint8), UNSURE, ("a",)),  # sure of a part that the mask does not see
    ],
)
def test_answer_and_set(bare, logits, labels, answer, in_set):
    said = bare.settle((look(whole_square((64, 64)), labels, logits),), (64, 64))
    assert said.answer == answer
    assert said.prediction_set == in_set
    assert sum(said.probabilities.values()) == pytest.approx(1)
    assert set(said.varieties) == ({"kind"} if answer == "a" else set())


def test_an_object_of_no_known_kind_is_unsure(bare):
    """(6, 0, 1): the odds of nothing are e^1 / (e^6 + 1), their logarithm is 1 - ln(404.4) = -5.0025."""
    seen = (look(whole_square((64, 64)), PART_SEEN, (6.0, 0.0, 1.0)),)
    for limit, answer, in_set in ((-5.0, "a", ("a",)), (-5.01, UNSURE, ("a", "nothing"))):
        bare.card = replace(bare.card, strange_by="nothing", strange_from=limit)
        said = bare.settle(seen, (64, 64))
        assert said.answer == answer
        assert said.prediction_set == in_set
    nothing = (look(whole_square((64, 64)), PART_SEEN, (0.0, 0.0, 6.0)),)
    assert bare.settle(nothing, (64, 64)).answer == "nothing"


def test_strangeness_as_worked_by_hand():
    logits = np.array([[np.log(2.0), np.log(4.0), np.log(3.0)]], np.float32)
    found = {name: float(score(logits, 2)[0]) for name, score in classifier.STRANGENESS.items()}
    assert found == pytest.approx({"nothing": np.log(3 / 6), "probability": -4 / 9, "largest logit": -np.log(4),
                                   "energy": -np.log(6)}, rel=1e-6)  # fmt: skip


def test_a_card_with_an_odd_score_is_refused(copied: Path):
    path = copied.with_suffix(".toml")
    text = path.read_text(encoding="utf-8")
    rows = [row for row in text.splitlines() if not row.startswith("strange_by")]
    rows.insert(rows.index("[decision]") + 1, 'strange_by = "vibes"')
    path.write_text("\n".join(rows), encoding="utf-8")
    with pytest.raises(ModelError, match="vibes"):
        classifier.load(copied)


def test_temperature_softens_as_worked_by_hand(bare):
    said = bare.settle((look(whole_square((64, 64)), PART_SEEN, (3.0, 0.0, 0.0)),), (64, 64))
    assert said.probabilities["a"] == pytest.approx(np.exp(2) / (np.exp(2) + 2))  # 3.0 / 1.5 = 2


def test_near_looks_decide_and_count_alike(bare):
    square = whole_square((64, 64))
    whole, near, other = (look(square, PART_SEEN, logits) for logits in ((0, 0, 6), (6, 0, 0), (0, 6, 0)))
    said = bare.settle((whole, near, other), (64, 64))
    assert said.probabilities["a"] == pytest.approx(said.probabilities["b"])
    assert said.probabilities["nothing"] < 0.1  # the look at the whole picture would have said so
    assert said.answer == UNSURE


def test_no_look_follows_a_sure_one(bare, monkeypatch):
    square, made = whole_square((64, 64)), []

    def said(self, rgb, where, number=0):
        made.append(look(where, PART_SEEN, ((0, 0, 2), (3, 0, 0), (9, 0, 0), (6, 0, 0))[len(made)]))
        return made[-1]

    monkeypatch.setattr(classifier.Classifier, "look", said)
    monkeypatch.setattr(classifier, "part_square", lambda *_: square)
    three = bare
    three.card = replace(bare.card, crop_shares=(0.7, 0.5, 0.4))
    assert len(three.looks(noise((64, 64)))) == 4
    made.clear()  # the mean after two near looks is (6, 0, 0): e^6 / (e^6 + 2) = 0.995
    assert len(three.looks(noise((64, 64)), until=0.99)) == 3
    made.clear()  # after the first near look (3, 0, 0): e^3 / (e^3 + 2) = 0.909; the whole picture's look has no weight
    assert len(three.looks(noise((64, 64)), until=0.9)) == 2
    made.clear()  # the whole picture's look alone: e^2 / (e^2 + 2) = 0.787
    assert len(three.looks(noise((64, 64)), until=0.7)) == 1
    made.clear()
    assert len(three.looks(noise((64, 64)), least=1, until=0.7)) == 2
    made.clear()
    assert len(three.looks(noise((64, 64)), near=1)) == 2


def test_a_trace_is_looked_at_nearer_where_no_part_is_seen(bare, monkeypatch, tmp_path):
    size_hw, sides = (1600, 1600), []

    def said(self, rgb, where, number=0):
        sides.append(where.side_px)
        return faint_look(where, 0.2) if number == 0 else look(where, np.pad(np.ones((8, 8), np.uint8), 4))

    monkeypatch.setattr(classifier.Classifier, "look", said)
    assert bare.card.faint_from == 0.5  # cards of before look at nothing that they don't see
    bare.card = replace(bare.card, crop_shares=(0.8, 0.5))
    rgb = np.zeros((*size_hw, 3), np.uint8)
    assert len(bare.looks(rgb)) == 1
    path = tmp_path / "faint.toml"
    path.write_text(CARD.replace("crop_shares = []", "crop_shares = [0.8, 0.5]\nfaint_from = 0.1"), encoding="utf-8")
    bare.card = classifier.read_card(path)
    sides.clear()
    assert len(bare.looks(rgb)) == 3
    assert sides == [1600, 500, 500]  # 4 of 16 places at 0.8; then 8 of 16 of that at 0.5, as its own mask says
    bare.card = bare.card.surveying()  # whose looks were chosen without
    assert len(bare.looks(rgb)) == 1


def test_the_whole_pictures_look_counts_by_its_weight(bare):
    square = whole_square((64, 64))
    looks = tuple(look(square, PART_SEEN, logits) for logits in ((0, 0, 6), (6, 0, 0), (0, 6, 0)))
    bare.card = replace(bare.card, whole_weight=0.25, temperature=1.0)
    said = bare.settle(looks, (64, 64)).probabilities  # 0.75 × (3, 3, 0) + 0.25 × (0, 0, 6)
    total = 2 * np.exp(2.25) + np.exp(1.5)
    assert list(said.values()) == pytest.approx([np.exp(2.25) / total, np.exp(2.25) / total, np.exp(1.5) / total])
    assert bare.sureness(looks) == pytest.approx(np.exp(2.25) / total)
    assert bare.sureness(looks[:1]) == pytest.approx(np.exp(6) / (np.exp(6) + 2))


@pytest.mark.parametrize(
    ("logits", "answer", "in_set", "possible"),
    [
        ((3.0, 1.9, 0.0), UNSURE, ("a",), ("a", "b")),  # 0.72, 0.24 and 0.04: above a tenth is not ruled out
        ((3.0, 2.7, 0.0), UNSURE, ("a", "b"), ("a", "b")),  # 0.56, 0.41 and 0.03
        ((3.0, 0.0, 0.0), "a", ("a",), ("a",)),  # 0.91
        ((1.0, 0.8, 0.7), UNSURE, ("a",), ("a", "b", "nothing")),  # 0.39, 0.32 and 0.29
    ],
)
def test_an_unsure_answer_rules_out_less_than_the_set_leaves(bare, logits, answer, in_set, possible):
    bare.card = replace(bare.card, temperature=1.0, unsure_below=0.8, set_from=0.35)
    said = bare.settle((look(whole_square((64, 64)), PART_SEEN, logits),), (64, 64))
    assert (said.answer, said.prediction_set, said.possible) == (answer, in_set, possible)


@pytest.mark.parametrize("part_px", [0, 1, 2, 3, 6, 12])
@pytest.mark.parametrize("least", [0.0005, 0.004, 0.02, 0.1])
def test_without_a_map_the_answer_is_the_same(bare, part_px, least):
    labels = np.zeros((16, 16), np.uint8)
    labels[4 : 4 + part_px, 4 : 4 + part_px] = 1
    bare.card = replace(bare.card, least_part_share=least)
    looks = (look(whole_square((64, 64)), labels, (6.0, 0.0, 0.0)),)
    assert bare.settle(looks, (64, 64)).answer == bare.settle(looks, (64, 64), mapped=False).answer
    assert bare.settle(looks, (64, 64), mapped=False).labels is None


def test_a_card_of_before_takes_all_near_looks_in_a_survey(bare, tmp_path):
    assert bare.card.whole_weight == 0.0
    assert bare.card.surveying() == bare.card
    path = tmp_path / "old.toml"
    path.write_text(CARD.replace("crop_shares = []", "crop_shares = [0.7, 0.5]"), encoding="utf-8")
    card = classifier.read_card(path)
    assert card.surveying() == card
    assert card.crop_shares == (0.7, 0.5)
    assert not card.hasty


def test_a_survey_looks_as_its_card_says(bare, tmp_path):
    path = tmp_path / "swift.toml"
    keys = "looks = 1\nsure_at = 0.8\nwhole_weight = 0.3\nfirst_px = 32\nturns = true\ntemperature = 0.9"
    text = CARD.replace("crop_shares = []", "crop_shares = [0.7, 0.5]")
    path.write_text(text.replace("[decision]", f"[survey]\n{keys}\n[decision]"), encoding="utf-8")
    card = classifier.read_card(path)
    assert (card.first_px, card.turns, card.hasty, card.whole_weight) == (card.input_px, False, False, 0.0)
    swift = card.surveying()
    assert (swift.crop_shares, swift.sure_at, swift.whole_weight) == ((0.7,), 0.8, 0.3)
    assert (swift.first_px, swift.turns, swift.hasty) == (32, True, True)
    assert (swift.temperature, swift.unsure_below) == (0.9, card.unsure_below)


def test_where_a_hasty_look_sees_no_part_the_whole_is_looked_at_again(bare, monkeypatch):
    near, wheres = classifier.Square(8.0, 8.0, 16.0), []

    def said(self, rgb, where, number):
        wheres.append((number, where.side_px))
        return look(where, PART_SEEN, (1, 0, 0))

    monkeypatch.setattr(classifier.Classifier, "look", said)
    seen = iter([None, near, None, None])
    monkeypatch.setattr(classifier, "part_square", lambda *_: next(seen))
    shares = replace(bare.card, crop_shares=(0.7, 0.5, 0.4))
    bare.card = replace(shares, turns=True)
    assert len(bare.looks(noise((64, 64)))) == 3  # the second one saw a part, the third one none
    assert wheres == [(0, 64.0), (1, 64.0), (2, 16.0)]
    bare.card = shares  # a look that was not hasty would see the same again
    assert len(bare.looks(noise((64, 64)))) == 1


class Parrot:
    """Stands for the runtime: answers what it was fed."""

    def __init__(self):
        self.fed = []

    def get_inputs(self):
        return [SimpleNamespace(name="pixels", shape=["batch", 3, "height", "width"])]

    def get_overridable_initializers(self):
        return [SimpleNamespace(name=classifier.NETWORKS, shape=[2])]

    def run(self, names, fed):
        self.fed.append(fed)
        return [np.zeros((1, 3), np.float32)] * len(names)


def test_networks_take_turns_and_the_first_look_is_smaller(bare):
    parrot = Parrot()
    card = replace(bare.card, input_px=64, first_px=32, turns=True)
    network = classifier.Classifier(card, parrot)
    square = whole_square((64, 64))
    looks = [network.look(noise((64, 64)), square, number) for number in range(3)]
    assert [fed["pixels"].shape[2:] for fed in parrot.fed] == [(32, 32), (64, 64), (64, 64)]
    assert [fed[classifier.NETWORKS].tolist() for fed in parrot.fed] == [[True, False], [False, True], [True, False]]
    assert [look.passes for look in looks] == [1 / 8, 1 / 2, 1 / 2]
    parrot.fed.clear()
    whole = network.with_card(replace(bare.card, input_px=64, first_px=64)).look(noise((64, 64)), square)
    assert list(parrot.fed[0]) == ["pixels"]
    assert whole.passes == 1


class Disagreeing(Parrot):
    """Two networks of which the second sees a part where the first sees none."""

    def run(self, names, fed):
        self.fed.append(fed)
        masks = [look(whole_square((64, 64)), labels).mask for labels in (np.zeros((16, 16), np.uint8), PART_SEEN)]
        asked = fed.get(classifier.NETWORKS, np.array([True, True]))
        mask = np.mean([mask for mask, heard in zip(masks, asked, strict=True) if heard], axis=0)
        return [mask[None] if name == "mask" else np.zeros((1, 3), np.float32) for name in names]


@pytest.mark.parametrize(("aimed_by", "seen"), [(0, False), (1, True)])
def test_one_network_may_aim_the_near_looks(bare, aimed_by, seen):
    both, alone = Disagreeing(), Disagreeing()
    card = replace(bare.card, input_px=64, first_px=64, crop_shares=(0.8,))
    square, rgb = whole_square((1600, 1600)), noise((1600, 1600))
    plain = classifier.Classifier(card, both).look(rgb, square)
    network = classifier.Classifier(replace(card, aimed_by=aimed_by), alone)
    aimed = network.look(rgb, square)
    assert aimed.mask == pytest.approx(plain.mask)
    assert aimed.passes == plain.passes == 1
    assert [fed[classifier.NETWORKS].tolist() for fed in alone.fed] == [[True, False], [False, True]]
    assert (classifier.part_square(aimed, (1600, 1600), 0.8) is not None) == seen
    near = network.look(rgb, square, 1)
    assert near.aim is None
    assert classifier.NETWORKS not in alone.fed[-1]
    assert len(network.looks(rgb)) == 1 + seen


def test_networks_that_are_asked_one_by_one_say_together_what_they_say_at_once(shipped):
    rgb, square = noise((256, 256)), whole_square((256, 256))
    apart, at_once = (
        shipped.with_card(replace(shipped.card, aimed_by=number)).look(rgb, square) for number in (0, None)
    )
    for name in classifier.OUTPUTS:
        assert getattr(apart, name) == pytest.approx(getattr(at_once, name), abs=1e-4)


@pytest.mark.parametrize("said", ["turns = true", "first_px = 128", "aimed_by = 1"])
def test_a_card_that_wants_what_the_file_can_not_is_refused(copied: Path, monkeypatch, said: str):
    path = copied.with_suffix(".toml")
    head, rest = path.read_text(encoding="utf-8").split("[decision]")
    head = re.sub(r"aimed_by.*\n", "", head.split("[survey]")[0])
    block = said if said.startswith("aimed_by") else f"[survey]\n{said}"
    path.write_text(f"{head.rstrip()}\n{block}\n[decision]{rest}", encoding="utf-8")
    session = SimpleNamespace(
        get_outputs=lambda: [SimpleNamespace(name=name) for name in classifier.OUTPUTS],
        get_inputs=lambda: [SimpleNamespace(name="pixels", shape=["batch", 3, 256, 256])],
        get_overridable_initializers=list,
    )
    monkeypatch.setattr(classifier.weights, "session", lambda data: session)
    with pytest.raises(ModelError, match="calibrate it again"):
        classifier.load(copied)


# ---------------------------------------------------------------- the shipped model on drawn pictures


def noise(size_hw: tuple[int, int], seed: int = 3) -> np.ndarray:
    return np.random.default_rng(seed).integers(0, 256, (*size_hw, 3), np.uint8)


def gradient(size_hw: tuple[int, int]) -> np.ndarray:
    h, w = size_hw
    return np.broadcast_to(np.linspace(40, 220, w, dtype=np.uint8)[None, :, None], (h, w, 3)).copy()


BLANKS = {
    "white": np.full((480, 640, 3), 250, np.uint8),
    "grey": np.full((480, 640, 3), 127, np.uint8),
    "black": np.zeros((640, 480, 3), np.uint8),
    "gradient": gradient((480, 640)),
    "noise": noise((480, 640)),
}


@pytest.mark.parametrize("name", BLANKS)
def test_a_blank_picture_is_no_confident_class(shipped, name):
    said = shipped.recognise(photo(BLANKS[name]))
    assert said.answer in (UNSURE, shipped.card.nothing), said.probabilities
    assert said.varieties == {}


@pytest.mark.parametrize("size_hw", [(3000, 4000), (4000, 3000), (240, 320)])
def test_a_photo_of_any_size(shipped, size_hw):
    said = shipped.recognise(photo(gradient(size_hw)))
    assert sum(said.probabilities.values()) == pytest.approx(1, abs=1e-9)
    assert tuple(said.probabilities) == shipped.card.classes
    assert max(said.probabilities, key=said.probabilities.get) in said.prediction_set
    assert said.answer == UNSURE or said.answer in said.prediction_set
    assert said.view in shipped.card.views
    assert said.model_sha256 == shipped.card.sha256
    height, width = said.labels.shape
    assert said.labels.dtype == np.uint8
    assert said.labels.max() <= 2
    assert height / width == pytest.approx(size_hw[0] / size_hw[1], rel=0.01)


def test_the_same_photo_gives_the_same_answer(shipped):
    rgb = noise((300, 400))
    first, second = (shipped.recognise(photo(rgb)) for _ in range(2))
    assert first.probabilities == second.probabilities
    assert (first.labels == second.labels).all()


def test_more_pixels_of_the_same_scene_change_nothing(shipped):
    """Area averages of whole blocks of equal pixels are exact, so that the network sees the same numbers."""
    side = shipped.card.input_px
    scene = noise((side * 3 // 4, side))
    small, large = (np.repeat(np.repeat(scene, times, axis=0), times, axis=1) for times in (2, 8))
    p, q = (np.array(list(shipped.recognise(photo(rgb)).probabilities.values())) for rgb in (small, large))
    if len(shipped.looks(small)) == 1:
        assert p == pytest.approx(q, abs=1e-6)
    else:  # the second look's window is rounded to whole pixels of the photo
        assert p == pytest.approx(q, abs=0.05)


def test_another_card_changes_the_decision_only(shipped):
    strict = shipped.with_card(replace(shipped.card, unsure_below=1.01))
    said = strict.recognise(photo(BLANKS["white"]))
    assert said.answer == UNSURE
    assert said.probabilities == shipped.recognise(photo(BLANKS["white"])).probabilities
