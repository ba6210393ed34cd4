"""Where photos and schedules lie when that is not this machine: stores with a URL, such as s3:// or gs://.

A store is reached through fsspec; each kind but memory and plain folders needs a package of its own. ZIP files in a
store are looked over by our own rules like any other, so ``zip://::URL`` means the ZIP at that URL.
"""

from __future__ import annotations

import contextlib
import importlib.util
import re
import urllib.parse
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO

from identify.errors import PhotoError, UsageError

_SCHEME = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+)://")
_ZIP = "zip://::"


@dataclass(frozen=True, slots=True)
class Url:
    """The address of a file in a store, with the parts that a path has."""

    text: str

    def __str__(self) -> str:
        return self.text

    @property
    def name(self) -> str:
        """After the last slash."""
        return self.text.rpartition("/")[2]

    @property
    def stem(self) -> str:
        """The name without its ending."""
        return PurePosixPath(self.name).stem

    @property
    def suffix(self) -> str:
        """The ending, with its dot."""
        return PurePosixPath(self.name).suffix

    def with_name(self, name: str) -> Url:
        """A file beside this one."""
        return Url(f"{self.text.rpartition('/')[0]}/{name}")


Place = Path | Url


def place(text: str) -> Place:
    """A path of this machine, or the address of something in a store; ``file://`` is a path.

    Raises
    ------
    UsageError
        It is a chain of addresses that are not a ZIP at a URL, or holds a password.

    Examples
    --------
    >>> place("file:///photos/north%202"), place("zip://::s3://photos/north.zip"), place("photos")
    (PosixPath('/photos/north 2'), Url(text='s3://photos/north.zip'), PosixPath('photos'))
    """
    address = text.removeprefix(_ZIP)
    if "::" in address and _SCHEME.match(address):
        raise UsageError(f"{text} is a chain of addresses; name a folder or a ZIP by its own URL, such as s3://…")
    scheme = _SCHEME.match(address)
    if scheme is None:
        return Path(address)
    if urllib.parse.urlsplit(address).password is not None:
        raise UsageError("The address holds a password; put it where the store's own tools look for it.")
    if scheme[1].lower() == "file":
        return Path(urllib.parse.unquote(address[scheme.end() :]))
    return Url(address)


def is_url(text: str) -> bool:
    """Whether a text is the address of something in a store."""
    return _SCHEME.match(text) is not None


def files(url: Url) -> Iterator[tuple[str, str]]:
    """Name and URL of every file below a folder; the name from the folder on, with slashes.

    Raises
    ------
    UsageError
        The store can't be reached, or holds no such folder.
    """
    system, root = _reached(url)
    with _told(url):
        found = system.find(root)
        if not found:
            raise UsageError(f"{url} is no folder that holds files; check the address.")
        for path in found:
            yield path[len(root) :].lstrip("/"), system.unstrip_protocol(path)


def is_file(url: Url) -> bool:
    """Whether there is a file of that address. UsageError where the store can't be reached."""
    system, path = _reached(url)
    with _told(url):
        return bool(system.isfile(path))


def opened(url: str) -> BinaryIO:
    """A file of a store, to read from and to seek in.

    Raises
    ------
    PhotoError
        It is gone, or the store can't be reached.
    """
    try:
        system, path = _reached(Url(url))
        return system.open(path, "rb")
    except FileNotFoundError as why:
        raise PhotoError("The photo is no longer there; run the survey again.") from why
    except UsageError as why:
        raise PhotoError(str(why)) from why
    except Exception as why:  # each kind of store has errors of its own
        raise PhotoError(f"The photo can't be fetched ({_reason(why)}); run the survey again.") from why


def put(url: Url, content: bytes) -> None:
    """Write a file. UsageError where that is not possible."""
    system, path = _reached(url)
    with _told(url):
        system.makedirs(path.rpartition("/")[0], exist_ok=True)
        system.pipe_file(path, content)


def check(url: Url) -> None:
    """Raise UsageError where what reaches such a store is not installed."""
    _reached(url)


def _reached(url: Url) -> tuple[Any, str]:
    if importlib.util.find_spec("fsspec") is None:
        raise UsageError(f"{url} needs fsspec: pip install 'tapwright[remote]', or copy the files to this machine.")
    from fsspec.core import url_to_fs
    from fsspec.registry import known_implementations

    scheme = _SCHEME.match(url.text)
    kind = scheme[1].lower() if scheme else ""
    if kind not in known_implementations:
        raise UsageError(f"{url} is of no known kind of store; name a folder, or a URL such as s3://… or gs://…")
    try:
        return url_to_fs(url.text)
    except ImportError as why:
        package = known_implementations[kind]["class"].partition(".")[0]
        hint = known_implementations[kind].get("err", str(why))
        lack = f"needs the package {package}: pip install {package}" if package != "fsspec" else f"needs more: {hint}"
        raise UsageError(f"{url} {lack}, or copy the files to this machine.") from why
    except Exception as why:  # each kind of store has errors of its own
        raise UsageError(f"{url} can't be reached ({_reason(why)}); check the address and the credentials.") from why


@contextlib.contextmanager
def _told(url: Url) -> Iterator[None]:
    try:
        yield
    except UsageError:
        raise
    except FileNotFoundError as why:
        raise UsageError(f"{url} is not there; check the address.") from why
    except Exception as why:  # each kind of store has errors of its own
        raise UsageError(f"{url} can't be reached ({_reason(why)}); check the address and the credentials.") from why


def _reason(why: Exception) -> str:
    return _first_line(str(why)) or type(why).__name__


def _first_line(text: str) -> str:
    return text.strip().splitlines()[0].rstrip(".")[:200] if text.strip() else ""
