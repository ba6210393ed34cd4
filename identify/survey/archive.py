"""ZIP files of photos: looked over before anything is read; photos are read from them into memory, never unpacked."""

from __future__ import annotations

import stat
import zipfile
import zlib
from functools import lru_cache
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import BinaryIO

from identify.errors import PhotoError, UsageError
from identify.survey import store
from identify.survey.store import Place, Url

MAX_ENTRIES = 50_000
MAX_TOTAL_BYTES = 60_000_000_000
MAX_RATIO = 100.0  # photos are compressed already: a ZIP makes them hardly smaller
RATIO_FROM_BYTES = 1_000_000  # below this no ratio does harm
ARCHIVES = (".zip", ".7z", ".rar", ".tar", ".gz", ".tgz", ".bz2", ".xz", ".zst")
_DAMAGE = (zipfile.BadZipFile, zlib.error, NotImplementedError, OSError, EOFError, ValueError, RuntimeError)


def entries(path: Place) -> tuple[str, ...]:
    """Names of the files in a ZIP.

    Raises
    ------
    UsageError
        It is no ZIP, or one that no camera or file manager makes of photos: names that lead out of its folder or come
        twice, links, passwords, archives within, too many files, too many bytes, or far too strongly compressed.
    """
    try:
        with _open(path) as file, zipfile.ZipFile(file) as listed:
            found = [entry for entry in listed.infolist() if not entry.is_dir()]
    except PhotoError as why:  # the store's reason
        raise UsageError(f"{path}: {why}") from why
    except _DAMAGE as why:
        raise UsageError(f"{path} is not a ZIP that can be read; name a folder, or pack the photos again.") from why
    names = [entry.filename for entry in found]
    refusal = next(filter(None, map(_refusal, found)), "")
    if not refusal and len(found) > MAX_ENTRIES:
        refusal = f"it holds {len(found)} files, more than {MAX_ENTRIES}"
    if not refusal and sum(entry.file_size for entry in found) > MAX_TOTAL_BYTES:
        refusal = f"it unpacks to more than {MAX_TOTAL_BYTES / 1e9:.0f} GB"
    if not refusal and len(set(names)) != len(names):
        refusal = "it holds two files of one name"
    if refusal:
        raise UsageError(f"{path} is refused: {refusal}. Unpack it where that does no harm and name the folder.")
    return tuple(names)


def _refusal(entry: zipfile.ZipInfo) -> str:
    name = entry.filename
    path = PurePosixPath(name.replace("\\", "/"))
    if path.is_absolute() or ".." in path.parts or PureWindowsPath(name).drive:
        return f"{name!a} leads out of its folder"
    if path.suffix.lower() in ARCHIVES:
        return f"{name!a} is an archive within the archive"
    if stat.S_ISLNK(entry.external_attr >> 16):
        return f"{name!a} is a link"
    if entry.flag_bits & 0x1:
        return f"{name!a} has a password"
    if entry.file_size > max(RATIO_FROM_BYTES, MAX_RATIO * entry.compress_size):
        return f"{name!a} unpacks to {entry.file_size / max(1, entry.compress_size):.0f} times its size"
    return ""


def read(path: str, entry: str, most_bytes: int) -> bytes:
    """The first ``most_bytes`` of one file of a ZIP, which may lie in a store.

    Raises
    ------
    PhotoError
        The file can't be read, or does not match its checksum.
    """
    try:
        written = 0 if store.is_url(path) else Path(path).stat().st_mtime_ns
        with _opened(path, written).open(entry) as file:
            return file.read(most_bytes)
    except PhotoError:
        raise
    except (*_DAMAGE, KeyError) as why:
        raise PhotoError("The photo is damaged in the ZIP; pack it again.") from why


@lru_cache(maxsize=1)
def _opened(path: str, written: int) -> zipfile.ZipFile:
    """Kept open: reading the list of a large ZIP anew for each photo would take longer than the photo."""
    where = store.place(path)
    return zipfile.ZipFile(_open(where) if isinstance(where, Url) else where)


def _open(path: Place) -> BinaryIO:
    return store.opened(str(path)) if isinstance(path, Url) else path.open("rb")
