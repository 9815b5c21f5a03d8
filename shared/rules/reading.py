"""Cited numbers as data: read a rule file and refuse what is not cited.

Every entry of a rule file says where its numbers come from (`source`), which text (`edition`) and how
far that was checked (`verified`). A file that leaves one out stops the program at start, with its line.
"""

import re
import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

RULES = Path(__file__).parent

VERIFIED = {
    "read": "read in the source itself",
    "restated": "read in another text that restates the source",
    "memory": "from memory, not checked",
}


class RuleError(ValueError):
    """A rule file that cannot be used; the text names file and line."""


@dataclass(frozen=True)
class Citation:
    """Where a rule comes from."""

    source: str
    edition: str
    verified: str

    @property
    def is_verified(self) -> bool:
        """False for what was only remembered: marked on screen and never a default."""
        return self.verified != "memory"


def citation(entry: dict[str, Any]) -> Citation:
    """The citation of an entry read by `read_rules`."""
    return Citation(entry["source"], entry["edition"], entry["verified"])


def read_rules(path: Path, required: dict[str, tuple[str, ...]]) -> dict[str, Any]:
    """Read a rule file and check that each entry is complete.

    Parameters
    ----------
    path : Path
        A TOML file.
    required : dict of str to tuple of str
        Keys needed in each entry of a table or list of tables, beside source, edition and verified.
        The name "" stands for the file itself, which needs no citation of its own.

    Returns
    -------
    dict
        The file's content; each cited entry carries `_line`, the line of its header.

    Raises
    ------
    RuleError
        Unreadable TOML, a missing or empty key, an unknown word in `verified`.
    """
    text = path.read_text(encoding="utf-8")
    try:
        rules = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise RuleError(f"{path.name}: {error}. Correct the file; no rule of it is used.") from None
    for key in required.get("", ()):
        if rules.get(key) in (None, ""):
            raise RuleError(f"{path.name}, line 1: `{key}` is missing.")
    for table, keys in required.items():
        if not table:
            continue
        entries = rules.get(table, [])
        entries = entries if isinstance(entries, list) else [entries]
        header = re.compile(rf"\s*\[\[?\s*{re.escape(table)}\s*\]")
        lines = [i for i, line in enumerate(text.splitlines(), 1) if header.match(line)]
        for entry, line in zip(entries, lines, strict=True):
            entry["_line"] = line
            for key in (*keys, "source", "edition", "verified"):
                if entry.get(key) in (None, "", []):
                    raise RuleError(
                        f"{path.name}, line {line}: this entry of [{table}] has no `{key}`. "
                        "A rule without it is not used: add it, with the text it comes from."
                    )
            if entry["verified"] not in VERIFIED:
                raise RuleError(f"{path.name}, line {line}: `verified` is one of {', '.join(VERIFIED)}.")
    return rules
