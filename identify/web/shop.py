"""What one running page shares among its users: the open jobs, the stock list in use, the records, the surveys."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field
from pathlib import Path

from identify.job import Desk
from identify.records import Records
from identify.tables.stock import Stock

AT_ONCE = 2  # photos that are looked at side by side


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
    turns: threading.BoundedSemaphore = field(default_factory=lambda: threading.BoundedSemaphore(AT_ONCE))
