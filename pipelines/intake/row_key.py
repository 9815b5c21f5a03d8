"""What a person means by a key: a row of a source, a whole file, a problem, or something withdrawn to bring back."""

import re
from dataclasses import dataclass
from typing import Any

import pandas as pd

from pipelines.warehouse import withdrawn
from pipelines.warehouse.key_text import BETWEEN
from pipelines.warehouse.lake import dives_with_samples
from pipelines.warehouse.store import Warehouse
from pipelines.warehouse.withdrawn import FILES, PROBLEMS, SAMPLES, WITHDRAWALS
from schemas.sources import SOURCES

#: so many digits of a hash are enough to say which content is meant
LEAST_DIGITS = 8


@dataclass(frozen=True, order=True)
class Named:
    """Something that can be withdrawn. `level` 1 is its withdrawal, 2 the withdrawal of that, and so on."""

    source: str
    key: str
    level: int = 0

    def __str__(self) -> str:
        return "".join(f"{WITHDRAWALS}:" * self.level) + f"{self.source}:{self.key}"


def source_named(word: str) -> str | None:
    """The source a word means, capitals and blanks aside; `files`, `problems` and `withdrawals` as well."""
    plain = re.sub(r"[\s-]+", "_", word.strip().casefold())
    return plain if plain in SOURCES or plain in (FILES, PROBLEMS) else None


def find(warehouse: Warehouse, source: str, key: str, zone: str) -> list[Named]:
    """What is known under a key as somebody wrote it; several where it is not clear which one is meant.

    Parameters
    ----------
    source : str
        As `source_named` gives it.
    zone : str
        Of times in the key that give none.
    """
    if source == WITHDRAWALS:
        return _of_withdrawals(warehouse, key, zone)
    if source == PROBLEMS:  # one that a rebuild does not meet again needs no dismissal, and is no mistake
        return [Named(PROBLEMS, key.strip().lower())] if re.fullmatch(r"[0-9a-f]{6,}", key.strip().lower()) else []
    if source == FILES:
        digits = key.strip().lower()
        hashes = set(withdrawn.contents(warehouse)["file_sha256"]) if len(digits) >= LEAST_DIGITS else set()
        return [Named(FILES, sha256) for sha256 in sorted(hashes) if sha256.startswith(digits)]
    if source == SAMPLES:
        return [Named(SAMPLES, known) for known in _of_samples(warehouse, key)]
    values = parts_of(source, key, zone)
    return [Named(source, known) for known in withdrawn.keys_like(warehouse, source, values)] if values else []


def _of_withdrawals(warehouse: Warehouse, key: str, zone: str) -> list[Named]:
    """The withdrawal of what a key names: `fills:F-0012`, `fills · F-0012`, or the key alone where it is enough."""
    head, mark, rest = re.match(r"\s*([^:·|;/,]*)([:·|;/,]?)(.*)", key, re.DOTALL).groups()  # type: ignore[union-attr]
    source = source_named(head) if mark else None
    if source:
        known = find(warehouse, source, rest, zone)
        # a withdrawal may be named with its moment as well; which of several is meant makes no difference
        whole, between, moment = rest.rpartition(mark) if mark != ":" else ("", "", "")
        if not known and between and _is_moment(moment):
            known = find(warehouse, source, whole, zone)
        return [Named(n.source, n.key, n.level + 1) for n in known]
    written = withdrawn.every_withdrawal(warehouse)
    sources = {s for s in written["source"].map(source_named).dropna() if s not in (WITHDRAWALS,)}
    found = {n for s in sources for n in find(warehouse, s, key, zone)}
    return sorted(Named(n.source, n.key, 1) for n in found if n.source != PROBLEMS or n.key in set(written["key"]))


def _of_samples(warehouse: Warehouse, key: str) -> list[str]:
    """Samples of a dive: `M1 · D2` means all of them, `M1 · D2 · 60` the one of that second."""
    parts = split(key)
    if len(parts) not in (2, 3):
        return []
    if (parts[0], parts[1]) not in dives_with_samples(warehouse, parts[0]):
        return []
    if len(parts) == 2:
        return [BETWEEN.join(parts)]
    try:
        return [f"{parts[0]}{BETWEEN}{parts[1]}{BETWEEN}{float(parts[2]):g}"]
    except ValueError:
        return []


def _is_moment(text: str) -> bool:
    try:
        return not pd.isna(pd.Timestamp(text.strip()))
    except (ValueError, OverflowError):
        return False


def split(key: str) -> list[str]:
    """The parts of a key as written, joined by ` · `, `|`, or else by `;`, `/` or `,`."""
    between = next((mark for mark in "·|;/," if mark in key), "|")
    return [part.strip() for part in key.split(between)]


def parts_of(source: str, key: str, zone: str) -> tuple[Any, ...] | None:
    """The parts of a key, each of its kind; None where the text cannot be one of this source."""
    names = SOURCES[source].key
    parts = [key.strip()] if len(names) == 1 else split(key)
    if len(parts) > len(names) or not any(parts):
        return None
    parts += [""] * (len(names) - len(parts))
    try:
        return tuple(
            _typed(SOURCES[source].fields[name].kind, part, zone) if part else None
            for name, part in zip(names, parts, strict=True)
        )
    except (ValueError, OverflowError):
        return None


def _typed(kind: str, text: str, zone: str) -> Any:
    if kind == "time":
        moment = pd.Timestamp(text)
        moment = moment.tz_localize(zone, ambiguous=True, nonexistent="shift_forward") if moment.tz is None else moment
        return moment.tz_convert("UTC").to_pydatetime()
    if kind == "date":
        return pd.Timestamp(text).to_pydatetime()
    if kind == "float":
        return float(text)
    return int(text) if kind == "int" else text


def how_to_write(source: str) -> str:
    """How the key of a source is written, in words."""
    if source == WITHDRAWALS:
        return "the source and key of what is withdrawn, as fills:F-0012"
    if source == FILES:
        return f"the sha256 of the file's content, or its first {LEAST_DIGITS} digits or more"
    if source == PROBLEMS:
        return "the number that `coldfill rejects` prints with the problem"
    if source == SAMPLES:
        return f"member_id{BETWEEN}dive_id for all samples of a dive, or with {BETWEEN.strip()} t_s for one"
    return f"the key as {BETWEEN.join(SOURCES[source].key)}"
