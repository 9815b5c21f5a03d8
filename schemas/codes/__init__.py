"""Codes for reasons, flags and rejects, each declared once with a sentence for people.

A code is a lower_snake_case word in the trade's own terms. Its sentence may hold named fields, filled
from the row it stands in: `Code("hot_stop", "It will read {cooling_bar:.0f} bar less at 15 °C.")`.
"""

import importlib
import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from string import Formatter
from typing import Any

AREAS = ("intake", "fills", "dives", "divers", "fleet")


@dataclass(frozen=True)
class Code:
    """A code, what it says to people, and how to mend it where that can be said."""

    code: str
    says: str
    mend: str = ""

    def words(self, row: Mapping[str, Any] | None = None) -> str:
        """The sentence with its fields filled from a row; a field the row lacks reads '?'."""
        return _Filler().vformat(self.says, (), row or {})


class _Filler(Formatter):
    def get_value(self, key, args, kwargs):
        value = kwargs.get(key) if isinstance(key, str) else None
        return None if value is None or (isinstance(value, float) and math.isnan(value)) else value

    def format_field(self, value, format_spec):
        return "?" if value is None else super().format_field(value, format_spec)


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
    """The words for a code; an unknown code is shown as it is, with spaces."""
    known = all_codes().get(code)
    return known.words(row) if known else code.replace("_", " ")
