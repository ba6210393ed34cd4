"""Names of cases: short enough to be read out over a counter, the same for the same photos."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from typing import Any

from identify.errors import UsageError

LETTERS = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # base 32 without I, L, O and U, which are misread
LENGTH = 10  # 50 bits: among a million cases, two get one name with a probability of 0.0004
_GIVEN = re.compile(r"[0-9A-Za-z][0-9A-Za-z_-]{0,63}")
_MISREAD = str.maketrans({"I": "1", "L": "1", "O": "0"})


def case_name(case_json: Mapping[str, Any]) -> str:
    """Name of a case by the photos that it answers, such as 7K3FM-92QXA: the same photos, the same name.

    Raises
    ------
    UsageError
        The case is of a photo that failed.
    """
    digest = hashlib.sha256("\n".join(sorted(photo_hashes(case_json))).encode("ascii")).digest()
    number = int.from_bytes(digest[:8], "big")
    letters = "".join(LETTERS[(number >> 5 * at) % 32] for at in range(LENGTH))
    return f"{letters[:5]}-{letters[5:]}"


def photo_hashes(case_json: Mapping[str, Any]) -> list[str]:
    """SHA-256 of each photo of a case, in its order.

    Raises
    ------
    UsageError
        The case is of a photo that failed.
    """
    if "error" in case_json:
        raise UsageError(f"A photo that failed is no case to keep ({case_json['error']}); take it again.")
    return [str(photo["sha256"]) for photo in case_json["photos"]]


def checked(name: str) -> str:
    """A name that a caller gave.

    Raises
    ------
    UsageError
        It holds other letters than 0-9, A-Z, a-z, - and _, or more than 64.
    """
    if not _GIVEN.fullmatch(name):
        raise UsageError(f"{name[:80]!r} is no name of a case; use up to 64 letters, digits, - and _.")
    return name


def as_written(name: str) -> str:
    """What was probably meant by a name typed in: upper case, with its dash, letters that are misread put right."""
    letters = name.strip().upper().replace("-", "").replace(" ", "").translate(_MISREAD)
    return f"{letters[:5]}-{letters[5:]}" if len(letters) == LENGTH else name.strip()
