"""Which header of somebody's own log means which column: by its words, its unit, its values; in doubt none."""

import difflib
import itertools
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from pipelines.readers.tables.header_words import HEADER_WORDS
from pipelines.readers.tables.mapping import conversion, same_header, unit_ending
from schemas.sources import SOURCES

#: a header that is written much like a known word counts as that
ALIKE = 0.86
#: of columns that hold one thing after another in a fill, so that values between these can be told apart, in bar
STOPS_BAR, STOPS_PSI = (150.0, 320.0), (2000.0, 4500.0)
STARTS_BAR, STARTS_PSI = (0.0, 130.0), (0.0, 1900.0)
O2_PCT = (18.0, 40.0)
AIR_O2_PCT = (20.8, 21.0)
#: so many values are needed before they say anything
_LEAST_VALUES = 3
NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")
_O2 = re.compile(r"(?<![a-z])(o2|ean|nitrox|oxy|ox[íi]g|ossig|sauerst|zuurst|%)")
_UNITS_OF_KINDS = ("x_bar", "x_c", "x_min", "x_l", "x_m", "x_pct", "x_kg")


@dataclass
class Placed:
    """Places of headers by column, and what could not be decided."""

    columns: dict[str, list[int]]
    #: columns that are placed by their values alone, with what these show
    by_value: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


def place(headers: Sequence[str], values: Sequence[Sequence[str]], source: str) -> Placed:
    """Contract column → place of its header; each header and each column once.

    The surest comes first. Where two headers may as well mean one column, or one header two columns, it is left open
    and said. What no header says may be proposed by its values, of a column that is needed.
    """
    sure = {
        (n, column): likeness(header, column)
        for n, header in enumerate(headers)
        for column in SOURCES[source].fields
        if unit_fits(header, column) and kind_fits(values[n], SOURCES[source].fields[column].kind)
    }
    order = {column: n for n, column in enumerate(SOURCES[source].fields)}
    made = Placed({})
    taken: set[int] = set()
    for n, column in sorted((k for k, v in sure.items() if v > 0), key=lambda k: (-sure[k], order[k[1]], k[0])):
        if column not in made.columns and n not in taken:
            made.columns[column] = [n]
            taken.add(n)
    _leave_what_is_not_sure(made, headers, sure, taken)
    if source == "fills":
        _by_values(made, headers, values, taken)
    return made


def _leave_what_is_not_sure(made: Placed, headers: Sequence[str], sure: dict[tuple[int, str], float], taken: set[int]):
    for column, (n,) in list(made.columns.items()):
        own = sure[n, column]
        if own >= _OWN_NAME:
            continue
        rivals = [m for m in range(len(headers)) if m not in taken and sure.get((m, column), 0.0) > 0]
        rivals = [m for m in rivals if sure[m, column] > own - _AS_SURE]
        others = [c for (m, c), v in sure.items() if m == n and c != column and c not in made.columns and v >= own]
        if rivals:
            both = " as well as ".join(repr(headers[m]) for m in (n, *rivals))
            made.notes.append(f"{column}: {both} may mean it. Only you know which: put one under headers.")
        elif others:
            made.notes.append(f"{headers[n]!r} may mean {column} as well as {', '.join(others)}: put it under headers.")
        if rivals or others:
            del made.columns[column]
            taken.discard(n)


#: so sure is a header that is the column's own name; so near two others count as alike
_OWN_NAME, _AS_SURE = 0.97, 0.15


# --- words ----------------------------------------------------------------------------------------
def likeness(header: str, column: str) -> float:
    """How sure a header means a column: 1 its own name, less for a word of the trade or a misspelling, 0 not at all."""
    if same_header(header) == same_header(column):
        return 1.0
    own = column.removesuffix("_" + (unit_ending(column) or " ")).replace("_", " ")
    text = _without_unit(header, column)
    if text in (own, column.replace("_", " ")):
        return _OWN_NAME
    words = [w for word in HEADER_WORDS.get(column, ()) for w in _spellings(word)]
    if text in words:
        return 0.95
    close = max((difflib.SequenceMatcher(None, text, w).ratio() for w in (own, *words) if len(w) > 3), default=0.0)
    return 0.8 * close if close >= ALIKE else 0.0


def plain(header: str) -> str:
    """A header without what stands in brackets, marks, signs and accents."""
    text = re.sub(r"[(\[][^()\[\]]*[)\]]", " ", header).casefold().replace("₂", "2").replace("º", " ").replace("°", " ")
    return re.sub(r"[^\w]+|_", " ", _bare(text)).strip()


def _bare(text: str) -> str:
    """Letters without their accents."""
    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


def _spellings(word: str) -> set[str]:
    """A word without accents, and an umlaut also written as two letters."""
    two = word.replace("ä", "ae").replace("ö", "oe").replace("ü", "ue")
    return {_bare(word), _bare(two)}


def _without_unit(header: str, column: str) -> str:
    text = plain(header)
    head, _, last = text.rpartition(" ")
    return head if head and conversion(column, last) else text


def unit_fits(header: str, column: str) -> bool:
    """Whether what stands in brackets over the column is no unit of another kind (`Time (min)` is no moment)."""
    bracket = re.search(r"[(\[]([^()\[\]]+)[)\]]\s*$", header)
    if bracket is None:
        return True
    others = any(conversion(c, bracket.group(1)) for c in _UNITS_OF_KINDS)
    return not others or conversion(column, bracket.group(1)) is not None


def kind_fits(values: Sequence[str], kind: str) -> bool:
    """Whether the values may be of this kind: figures are no moments of one to five digits, nor words figures."""
    if not values:
        return True
    figures = sum(bool(NUMBER.fullmatch(v)) for v in values) / len(values)
    if kind in ("time", "date"):
        short = sum(bool(NUMBER.fullmatch(v)) and len(v) < 6 for v in values) / len(values)
        return short < 0.5
    return figures >= 0.5 or kind not in ("float", "int")


# --- values ---------------------------------------------------------------------------------------
def _by_values(made: Placed, headers: Sequence[str], values: Sequence[Sequence[str]], taken: set[int]) -> None:
    """Columns of a fill that are needed and that no header names, each where one column alone shows it."""
    free = [n for n in range(len(headers)) if n not in taken and len(values[n]) >= _LEAST_VALUES]
    # a word that is known is no pressure for its figures: a counter of hours may stand at 200
    free = [n for n in free if not any(likeness(headers[n], c) for c in HEADER_WORDS if not c.endswith("_bar"))]
    free = [n for n in free if not _counts_up(values[n])]
    shows: Mapping[str, tuple[Callable[[int], bool], str]] = {
        "stop_pressure_bar": (
            lambda n: _within(values[n], *STOPS_BAR) or _within(values[n], *STOPS_PSI),
            "its values are such as a fill stops at, in bar (150 to 320) or psi (2000 to 4500)",
        ),
        "start_pressure_bar": (
            lambda n: _starts(made, headers, values, n),
            "its values lie under those of the stop, as what was left does",
        ),
        "target_o2_pct": (
            lambda n: (
                _within(values[n], *O2_PCT) and (_mostly_air(values[n]) or bool(_O2.search(headers[n].casefold())))
            ),
            "its values lie between 18 and 40, and most are air's or its header speaks of oxygen",
        ),
        "filled_at": (lambda n: all(_MOMENT.fullmatch(v) for v in values[n]), "its values are moments"),
    }
    for column, (fits, why) in shows.items():
        if column in made.columns:
            continue
        found = [n for n in free if n not in taken and unit_fits(headers[n], column) and fits(n)]
        if len(found) == 1:
            made.columns[column], made.by_value[column] = found, why
            taken.add(found[0])
        elif found:
            named = " as well as ".join(repr(headers[n]) for n in found)
            made.notes.append(f"{column}: by their values {named} may mean it. Put one under headers.")


#: a day, with or without its time; 8, 12 or 14 digits alone too
_MOMENT = re.compile(
    r"(19|20)\d{6}(\d{4}(\d\d)?)?|\d{1,4}[-./]\d{1,2}[-./]\d{2,4}([T ]\d{1,2}:\d{2}(:\d{2})?( ?[AaPp][Mm])?Z?)?"
)


def numbers(values: Sequence[str]) -> list[float]:
    """The figures among values, with a point or a comma."""
    return sorted(float(v.replace(",", ".")) for v in values if NUMBER.fullmatch(v))


def _within(values: Sequence[str], low: float, high: float) -> bool:
    found = numbers(values)
    return len(found) == len(values) and low <= found[0] and found[-1] <= high


def _starts(made: Placed, headers: Sequence[str], values: Sequence[Sequence[str]], n: int) -> bool:
    """Whether figures lie under those of the stop, and their header calls them pressures."""
    stop = made.columns.get("stop_pressure_bar")
    if not stop or len(values[n]) != len(values[stop[0]]):
        return False
    in_psi = _within(values[stop[0]], *STOPS_PSI)
    says_pressure = re.search(r"bar|psi|druck|press|presi|pres\b", headers[n].casefold())
    return bool(says_pressure) and _within(values[n], *(STARTS_PSI if in_psi else STARTS_BAR))


def _counts_up(values: Sequence[str]) -> bool:
    """Whether each figure is larger than the one before, as a counter's are."""
    found = [float(v.replace(",", ".")) for v in values if NUMBER.fullmatch(v) and len(v) < 8]
    return len(found) == len(values) and all(a < b for a, b in itertools.pairwise(found))


def _speaks_of_o2(header: str) -> bool:
    return bool(_O2.search(header.casefold().replace("₂", "2")))


def _mostly_air(values: Sequence[str]) -> bool:
    found = numbers(values)
    return sum(AIR_O2_PCT[0] <= v <= AIR_O2_PCT[1] for v in found) > len(found) / 2
