"""A seal on what the kit keeps for itself, made with a key that never leaves this account.

A campaign may come from somebody else, its ``.thermlab`` with it. Everything that a cache entry is found by is known
to them, so they could write one that says what they like. An entry counts only where it carries the seal of the
account that reads it: a keyed hash, whose key lies outside all campaigns.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
import secrets
import tempfile
from pathlib import Path

from thermlab.base.files import PathRefusedError, read_plain

_KEY_BYTES = 32
SEAL_BYTES = 32


def key_file() -> Path:
    """Return where the key of this account lies.

    Raises
    ------
    RuntimeError
        The account has no home.
    """
    named = os.environ.get("XDG_STATE_HOME", "")
    state = Path(named) if Path(named).is_absolute() else Path.home() / ".local" / "state"
    return state / "thermlab" / "cache.key"


def sealed(content: bytes) -> bytes | None:
    """Return content with its seal behind it; None where there is no key and none can be made."""
    key = _key() or _new_key()
    return None if key is None else content + hmac.digest(key, content, hashlib.sha256)


def unsealed(raw: bytes) -> bytes | None:
    """Return content without its seal; None where this account did not seal it."""
    key = _key()
    content, seal = raw[:-SEAL_BYTES], raw[-SEAL_BYTES:]
    if key is None or not hmac.compare_digest(seal, hmac.digest(key, content, hashlib.sha256)):
        return None
    return content


def _key() -> bytes | None:
    try:
        key = read_plain(key_file(), _KEY_BYTES)
    except (PathRefusedError, RuntimeError):
        return None
    return key if len(key) == _KEY_BYTES else None


def _new_key() -> bytes | None:
    """Make a key; of two processes that do so at once, one wins and both use its key."""
    with contextlib.suppress(OSError, RuntimeError):
        place = key_file()
        place.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(dir=place.parent)  # for this account's eyes only
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(secrets.token_bytes(_KEY_BYTES))
            os.link(name, place)
        finally:
            Path(name).unlink()
    return _key()
