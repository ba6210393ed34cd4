"""Names and passwords of the page's users, sessions, and a lock after wrong tries.

A line of the file is ``name:scrypt:SALT:HASH`` (RFC 7914, N = 2^15, r = 8, p = 1), hexadecimal; ``tapwright serve
--login FILE --add NAME`` writes one.
"""

from __future__ import annotations

import hashlib
import hmac
import os
import re
import secrets
import threading
import time
from collections.abc import Callable
from pathlib import Path

from identify.errors import UsageError

TRIES, LOCKED_S = 5, 300.0
SESSION_S = 12 * 3600.0
MOST_REMEMBERED = 10_000
SHORTEST = 10
_NAME = re.compile(r"[\w.@-]{1,64}")
_MEMORY = 64 * 1024 * 1024


def _scrypt(password: str, salt: bytes) -> bytes:
    return hashlib.scrypt(password.encode(), salt=salt, n=2**15, r=8, p=1, maxmem=_MEMORY)


def line(name: str, password: str) -> str:
    """The file's line for a user.

    Raises
    ------
    UsageError
        The name can't stand in the file, or the password is too short.
    """
    if not _NAME.fullmatch(name):
        raise UsageError(f"{name!r} is no name for a login; use letters, digits, dots, dashes and @.")
    if len(password) < SHORTEST:
        raise UsageError(f"The password has {len(password)} letters; take at least {SHORTEST}.")
    salt = secrets.token_bytes(16)
    return f"{name}:scrypt:{salt.hex()}:{_scrypt(password, salt).hex()}"


def add(file: Path, name: str, password: str) -> None:
    """Write a user into the file, in place of an older line of that name; only its owner may read it.

    Raises
    ------
    UsageError
        The name or the password won't do, or the file can't be written.
    """
    new = line(name, password)
    try:
        old = file.read_text(encoding="utf-8").splitlines() if file.exists() else []
        kept = [each for each in old if each.partition(":")[0] != name]
        part = file.with_name(f".{file.name}.part")
        part.touch(mode=0o600)
        part.write_text("\n".join([*kept, new]) + "\n", encoding="utf-8")
        part.replace(file)
    except (OSError, UnicodeDecodeError) as why:
        raise UsageError(f"Can't write {file} ({getattr(why, 'strerror', None) or why}); choose another file.") from why


def read(file: Path) -> dict[str, tuple[bytes, bytes]]:
    """Name to salt and hash.

    Raises
    ------
    UsageError
        The file can't be read, has a line of another kind, or names nobody.
    """
    try:
        lines = file.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as why:
        raise UsageError(f"Can't read {file} ({getattr(why, 'strerror', None) or 'no text'}); check the name.") from why
    users = {}
    for number, text in enumerate(lines, start=1):
        if not text.strip():
            continue
        try:
            name, kind, salt, digest = text.strip().split(":")
            users[name] = bytes.fromhex(salt), bytes.fromhex(digest)
        except ValueError:
            kind = ""
        if kind != "scrypt":
            raise UsageError(f"{file}:{number}: no login; write it with tapwright serve --login {file} --add NAME.")
    if not users:
        raise UsageError(f"{file} names nobody; add one with tapwright serve --login {file} --add NAME.")
    return users


class Door:
    """Who may come in.

    Parameters
    ----------
    users : as `read` gives them.
    clock : seconds.
    """

    def __init__(self, users: dict[str, tuple[bytes, bytes]], clock: Callable[[], float] = time.monotonic) -> None:
        self._users, self._clock = users, clock
        self._wrong: dict[str, list[float]] = {}
        self._sessions: dict[str, tuple[str, float]] = {}
        self._lock = threading.Lock()
        self._nobody = os.urandom(16), os.urandom(64)

    def knock(self, name: str, password: str, address: str) -> bool:
        """Whether the password is that of the name; a wrong one counts against the name and the address.

        Raises
        ------
        UsageError
            Too many wrong tries; nothing is tried until the lock is over.
        """
        keys = (f"name {name[:64]}", f"address {address}")
        with self._lock:
            wait_s = max(self._locked_s(key) for key in keys)
            if wait_s > 0:
                raise UsageError(f"Too many wrong tries; wait {max(1, round(wait_s / 60))} min and try again.")
            for key in keys:  # counted before the slow comparison, so that tries side by side count too
                self._wrong.setdefault(key, []).append(self._clock())
        salt, digest = self._users.get(name, self._nobody)
        right = hmac.compare_digest(_scrypt(password[:1000], salt), digest) and name in self._users
        if right:
            with self._lock:
                for key in keys:
                    self._wrong.pop(key, None)
        return right

    def _locked_s(self, key: str) -> float:
        """Seconds for which nothing is tried."""
        now = self._clock()
        tries = [at for at in self._wrong.get(key, []) if now - at < LOCKED_S]
        if tries:
            self._wrong[key] = tries
        else:
            self._wrong.pop(key, None)
        if len(self._wrong) > MOST_REMEMBERED:
            self._wrong.pop(next(iter(self._wrong)))
        return LOCKED_S - (now - tries[-TRIES]) if len(tries) >= TRIES else 0.0

    def open(self, name: str) -> str:
        """A new session's key."""
        key = secrets.token_urlsafe(32)
        with self._lock:
            now = self._clock()
            self._sessions = {each: told for each, told in self._sessions.items() if told[1] > now}
            self._sessions[key] = name, now + SESSION_S
        return key

    def inside(self, key: str) -> str:
        """Who the session belongs to; empty where it is over or never was."""
        with self._lock:
            name, until = self._sessions.get(key, ("", 0.0))
        return name if until > self._clock() else ""

    def close(self, key: str) -> None:
        """End a session."""
        with self._lock:
            self._sessions.pop(key, None)
