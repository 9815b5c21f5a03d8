"""Codes for reasons, flags and rejects, each declared once with a sentence for people.

A code is a lower_snake_case word in the trade's own terms. Its sentence may name figures, filled from the
row it stands in: `note("hot_stop", "It will read {cooling_bar:.0f} bar less at 15 °C.", general="It cools yet.")`.
"""

import importlib
from collections.abc import Callable, Iterable, Mapping
from dataclasses import KW_ONLY, dataclass
from functools import cache, partial
from string import Formatter
from typing import Any, Literal

from schemas import reading_units

Severity = Literal["stop", "attention", "short", "note"]
"""What a code makes of what it stands with: a fill's verdict, a compressor's state, a cylinder before it is filled."""
SEVERITIES: tuple[Severity, ...] = ("stop", "attention", "short", "note")
"""Worst first. A note changes no verdict."""

AREAS = ("intake", "fills", "dives", "divers", "fleet")


@dataclass(frozen=True)
class Code:
    """A code, what it says to people, and how to fix it where that can be said.

    A sentence that names figures has a `general` one beside it, without them: said of many rows at once, and
    where a row lacks one of the figures. What a code means for others is said here alone, and read by `codes_that`.

    Attributes
    ----------
    severity : {"stop", "attention", "short", "note"}, optional
        None for what was not taken from a file: there each problem says whether it cost the row or the value.
    minor : bool
        Says how short and how it was known, beside the ones that make a verdict; folds away on screen.
    forbids_filling : bool
        The cylinder may not be filled.
    inspection_clears : bool
        False where no inspection visit can bring the cylinder back into date.
    look_first, open_finding : bool
        To be looked at before the next fill; no pressure is advised before a competent person has.
    of_unit : bool
        Found on the unit, and shown with each of its cylinders.
    called_back, source_unknown : bool
        The gas is called back for its air; or nobody knows its source, from days on which an air stood failed.
    found_by : {"air_test", "settled_reading", "analysis", "co_reading"}, optional
        What brings it to light: a release given before that does not lift it.
    of_inspections : bool
        Says that inspections forbid a fill; what they found is named beside it.
    asks_analysis : bool
        An analysis that nobody has logged would answer it.
    speaks_for_unit, says_whose : bool
        It speaks for a unit as the tank of a dive that names none; it says whose that tank was, so that its unit may be
        suggested.
    out_of_trend, no_margin, closed_loop : bool
        The dive is left out of the trend; has no reserve margin; its cylinders do not say what was left to breathe.
    time_taken : bool
        A time was completed in reading; counted by file.
    of_header : bool
        The value it stands with is a column's header, not a cell.
    """

    code: str
    says: str
    fix: str = ""
    general: str = ""
    _: KW_ONLY
    severity: Severity | None = None
    minor: bool = False
    forbids_filling: bool = False
    inspection_clears: bool = True
    look_first: bool = False
    open_finding: bool = False
    of_unit: bool = False
    called_back: bool = False
    source_unknown: bool = False
    found_by: Literal["air_test", "settled_reading", "analysis", "co_reading"] | None = None
    of_inspections: bool = False
    asks_analysis: bool = False
    speaks_for_unit: bool = False
    says_whose: bool = False
    out_of_trend: bool = False
    no_margin: bool = False
    closed_loop: bool = False
    time_taken: bool = False
    of_header: bool = False

    @property
    def figures(self) -> tuple[str, ...]:
        """Columns whose figures the sentence names."""
        return tuple(name for _, name, _, _ in Formatter().parse(self.says) if name)

    def words(self, row: Mapping[str, Any] | None = None) -> str:
        """The sentence with its figures from a row; the general one where the row lacks any of them."""
        found = {name: (row or {}).get(name) for name in self.figures}
        if any(_missing(value) for value in found.values()):
            return reading_units.text(self.general) or reading_units.filled(self.says, _Gaps())
        return reading_units.filled(self.says, found)


stop = partial(Code, severity="stop")
attention = partial(Code, severity="attention")
short = partial(Code, severity="short")
note = partial(Code, severity="note")
time_taken = partial(note, time_taken=True, minor=True)


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


def codes_that(holds: Callable[[Code], object]) -> frozenset[str]:
    """The codes of which something holds: `codes_that(lambda c: c.out_of_trend)`."""
    return frozenset(code for code, known in all_codes().items() if holds(known))


def worst(codes: Iterable[str]) -> Severity | None:
    """The severest of some codes; None where none of them has one. A code nobody declared is an error."""
    found = {all_codes()[code].severity for code in codes}
    return next((s for s in SEVERITIES if s in found), None)


def worst_codes_first(codes: Iterable[str]) -> list[str]:
    """Codes by severity, the worst first; of one severity, and of none, as they came."""
    return sorted(codes, key=_place)


def _place(code: str) -> int:
    known = all_codes().get(code)
    return SEVERITIES.index(known.severity) if known and known.severity else len(SEVERITIES)


def sentence(code: str, row: Mapping[str, Any] | None = None) -> str:
    """The words for a code, of a row or in general; an unknown code is shown as it is, with spaces."""
    known = all_codes().get(code)
    return known.words(row) if known else code.replace("_", " ")
