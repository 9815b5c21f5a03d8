"""A layout proposed for a file of somebody's own: which header means which column, in which unit and form.

A proposal for a person to read. Nothing is read by it until it stands in `station.toml`; what cannot be decided from
the file (a date that reads both ways) is left open and said.
"""

import json
import re
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from pipelines.readers.tables.header_words import CLOCK_WORDS
from pipelines.readers.tables.mapping import Mapping, same_header, unit_ending, unit_in_header, units_of
from pipelines.readers.tables.placed_headers import NUMBER, numbers, place, plain
from pipelines.readers.tables.sheet import Refused, Sheet
from pipelines.readers.tables.table import sheet_of
from pipelines.readers.tables.which_source import Fit, likely
from schemas.fields import Field
from schemas.sources import SOURCES

#: so many values of a column are looked at
LOOKED_AT = 2000
_ENCODINGS = ("utf-8", "utf-16", "cp1252")
_MOMENTS = ("DD.MM.YYYY", "DD/MM/YYYY", "MM/DD/YYYY", "DD-MM-YYYY", "MM-DD-YYYY", "YYYY/MM/DD", "DD.MM.YY", "DD/MM/YY",
            "MM/DD/YY", "D MMM YYYY", "DD MMM YYYY")
#: digits alone, which a reader of dates would take apart in other ways where some are missing
_DIGITS = {8: "YYYYMMDD", 12: "YYYYMMDDhhmm", 14: "YYYYMMDDhhmmss"}  # fmt: skip
_CLOCKS = ("", " hh:mm", " hh:mm:ss", " hh:mm AM")
_STRPTIME = (("YYYY", "%Y"), ("YY", "%y"), ("MMM", "%b"), ("MM", "%m"), ("DD", "%d"), ("D ", "%d "),
             ("hh:mm AM", "%I:%M %p"), ("hh", "%H"), ("mm", "%M"), ("ss", "%S"))  # fmt: skip
_ISO = re.compile(r"\d{4}-\d{2}-\d{2}([T ]\d{2}:\d{2}(:\d{2}(\.\d+)?)?)?\s*(Z|[+-]\d{2}:?\d{2})?")
#: by the unit a column ends in: the unit that its values show where nobody would write them in ours
_SHOWN_BY_VALUES = {"bar": ("psi", 450.0), "c": ("F", 45.0)}
_TRUTHS = ("true", "false")
#: what tells one row from another where a log numbers none
_KEY_BUILT_OF = {"fills": ("fill_id", ["unit_id", "filled_at"])}


@dataclass
class Proposal:
    """What would stand in `station.toml`, and what a person should know of it."""

    source: str
    name: str
    pattern: str
    #: the layout as in `[layouts.NAME]`
    layout: dict[str, Any] = field(default_factory=dict)
    #: theirs, ours, unit or form that is proposed, an example
    columns: list[tuple[str, str, str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def toml(self) -> str:
        """The table to put into `station.toml`."""
        plain = {k: v for k, v in self.layout.items() if not isinstance(v, dict)}
        lines = [f"[layouts.{_key(self.name)}]", *(f"{k} = {_value(v)}" for k, v in plain.items())]
        for table in ("headers", "units", "formats"):
            if self.layout.get(table):
                lines += [f"[layouts.{_key(self.name)}.{table}]"]
                lines += [f"{_key(k)} = {_value(v)}" for k, v in self.layout[table].items()]
        for column, words in self.layout.get("words", {}).items():
            lines += [f"[layouts.{_key(self.name)}.words.{_key(column)}]"]
            lines += [f"{_key(k)} = {_value(v)}" for k, v in words.items()]
        return "\n".join(lines) + "\n"


def propose(path: Path, source: str) -> Proposal:
    """Propose how a file is to be read as one source.

    Raises
    ------
    Refused
        No text and no workbook, or nothing in it; `.problem` says which.
    """
    sheet, encoding = _read(path, source)
    made = Proposal(source, re.sub(r"[^a-z0-9]+", "-", path.stem.casefold()).strip("-") or source, path.name)
    made.layout = {"source": source, "files": [_pattern(path)]}
    if encoding != "utf-8":
        made.layout["encoding"] = encoding
    values = [_shown(column) for column in sheet.columns]
    found = place(sheet.headers, values, source)
    placed = found.columns
    made.notes += found.notes
    made.notes += [
        f"{column}: no header says it; {sheet.headers[placed[column][0]]!r} is proposed, for {why}. Make sure of it."
        for column, why in found.by_value.items()
    ]
    _put_moments_together(placed, sheet.headers, values, source, made)
    _key_of_columns(placed, source, made)
    _headers(placed, sheet.headers, made)
    of_column = {column: [v for n in places for v in values[n]] for column, places in placed.items()}
    if any(_commas(of_column[c]) for c in placed if _is_number(source, c)):
        made.layout["decimal"] = ","
    for column, places in placed.items():
        said = _form(SOURCES[source].fields[column], sheet.headers[places[0]], values, places, made)
        example = " ".join(values[n][0] for n in places if values[n])
        made.columns.append((" + ".join(sheet.headers[n] for n in places), column, said, example))
    _tell_missing(placed, source, made)
    return made


def which_source(path: Path) -> list[Fit]:
    """What a file may hold by its headers and values, the best first; one where that is clear.

    Raises
    ------
    Refused
        As `propose`.
    """
    sheet, _ = _read(path, "fills")
    return likely(sheet.headers, [_shown(column) for column in sheet.columns])


def _read(path: Path, source: str) -> tuple[Sheet, str]:
    for encoding in _ENCODINGS:
        try:
            return sheet_of(path, source, Mapping(source, encoding=encoding)), encoding
        except Refused as why:
            if why.problem.rule != "not_utf8" or encoding == _ENCODINGS[-1]:
                raise
    raise AssertionError("one of the encodings reads it or refuses it")


def _pattern(path: Path) -> str:
    """The file's name with what a next one would have otherwise (a date, a number) left open."""
    stem = re.sub(r"\d[\d._-]*", "*", path.stem)
    return f"{stem}{path.suffix}" if "*" in stem else f"{stem}*{path.suffix}"


def _shown(column: pa.Array) -> list[str]:
    return [text.strip() for text in column.slice(0, LOOKED_AT).to_pylist() if text and text.strip()]


# --- which header is which column --------------------------------------------------------------
def _put_moments_together(placed, headers, values, source, made: Proposal) -> None:
    """A moment whose day and clock stand in two columns."""
    clocks = [
        n
        for n, header in enumerate(headers)
        if plain(header) in CLOCK_WORDS
        and values[n]
        and all(re.fullmatch(r"\d{1,2}:\d{2}(:\d{2})?( ?[AaPp][Mm])?", v) for v in values[n])
    ]
    moments = [c for c in placed if SOURCES[source].fields[c].kind == "time" and values[placed[c][0]]]
    for column in moments:
        days_alone = all(":" not in v for v in values[placed[column][0]])
        if days_alone and len(clocks) == 1 and placed[column] != clocks:
            for other in [c for c, at in placed.items() if at == clocks]:
                del placed[other]
            placed[column] = [placed[column][0], clocks[0]]
            return
        if days_alone:
            made.notes.append(f"{column}: {headers[placed[column][0]]!r} has a day and no time of day.")


def _key_of_columns(placed: dict[str, list[int]], source: str, made: Proposal) -> None:
    """A log that numbers no row gets a key built of what it has."""
    key, of = _KEY_BUILT_OF.get(source, ("", []))
    if key and key not in placed and all(column in placed for column in of):
        made.layout["key"] = of
        made.notes.append(f"{key}: no header says it; built of {' and '.join(of)}, so no two rows may share both.")


def _headers(placed: dict[str, list[int]], headers: list[str], made: Proposal) -> None:
    theirs = {
        column: headers[places[0]] if len(places) == 1 else [headers[n] for n in places]
        for column, places in placed.items()
        if len(places) > 1 or same_header(headers[places[0]]) != same_header(column)
    }
    if theirs:
        made.layout["headers"] = theirs
    taken = {n for places in placed.values() for n in places}
    left = [h for n, h in enumerate(headers) if n not in taken and h]
    if left:
        made.notes.append(
            f"Not placed: {', '.join(repr(h) for h in left)}. Put those that mean a column under headers, and those "
            f"to pass over under ignore = {_value(left)}."
        )


# --- how its values are written ------------------------------------------------------------------
def _is_number(source: str, column: str) -> bool:
    return SOURCES[source].fields[column].kind in ("float", "int")


def _commas(values: list[str]) -> bool:
    """Whether numbers are written with a decimal comma: some with one, none with a point."""
    numbers = [v for v in values if NUMBER.fullmatch(v)]
    return any("," in v for v in numbers) and not any("." in v for v in numbers)


def _form(declared: Field, header: str, values: list[list[str]], places: list[int], made: Proposal) -> str:
    """What is proposed for how a column is written, in words; put into the layout where it differs from ours."""
    name, own = declared.name, values[places[0]]
    if declared.kind in ("float", "int"):
        return _unit(name, header, own, made)
    if declared.kind in ("time", "date"):
        texts = [" ".join(parts) for parts in zip(*(values[n] for n in places), strict=False)]
        return _moment_form(name, texts, made)
    allowed = declared.choices or (_TRUTHS if declared.kind == "bool" else ())
    strange = sorted({v for v in own if allowed and v.casefold() not in allowed})
    if strange and len(strange) <= 12:
        made.layout.setdefault("words", {})[name] = dict.fromkeys(strange, "")
        made.notes.append(
            f"{name}: say what {', '.join(repr(s) for s in strange)} mean{'s' if len(strange) == 1 else ''}: "
            f"{', '.join(allowed)}. Left empty they are read as not known."
        )
    return ""


def _unit(name: str, header: str, values: list[str], made: Proposal) -> str:
    ours = next(iter(units_of(name)), "")
    said = unit_in_header(name, header) or ("%" if ours == "%" and "%" in header else "")
    if said:
        if said != ours:
            made.layout.setdefault("units", {})[name] = said
        return said
    figures = numbers(values)
    other, most = _SHOWN_BY_VALUES.get(unit_ending(name), ("", 0.0))
    if figures and other and figures[len(figures) // 2] > most:
        made.layout.setdefault("units", {})[name] = other
        made.notes.append(f"{name}: taken to be {other}, for half of the values lie over {most:g}. Make sure of it.")
        return other
    if name.endswith("_pct") and figures and 0 < figures[-1] < 1:
        made.layout.setdefault("units", {})[name] = "fraction"
        made.notes.append(f"{name}: taken to be shares of 1, for none reaches 1. Make sure of it.")
        return "fraction"
    if ours and figures:
        made.notes.append(f"{name}: no unit is written over it; read as {ours}. Make sure of it.")
    return ours


def _moment_form(name: str, texts: list[str], made: Proposal) -> str:
    texts = list(dict.fromkeys(texts))
    if not texts or all(_ISO.fullmatch(t) for t in texts):
        return ""
    lengths = {len(t) for t in texts}
    digits = _DIGITS.get(lengths.pop(), "") if len(lengths) == 1 else ""
    if digits and all(t.isdigit() and t[:2] in ("19", "20") and _fits(t, digits) for t in texts):
        made.layout.setdefault("formats", {})[name] = digits
        return digits
    fit = [day + clock for day in _MOMENTS for clock in _CLOCKS if all(_fits(t, day + clock) for t in texts)]
    if len(fit) == 1:
        made.layout.setdefault("formats", {})[name] = fit[0]
        return fit[0]
    if fit:
        made.notes.append(
            f"{name}: every value fits {' as well as '.join(fit)}. Only you know which: put one under formats."
        )
        return "?"
    made.notes.append(f"{name}: not all values are written in one of the known ways, for instance {texts[0]!r}.")
    return "?"


def _fits(text: str, form: str) -> bool:
    for ours, theirs in _STRPTIME:
        form = form.replace(ours, theirs)
    try:
        datetime.strptime(text, form)
    except ValueError:
        return False
    return True


def _tell_missing(placed: dict[str, list[int]], source: str, made: Proposal) -> None:
    built = _KEY_BUILT_OF.get(source, ("", []))[0] if "key" in made.layout else ""
    missing = [c for c in SOURCES[source].required if c not in placed and c != built]
    if missing:
        made.notes.insert(
            0,
            f"Needed and not found: {', '.join(sorted(missing))}. Name its header under headers; what the log never "
            f"holds can be stated, see [sources.{source}.stated] in station.toml.",
        )


# --- TOML -----------------------------------------------------------------------------------------
def _key(text: str) -> str:
    return text if re.fullmatch(r"[A-Za-z0-9_-]+", text) else _value(text)


def _value(value: Any) -> str:
    if isinstance(value, list):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(value, ensure_ascii=False)
