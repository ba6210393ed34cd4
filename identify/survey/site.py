"""Where a survey's photos lie: the files of a folder or a ZIP, and the building, floor and room that they show."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from identify.errors import UsageError
from identify.survey import archive, store
from identify.survey.store import Place, Url

PLACES = "building/floor/room"
NAMELESS = "-"  # a folder level of the pattern that is not wanted in the schedule
PICTURES = frozenset(
    ".jpg .jpeg .jpe .png .webp .tif .tiff .bmp .gif .avif .heic .heif".split()  # what photo.load can read
)


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo of the survey.

    Parameters
    ----------
    file : its name in the schedule, from the survey's folder on, with slashes.
    path : the file, or the ZIP that holds it, from the root on; or its URL.
    entry : its name in the ZIP; empty where it is a file.
    places : one name each place of the pattern, outermost first; empty where there are fewer folders.
    """

    file: str
    path: str
    entry: str
    places: tuple[str, ...]


def read_pattern(pattern: str) -> tuple[str, ...]:
    """The places that the folders above a photo stand for, outermost first.

    Raises
    ------
    UsageError
        A place has no name, or two have the same.

    Examples
    --------
    >>> read_pattern("site/-/room")
    ('site', '-', 'room')
    """
    names = tuple(name.strip().lower() for name in pattern.split("/"))
    wanted = [name for name in names if name != NAMELESS]
    if not wanted or "" in names or len(set(wanted)) != len(wanted):
        raise UsageError(f"--places {pattern!r}: name each folder level once, for example {PLACES} or site/-/room.")
    return names


def find(source: Place, pattern: Sequence[str]) -> tuple[Shot, ...]:
    """All photos of a folder or a ZIP in the order of their names; hidden files and linked folders are left out.

    Raises
    ------
    UsageError
        There is no such folder or ZIP, it or a folder in it can't be read, it holds no photo, or the ZIP is refused.
    """
    zipped = store.is_file(source) if isinstance(source, Url) else source.is_file()
    if zipped:
        whole = str(source) if isinstance(source, Url) else str(source.absolute())
        files: Iterator[tuple[str, str, str]] = ((entry, whole, entry) for entry in archive.entries(source))
    elif isinstance(source, Url):
        files = ((name, url, "") for name, url in store.files(source))
    elif source.is_dir():
        files = _of_folder(source)
    else:
        raise UsageError(f"{source} is neither a folder nor a ZIP; name the folder that holds the photos.")
    top = _top(source, zipped)
    shots = [
        Shot(_shown(name), path, entry, _places(_shown(name), top, pattern))
        for name, path, entry in files
        if _is_photo(name)
    ]
    if not shots:
        raise UsageError(f"{source} holds no photo ({', '.join(sorted(PICTURES))}); name the folder that does.")
    return tuple(sorted(shots, key=lambda shot: shot.file))


def _top(source: Place, zipped: bool) -> str:
    """The survey's own folder, or the ZIP without its ending."""
    name = Url(str(source).rstrip("/")) if isinstance(source, Url) else source.resolve()
    return _shown(name.stem if zipped else name.name)


def _of_folder(folder: Path) -> Iterator[tuple[str, str, str]]:
    def refuse(why: OSError) -> None:
        raise UsageError(f"Can't read the folder {why.filename} ({why.strerror}); check its permissions.") from why

    for here, _, names in os.walk(folder.absolute(), onerror=refuse):
        for name in names:
            path = Path(here) / name
            yield path.relative_to(folder.absolute()).as_posix(), str(path), ""


def _is_photo(name: str) -> bool:
    path = PurePosixPath(name)
    hidden = any(part.startswith((".", "__MACOSX")) for part in path.parts)
    return not hidden and path.suffix.lower() in PICTURES


def _shown(name: str) -> str:
    """A file name that can be written anywhere: bytes that are no UTF-8 and control characters as question marks."""
    text = name.encode("utf-8", "replace").decode("utf-8")
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def _places(file: str, top: str, pattern: Sequence[str]) -> tuple[str, ...]:
    """The last folders above the photo; the survey's own folder counts as the outermost one."""
    folders = [top, *PurePosixPath(file).parts[:-1]][-len(pattern) :]
    filled = [""] * (len(pattern) - len(folders)) + folders
    return tuple(folder for name, folder in zip(pattern, filled, strict=True) if name != NAMELESS)
