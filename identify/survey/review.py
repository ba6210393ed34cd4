"""A finished survey looked through by a person: the doubtful photos first, decisions written back, a new schedule.

What the program said stays in the schedule beside what was decided. Decisions lie in a file of their own that only
grows, so they outlive a kill, and also a new run of the survey.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping

from identify.errors import UsageError
from identify.survey import decisions, inventory, picture, progress
from identify.survey.inventory import beside
from identify.survey.schedule import Row, Schedule, draw_up
from identify.survey.store import Place

SHOWN_PX = 1600


class Review:
    """A survey that is looked through.

    Parameters
    ----------
    out : the schedule that the survey wrote.

    Raises
    ------
    UsageError
        There is no such survey, or a file beside the schedule is missing or damaged.
    """

    def __init__(self, out: Place) -> None:
        self.out = out
        self._listed = inventory.read(beside(out, inventory.PHOTOS))
        found = progress.findings(beside(out, inventory.PROGRESS), self._listed.recipe)
        entries = [entry for entry in self._listed.entries if entry.error or entry.sha256 in found]
        if len(entries) < len(self._listed.entries):
            raise UsageError(f"{beside(out, inventory.PROGRESS)} lacks photos of the schedule; run the survey again.")
        self._rows = [
            Row(entry.shot, None if entry.error else found[entry.sha256], entry.error, entry.sha256)
            for entry in entries
        ]
        self._draw()

    @property
    def schedule(self) -> Schedule:
        """All rows as they stand now; its ``queue`` holds those that need a look."""
        return self._schedule

    def row(self, file: str) -> Row:
        """The row of a photo, by its name in the schedule.

        Raises
        ------
        UsageError
            The schedule has no such photo.
        """
        found = next((row for row in self._schedule.rows if row.shot.file == file), None)
        if found is None:
            close = difflib.get_close_matches(file, [row.shot.file for row in self._rows], n=1, cutoff=0.3)
            hint = f"; did you mean {close[0]}?" if close else "; the column photo has the names."
            raise UsageError(f"The schedule has no photo {file!r}{hint}")
        return found

    def decide(
        self,
        file: str,
        answer: str,
        *,
        varieties: Mapping[str, str] | None = None,
        apart: bool = False,
        note: str = "",
        by: str = "",
    ) -> Row:
        """Write a decision down, safe on the disk when this returns; the written schedule is older until `rewrite`.

        It holds for all photos that are joined with this one.

        Parameters
        ----------
        file : the photo's name in the schedule.
        answer : class id.
        varieties : name to answer, as the tables have them for that class.
        apart : the photo shows another tap than those that it is joined with.
        by : who decided.

        Returns
        -------
        Row
            The photo's new row.

        Raises
        ------
        UsageError
            There is no such photo, class or variety, or the decision can't be written.
        """
        if not answer:
            raise UsageError(f"Name the class of {file}, or take the decision about it back.")
        words = {"varieties": varieties, "apart": apart, "note": note, "by": by}
        return self._written(decisions.made(file, self.row(file).sha256, answer, **words))  # type: ignore[arg-type]

    def take_back(self, file: str, *, by: str = "") -> Row:
        """What the program said stands again. Raises UsageError where nothing was decided about this very photo."""
        row = self.row(file)
        if row.decision is None or row.decision.file != file:
            where = f"; the one about {row.decision.file} holds for it" if row.decision is not None else ""
            raise UsageError(f"There is no decision about {file} to take back{where}.")
        return self._written(decisions.made(file, row.sha256, "", by=by))

    def rewrite(self) -> tuple[Place, ...]:
        """Write the schedule anew with all decisions; the files, the first sheet's first."""
        self._draw()
        return picture.write(self._schedule, self.out, thumbnails=self._listed.thumbnails)

    def picture(self, file: str, side_px: int = SHOWN_PX) -> bytes:
        """A JPEG of a photo without metadata. Raises PhotoError where it is gone or can't be read."""
        return picture.small(self.row(file).shot, side_px)

    def _written(self, decision: decisions.Decision) -> Row:
        decisions.write(beside(self.out, inventory.DECISIONS), decision)
        self._draw()
        return self.row(decision.file)

    def _draw(self) -> None:
        decided = decisions.standing(beside(self.out, inventory.DECISIONS))
        self._schedule = draw_up(self._listed.place_names, self._rows, decided)
