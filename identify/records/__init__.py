"""Cases as the shop keeps them: what was said of a part, and what was really handed out.

SQLite in the user's own folder, or a PostgreSQL server that several counters share. What is acknowledged is on disk.
"""

from __future__ import annotations

from identify.records.kept import Confirmation, KeptCase, Line
from identify.records.names import case_name
from identify.records.store import Records

__all__ = ["Confirmation", "KeptCase", "Line", "Records", "case_name", "open_records"]


def open_records(url: str | None = None, *, keep_photos: bool = True) -> Records:
    """Open the records, and bring their layout up to date.

    Parameters
    ----------
    url : sqlite:///FILE, postgresql://USER@HOST/DATABASE, or the name of a file; TAPWRIGHT_RECORDS, or the user's
        own file, where None.
    keep_photos : keep pictures too, without place, time, device or owner; else only their hashes.

    Raises
    ------
    UsageError
        The URL can't be read.
    RecordsError
        Libraries are missing, the database can't be opened, or a newer program made it.
    """
    return Records(url, keep_photos=keep_photos)
