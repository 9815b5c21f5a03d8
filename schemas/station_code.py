"""The station code: with it a phone on the local network, where nobody signs in, may log what an operator logs.

Kept as a hash by scrypt (RFC 7914) with a salt of its own, among the secrets that no backup holds.
"""

import hashlib
import hmac
import json
import os
import secrets
import tempfile
from dataclasses import dataclass, field
from pathlib import Path

#: in the station's folder, beside what signing in needs
PLACE = Path(".streamlit") / "station-code.json"
LEAST = 6
LONGEST = 64
#: RFC 7914's N, r and p: 32 MB and a tenth of a second a try, so that a stolen file is not tried out in an hour
COST = {"n": 1 << 15, "r": 8, "p": 1}
_MEMORY = 64 << 20


class WeakCode(ValueError):
    """A code that is too short, too long or all of one character."""


def set_code(station: Path, code: str) -> None:
    """Keep a new code of a station; the old one holds no more.

    Raises
    ------
    WeakCode
        The message says what a code must have.
    """
    code = code.strip()
    if not LEAST <= len(code) <= LONGEST or len(set(code)) < 3:
        raise WeakCode(f"A station code has {LEAST} to {LONGEST} characters, three different ones at least.")
    salt = secrets.token_bytes(16)
    kept = {"kind": "scrypt", **COST, "salt": salt.hex(), "hash": _hash(code, salt, COST).hex()}
    place = station / PLACE
    place.parent.mkdir(mode=0o700, exist_ok=True)
    handle, part = tempfile.mkstemp(dir=place.parent, prefix=".code-")  # readable by its owner alone
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        out.write(json.dumps(kept))
        out.flush()
        os.fsync(out.fileno())
    os.replace(part, place)


def new_code() -> str:
    """Eight digits by chance."""
    return f"{secrets.randbelow(10**8):08d}"


def remove_code(station: Path) -> bool:
    """Take the code away: then nothing is logged on the local network. Gives whether there was one."""
    place = station / PLACE
    there = place.exists()
    place.unlink(missing_ok=True)
    return there


def code_version(station: Path) -> str:
    """What changes with the code, for those who gave the one before; empty without a code."""
    kept = _kept(station)
    return str(kept["salt"]) if kept else ""


def is_code(station: Path, typed: str) -> bool:
    """Whether this is the station's code; never where none is set or the file is damaged."""
    kept = _kept(station)
    if not kept or len(typed) > LONGEST + 8:
        return False
    made = _hash(typed.strip(), bytes.fromhex(kept["salt"]), {name: int(kept[name]) for name in COST})
    return hmac.compare_digest(made, bytes.fromhex(kept["hash"]))


def _hash(code: str, salt: bytes, cost: dict[str, int]) -> bytes:
    return hashlib.scrypt(code.encode(), salt=salt, maxmem=_MEMORY, dklen=32, **cost)


def _kept(station: Path) -> dict | None:
    try:
        kept = json.loads((station / PLACE).read_text(encoding="utf-8"))
        bytes.fromhex(kept["salt"]), bytes.fromhex(kept["hash"])
        whole = kept.get("kind") == "scrypt" and all(0 < int(kept[name]) <= COST[name] for name in COST)
    except (OSError, ValueError, TypeError, KeyError, AttributeError):
        return None
    return kept if whole else None


@dataclass
class Attempts:
    """Tries of a code, over all who try: after `most` wrong ones within `within_s` none is taken for as long."""

    most: int = 8
    within_s: float = 900.0
    _wrong: list[float] = field(default_factory=list)

    def wait_s(self, now_s: float) -> float:
        """Seconds until the next try is taken; 0 at once."""
        self._wrong = [at for at in self._wrong if now_s - at < self.within_s]
        return self._wrong[-1] + self.within_s - now_s if len(self._wrong) >= self.most else 0.0

    def wrong(self, now_s: float) -> None:
        """Count a wrong one."""
        self._wrong.append(now_s)
