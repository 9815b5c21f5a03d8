"""One `[sources.…]` table of `station.toml` → a checked Mapping."""

import codecs
from typing import Any
from zoneinfo import available_timezones

from pipelines.readers.doubtful import PART_OF_MIX
from pipelines.readers.mapping import (
    DAY_NUMBER,
    ENCODINGS,
    FROM_WORKING_PRESSURE,
    NEVER_STATED,
    Mapping,
    columns_named,
    conversion,
    units_of,
)
from pipelines.readers.moments import strptime_of
from pipelines.readers.stated import is_air
from schemas.fields import Field
from schemas.sources import SOURCES
from shared.mixing import share_for_per_cent

_PLAIN = (
    "channel_names",
    "channel_values",
    "sheet",
    "encoding",
    "separator",
    "zone",
    "decimal",
    "thousands",
    "less_than",
)
_LISTS = ("names", "empty", "ignore", "key")
_TABLES = ("headers", "units", "formats", "words", "channels", "stated")
KNOWN = ("header_row", *_PLAIN, *_LISTS, *_TABLES)


class Complain:
    """Takes mistakes: where, the value, what is wrong, how to mend it."""

    def __call__(self, where: tuple[str, ...], value: Any, wrong: str, mend: str) -> None:
        raise NotImplementedError

    def unknown(self, where: tuple[str, ...], known: tuple[str, ...]) -> None:
        raise NotImplementedError


def read_mapping(source: str, told: Any, complain: Complain) -> Mapping:
    """The mapping of a source; what is wrong in it is complained of and left out."""
    at = ("sources", source)
    if not isinstance(told, dict):
        complain(at, told, "must be a table", f"[sources.{source}]")
        return Mapping(source)
    for key in told:
        if key not in KNOWN:
            complain.unknown((*at, key), KNOWN)
    made: dict[str, Any] = {}
    for key in _PLAIN:
        if key in told:
            made[key] = _plain(key, told[key], (*at, key), complain)
    for key in _LISTS:
        if key in told:
            made[key] = _list(told[key], (*at, key), complain)
    if "header_row" in told:
        row = told["header_row"]
        if isinstance(row, int) and not isinstance(row, bool) and 1 <= row <= 1000:
            made["header_row"] = row
        else:
            complain(
                (*at, "header_row"), row, "must be the number of the row that holds the column names", "header_row = 1"
            )
    readers = {"headers": _header, "units": _unit, "formats": _format, "words": _words, "stated": _stated}
    for key, read in readers.items():
        table = told.get(key, {})
        if not isinstance(table, dict):
            complain((*at, key), table, "must be a table", f"[sources.{source}.{key}]")
            continue
        made[key] = {}
        # what names one column comes after the patterns, whatever the order of writing
        for name, value in sorted(table.items(), key=lambda item: not _pattern(item[0])):
            where = (*at, key, name)
            columns = columns_named(source, name)
            if not columns:
                complain.unknown(where, tuple(SOURCES[source].fields))
                continue
            for column in columns:
                if key == "units" and len(columns) > 1 and conversion(column, str(value)) is None:
                    continue  # a pattern means those of its columns that can be in the unit
                if key == "units":
                    patterns = (p for p in made.get("by_pattern", ()) if p != column)
                    made["by_pattern"] = (*patterns, column) if _pattern(name) else tuple(patterns)
                good = read(source, SOURCES[source].fields[column], value, where, complain)
                if good is not None:
                    made[key][column] = good
    made["channels"] = _channels(source, told.get("channels", {}), (*at, "channels"), complain)
    mapping = Mapping(source, **{k: v for k, v in made.items() if v is not None})
    if len({bool(mapping.channel_names), bool(mapping.channel_values), bool(mapping.channels)}) > 1:
        complain(
            (*at, "channels"),
            mapping.channels,
            "a log with a line a reading needs all three",
            "Give channel_names, channel_values and [channels].",
        )
    if mapping.thousands and mapping.thousands == mapping.decimal:
        complain((*at, "thousands"), mapping.thousands, "is the decimal mark as well", "Name another one.")
    if mapping.key and all(SOURCES[source].fields[c].kind != "text" for c in SOURCES[source].key):
        complain((*at, "key"), list(mapping.key), "this source has no key that could be built", "Leave it out.")
    return mapping


def _pattern(name: str) -> bool:
    return any(c in name for c in "*?[")


def _plain(key: str, value: Any, where: tuple[str, ...], complain: Complain) -> str | None:
    rules: dict[str, tuple[Any, str, str]] = {
        "sheet": (lambda v: True, "", ""),
        "channel_names": (lambda v: bool(v.strip()), "must be a header", ""),
        "channel_values": (lambda v: bool(v.strip()), "must be a header", ""),
        "encoding": (_encoding, "is not known", f"One of: {', '.join(ENCODINGS)}."),
        "separator": (
            lambda v: len(v) == 1 and v not in "\"'\r\n.0123456789",
            "must be one character",
            'separator = ";"',
        ),
        "zone": (lambda v: v in available_timezones(), "is no time zone", 'Write it as "Europe/London".'),
        "decimal": (lambda v: v in (".", ","), 'must be "." or ","', ""),
        "thousands": (
            lambda v: v in (".", ",", "'", "’", " ", "\u00a0", "\u202f", "\u2009"),
            "is no separator of thousands",
            'thousands = "."',
        ),
        "less_than": (lambda v: v == "limit", 'must be "limit" or be left out', ""),
    }
    good, wrong, mend = rules[key]
    if isinstance(value, str) and good(value):
        return value.lower() if key == "encoding" else value
    complain(where, value, wrong or "must be text in quotation marks", mend)
    return None


def _encoding(value: str) -> bool:
    try:
        return codecs.lookup(value).name in {codecs.lookup(e).name for e in ENCODINGS}
    except LookupError:
        return False


def _list(value: Any, where: tuple[str, ...], complain: Complain) -> tuple[str, ...] | None:
    listed = [value] if isinstance(value, str) else value
    if isinstance(listed, list) and all(isinstance(v, str) and v.strip() for v in listed):
        return tuple(listed)
    complain(where, value, "must be a list of texts", f'{where[-1]} = ["…"]')
    return None


def _channels(source: str, told: Any, where: tuple[str, ...], complain: Complain) -> dict[str, str]:
    if not isinstance(told, dict):
        complain(where, told, "must be a table: their word = our column", '"sensor 1" = "tank_1_bar"')
        return {}
    for word, column in told.items():
        if column not in SOURCES[source].fields:
            complain((*where, word), column, f"is no column of {source}", "")
    return {w: c for w, c in told.items() if isinstance(c, str) and c in SOURCES[source].fields}


def _header(
    _source: str, _field: Field, value: Any, where: tuple[str, ...], complain: Complain
) -> tuple[str, ...] | None:
    return _list(value, where, complain)


def _unit(_source: str, field: Field, value: Any, where: tuple[str, ...], complain: Complain) -> str | None:
    if field.kind not in ("float", "int") or not units_of(field.name):
        complain(where, value, f"{field.name} has no unit that could be another", "Leave it out.")
        return None
    found = conversion(field.name, value) if isinstance(value, str) else None
    if found is None:
        hint = " Free content in cubic feet belongs in rated_capacity_cuft." if field.name == "water_capacity_l" else ""
        complain(
            where,
            value,
            f"is no unit that {field.name} is converted from",
            f"One of: {', '.join(units_of(field.name))}.{hint}",
        )
        return None
    return found[0]


def _format(_source: str, field: Field, value: Any, where: tuple[str, ...], complain: Complain) -> str | None:
    if field.kind not in ("time", "date"):
        complain(where, value, f"{field.name} is no date or time", "Leave it out.")
        return None
    if value == DAY_NUMBER:
        return value
    coded = strptime_of(value) if isinstance(value, str) else ""
    if not (any(y in coded for y in ("%Y", "%y")) and any(m in coded for m in ("%m", "%b", "%B")) and "%d" in coded):
        complain(where, value, "must name year, month and day", 'For instance "DD/MM/YYYY hh:mm".')
        return None
    if coded.startswith("%Y-%d"):
        complain(
            where, value, "looks like an ISO date and is none, so it is not read", "Let the source write YYYY-MM-DD."
        )
        return None
    return value


def _words(_source: str, field: Field, value: Any, where: tuple[str, ...], complain: Complain) -> dict[str, str] | None:
    if not (isinstance(value, dict) and all(isinstance(v, str) for v in value.values())):
        complain(where, value, "must be a table: their word = our word", 'ja = "true"')
        return None
    allowed = field.choices or (("true", "false") if field.kind == "bool" else ())
    if field.kind not in ("choice", "bool", "text"):
        complain(where, value, f"{field.name} holds no words", "Leave it out.")
        return None
    for theirs, ours in value.items():
        if allowed and ours and ours not in allowed:
            complain((*where, theirs), ours, f"is not one of {', '.join(allowed)}", "An empty text means: not known.")
    return dict(value)


def _stated(source: str, field: Field, value: Any, where: tuple[str, ...], complain: Complain) -> Any:
    name = field.name
    if NEVER_STATED.fullmatch(name):
        complain(
            where,
            value,
            f"{name} is never assumed: it was measured, or it decides whether a cylinder may be used",
            "Record it.",
        )
        return None
    if value == FROM_WORKING_PRESSURE:
        if name.endswith("_bar") and "unit_id" in SOURCES[source].fields:
            return value
        complain(where, value, f"{name} cannot be the unit's own working pressure", "State a number.")
        return None
    if isinstance(value, list):
        if field.kind == "float" and len(value) == 12 and all(_within(field, v) for v in value):
            return tuple(float(v) for v in value)
        complain(
            where,
            value,
            f"must be twelve numbers, January first, from {field.low:g} to {field.high:g}"
            if field.low is not None
            else "must be twelve numbers, January first",
            "",
        )
        return None
    if field.kind in ("float", "int"):
        if not _within(field, value) or (field.kind == "int" and not float(value).is_integer()):
            complain(
                where,
                value,
                f"must be a number from {field.low:g} to {field.high:g}",
                f"In {field.unit}." if field.unit else "",
            )
            return None
        if field.unit == PART_OF_MIX and share_for_per_cent(value):
            complain(where, value, "is a share, not per cent", f"Did you mean {100 * value:g}?")
            return None
        if name in ("o2_pct", "target_o2_pct") and not is_air(value):
            complain(where, value, "oxygen may be stated for air only", f"{name} = 20.95, or record it.")
            return None
        return value
    good = (
        value in field.choices
        if field.kind == "choice"
        else isinstance(value, bool)
        if field.kind == "bool"
        else isinstance(value, str) and bool(value.strip())
    )
    if field.kind in ("time", "date") or not good:
        complain(
            where,
            value,
            f"cannot be stated for {name}",
            f"One of: {', '.join(field.choices)}." if field.choices else "",
        )
        return None
    return value


def _within(field: Field, value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return (field.low is None or value >= field.low) and (field.high is None or value <= field.high)
