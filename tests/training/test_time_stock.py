"""The list that is drawn to be timed is one that a shop could have."""

from identify import tables
from identify.rules import shelf
from identify.tables import stock
from training import time_stock


def test_the_drawn_list_is_sound_and_belongs_to_generic_rows(tmp_path):
    known = tables.load()
    path = tmp_path / "list.csv"
    path.write_text(time_stock.drawn(300, known), encoding="utf-8")
    own = stock.read(path, known)
    assert len(own.rows) == 300
    laid = shelf.lay_out(own, known)
    assert len({variant for at, _ in laid.families.values() for variant in at.tolist()}) > 250
