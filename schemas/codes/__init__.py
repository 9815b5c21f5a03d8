"""Codes for reasons, flags and rejects, each declared once with a sentence for people.

A code is a lower_snake_case word in the trade's own terms. Its sentence may name figures, filled from the
row it stands in: `Code("hot_stop", "It will read {cooling_bar:.0f} bar less at 15 °C.", general="It cools yet.")`.
"""

import importlib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from string import Formatter
from typing import Any

AREAS = ("intake", "fills", "dives", "divers", "fleet")


@dataclass(frozen=True)
class Code:
    """A code, what it says to people, and how to fix it where that can be said.

    A sentence that names figures has a `general` one beside it, without them: said of many rows at once, and
    where a row lacks one of the figures.
    """

    code: str
    says: str
    fix: str = ""
    general: str = ""

    @property
    def figures(self) -> tuple[str, ...]:
        """Columns whose figures the sentence names."""
        return tuple(name for _, name, _, _ in Formatter().parse(self.says) if name)

    def words(self, row: Mapping[str, Any] | None = None) -> str:
        """The sentence with its figures from a row; the general one where the row lacks any of them."""
        found = {name: (row or {}).get(name) for name in self.figures}
        if any(_missing(value) for value in found.values()):
            return self.general or self.says.format_map(_Gaps())
        return self.says.format_map(found)


class _Gaps(dict):
    """Stands for every figure: a dot leader, in whatever format it was asked for."""

    def __missing__(self, key: str) -> "_Gap":
        return _Gap()


class _Gap:
    def __format__(self, _: str) -> str:
        return "…"


def _missing(value: Any) -> bool:
    """None, not a number, or one of pandas' own missing values."""
    return value is None or type(value).__name__ in ("NAType", "NaTType") or value != value


@cache
def all_codes() -> dict[str, Code]:
    """Every declared code by its word; a word declared twice is an error."""
    found: dict[str, Code] = {}
    for area in AREAS:
        for code in importlib.import_module(f"schemas.codes.{area}").CODES:
            if code.code in found:
                raise ValueError(f"code {code.code!r} is declared twice, the second time in schemas/codes/{area}.py")
            found[code.code] = code
    return found


def sentence(code: str, row: Mapping[str, Any] | None = None) -> str:
    """The words for a code, of a row or in general; an unknown code is shown as it is, with spaces."""
    known = all_codes().get(code)
    return known.words(row) if known else code.replace("_", " ")
