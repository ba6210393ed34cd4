"""What one running page shares among its users: the open jobs, the stock list in use, the records, the surveys."""

from __future__ import annotations

import secrets
import shutil
import threading
from collections import OrderedDict
from dataclasses import dataclass, field
from pathlib import Path

from identify.errors import UsageError
from identify.job import Benches, Desk
from identify.records import Records
from identify.survey.review import Review
from identify.tables.stock import Stock

AT_ONCE = 2  # photos that are looked at side by side
MOST_SURVEYS = 6
SCHEDULE = "schedule.xlsx"


class Surveys:
    """The finished surveys that are open for review, each in a folder of its own; the oldest are put away."""

    def __init__(self, folder: Path, most: int = MOST_SURVEYS) -> None:
        self._folder, self._most = folder, most
        self._reviews: OrderedDict[str, Review] = OrderedDict()
        self._lock = threading.Lock()

    def room(self) -> tuple[str, Path]:
        """A new survey's key, and the folder to work in."""
        key = secrets.token_urlsafe(18)
        folder = self._folder / key
        folder.mkdir(parents=True, mode=0o700)
        return key, folder

    def lay(self, key: str) -> Review:
        """Open the survey that was finished in its room."""
        review = Review(self._folder / key / SCHEDULE)
        with self._lock:
            self._reviews[key] = review
            gone = [self._reviews.popitem(last=False)[0] for _ in range(len(self._reviews) - self._most)]
        for each in gone:
            self.clear(each)
        return review

    def clear(self, key: str) -> None:
        """Delete a survey's room."""
        shutil.rmtree(self._folder / key, ignore_errors=True)

    def take(self, key: str) -> Review:
        """The survey of that key.

        Raises
        ------
        UsageError
            It was put away, or never was there.
        """
        with self._lock:
            review = self._reviews.get(key)
        if review is None:
            raise UsageError("This survey is no longer open; send its photos again.")
        return review


def photo_files(review: Review) -> list[str]:
    """All photos of a survey, in an order that no decision changes: their place in it names their pictures."""
    return sorted(row.shot.file for row in review.schedule.rows)


@dataclass(slots=True)
class Shop:
    """Everything the page's handlers need.

    Parameters
    ----------
    uploads : folder in which the page's uploads arrive; nothing outside it is ever read on a user's word.
    work : folder for what a survey needs while it is open.
    stock, stock_name : the shop's own list in use, and what to call it.
    """

    uploads: Path
    work: Path
    records: Records | None = None
    stock: Stock | None = None
    stock_name: str = ""
    desk: Desk = field(default_factory=Desk)
    benches: Benches = field(default_factory=lambda: Benches(AT_ONCE))
    surveys: Surveys = field(init=False)

    def __post_init__(self) -> None:
        self.surveys = Surveys(self.work)
