"""Layouts in `station.toml`: how a source's files are written, declared and checked, → a Mapping.

`[sources.SOURCE]` is the layout of the files that no `[layouts.NAME]` matches.
"""

import codecs
from collections.abc import Callable
from typing import Annotated, Any, Self

from pydantic import AfterValidator, Field, ValidationInfo, create_model, field_validator, model_validator

from pipelines.readers.tables.doubtful import PART_OF_MIX
from pipelines.readers.tables.mapping import (
    DAY_NUMBER,
    ENCODINGS,
    FROM_WORKING_PRESSURE,
    NEVER_STATED,
    Mapping,
    columns_named,
    conversion,
    is_pattern,
    units_of,
)
from pipelines.readers.tables.moments import strptime_of
from pipelines.readers.tables.stated import is_air
from pipelines.station.settings_words import Mistake, Mistakes, Table, Texts, Zone, number, one_of, wrong
from schemas import fields
from schemas.sources import SOURCES
from shared.gas.mixing import share_for_per_cent


def _encoding(value: str) -> str:
    try:
        if codecs.lookup(value).name in {codecs.lookup(e).name for e in ENCODINGS}:
            return value.lower()
    except LookupError:
        pass
    raise wrong("is not known", f"One of: {', '.join(ENCODINGS)}.")


def _separator(value: str) -> str:
    if len(value) != 1 or value in "\"'\r\n.0123456789":
        raise wrong("must be one character", 'separator = ";"')
    return value


def _header_row(value: int) -> int:
    if not 1 <= value <= 1000:
        raise wrong("must be the number of the row that holds the column names", "header_row = 1")
    return value


def _some(patterns: tuple[str, ...]) -> tuple[str, ...]:
    if not patterns:
        raise wrong("must name at least one pattern of file names", 'files = ["fills-bench-*.csv"]')
    return patterns


class Layout(Table):
    """How the files of one source are written. Everything is optional; empty means 'as the contract says'."""

    source: one_of(*SOURCES, fix="How UDDF files are read stands in [uddf].") = Field(  # type: ignore[valid-type]
        description='Whose files are they? For instance: source = "fills"'
    )
    sheet: str = ""
    header_row: Annotated[number(int), AfterValidator(_header_row)] = 1  # type: ignore[valid-type]
    encoding: Annotated[str, AfterValidator(_encoding)] = "utf-8"
    separator: Annotated[str, AfterValidator(_separator)] = ""
    zone: Zone = ""
    decimal: one_of(".", ",") = "."  # type: ignore[valid-type]
    thousands: one_of(".", ",", "'", "’", " ", "\u00a0", "\u202f", "\u2009", fix='thousands = "."') = ""  # type: ignore[valid-type]
    less_than: one_of("limit", fix="Or leave it out.") = ""  # type: ignore[valid-type]
    empty: Texts = ()
    ignore: Texts = ()
    key: Texts = ()
    headers: dict[str, Texts] = Field(default_factory=dict)
    units: dict[str, str] = Field(default_factory=dict)
    formats: dict[str, str] = Field(default_factory=dict)
    words: dict[str, dict[str, str]] = Field(default_factory=dict)
    channel_names: str = ""
    channel_values: str = ""
    channels: dict[str, str] = Field(default_factory=dict)
    stated: dict[str, Any] = Field(default_factory=dict)

    @field_validator("headers", "units", "formats", "words", "stated")
    @classmethod
    def _columns_are_known(cls, table: dict, info: ValidationInfo) -> dict:
        if "source" in info.data and info.field_name:
            _by_column(info.data["source"], info.field_name, table)
        return table

    @field_validator("channels")
    @classmethod
    def _channels_are_columns(cls, table: dict[str, str], info: ValidationInfo) -> dict[str, str]:
        source = info.data.get("source")
        unknown = [w for w, c in table.items() if source and c not in SOURCES[source].fields]
        if unknown:
            raise Mistakes(Mistake((w,), table[w], f"is no column of {source}") for w in unknown)
        return table

    @model_validator(mode="after")
    def _parts_fit(self) -> Self:
        found = []
        if len({bool(self.channel_names), bool(self.channel_values), bool(self.channels)}) > 1:
            lacks = "a log with a line a reading needs all three"
            fix = "Give channel_names, channel_values and [channels]."
            found.append(Mistake(("channels",), self.channels, lacks, fix))
        if self.thousands and self.thousands == self.decimal:
            found.append(Mistake(("thousands",), self.thousands, "is the decimal mark as well", "Name another one."))
        columns = SOURCES[self.source].fields
        if self.key and all(columns[c].kind != "text" for c in SOURCES[self.source].key):
            lacks = "this source has no key that could be built"
            found.append(Mistake(("key",), list(self.key), lacks, "Leave it out."))
        if found:
            raise Mistakes(found)
        return self

    def mapping(self, name: str = "", files: tuple[str, ...] = ()) -> Mapping:
        """What the readers take: every rule by contract column."""
        plain = self.model_dump(exclude={"names", "files", "headers", "units", "formats", "words", "stated"})
        tables: dict[str, Any] = {
            key: _by_column(self.source, key, getattr(self, key))
            for key in ("headers", "units", "formats", "words", "stated")
        }
        own = {c for rule in self.units if not is_pattern(rule) for c in columns_named(self.source, rule)}
        by_pattern = tuple(sorted(set(tables["units"]) - own))
        return Mapping(**plain, **tables, by_pattern=by_pattern, names=files, layout=name)


class NamedLayout(Layout):
    """`[layouts.NAME]`: the layout of those files of a source whose names match."""

    files: Annotated[Texts, AfterValidator(_some)] = Field(
        description='Which files are written so? For instance: files = ["fills-bench-*.csv"]'
    )


class SourceLayout(Layout):
    """`[sources.SOURCE]`: the layout of the other files of a source, and further names of theirs."""

    names: Texts = ()


def _of_source(source: str) -> Any:
    return create_model(f"Source_{source}", __base__=SourceLayout, source=(one_of(source), source))


#: the table `[sources]`, with a layout for each
_BY_SOURCE: dict[str, Any] = {source: ((of := _of_source(source)), of()) for source in SOURCES}
Sources: Any = create_model("Sources", __base__=Table, **_BY_SOURCE)


# --- rules by column --------------------------------------------------------------------------
class _Wrong(ValueError):
    def __init__(self, what: str, fix: str = ""):
        super().__init__(what)
        self.what, self.fix = what, fix


def _by_column(source: str, table: str, rules: dict[str, Any]) -> dict[str, Any]:
    """The rules of one table by contract column; what names a column beats a pattern.

    Raises
    ------
    Mistakes
        Columns that the source does not have, and rules that do not fit theirs.
    """
    declared = SOURCES[source].fields
    check = _CHECKS[table]
    found: dict[str, Any] = {}
    mistakes: dict[str, Mistake] = {}
    for name, value in sorted(rules.items(), key=lambda rule: not is_pattern(rule[0])):
        columns = columns_named(source, name)
        if table == "units" and len(columns) > 1:  # a pattern means those of its columns that can be in the unit
            columns = [c for c in columns if conversion(c, value)] or columns[:1]
        if not columns:
            mistakes[name] = Mistake((name,), known=tuple(declared))
        for column in columns:
            try:
                found[column] = check(source, declared[column], value)
            except _Wrong as error:
                mistakes[name] = Mistake((name,), value, error.what, error.fix)
    if mistakes:
        raise Mistakes(mistakes.values())
    return found


def _as_it_is(_source: str, _field: fields.Field, value: Any) -> Any:
    return value


def _unit(_source: str, field: fields.Field, value: str) -> str:
    if field.kind not in ("float", "int") or not units_of(field.name):
        raise _Wrong(f"{field.name} has no unit that could be another", "Leave it out.")
    found = conversion(field.name, value)
    if found is None:
        hint = " Free content in cubic feet belongs in rated_capacity_cuft." if field.name == "water_capacity_l" else ""
        raise _Wrong(
            f"is no unit that {field.name} is converted from", f"One of: {', '.join(units_of(field.name))}.{hint}"
        )
    return found[0]


def _format(_source: str, field: fields.Field, value: str) -> str:
    if field.kind not in ("time", "date"):
        raise _Wrong(f"{field.name} is no date or time", "Leave it out.")
    if value == DAY_NUMBER:
        return value
    coded = strptime_of(value)
    if not (any(y in coded for y in ("%Y", "%y")) and any(m in coded for m in ("%m", "%b", "%B")) and "%d" in coded):
        raise _Wrong("must name year, month and day", 'For instance "DD/MM/YYYY hh:mm".')
    if coded.startswith("%Y-%d"):
        raise _Wrong("looks like an ISO date and is none, so it is not read", "Let the source write YYYY-MM-DD.")
    return value


def _words(_source: str, field: fields.Field, value: dict[str, str]) -> dict[str, str]:
    if field.kind not in ("choice", "bool", "text"):
        raise _Wrong(f"{field.name} holds no words", "Leave it out.")
    allowed = field.choices or (("true", "false") if field.kind == "bool" else ())
    for theirs, ours in value.items():
        if allowed and ours and ours not in allowed:
            raise _Wrong(f"{theirs!r} = {ours!r} is not one of {', '.join(allowed)}", "An empty text means: not known.")
    return value


def _stated(source: str, field: fields.Field, value: Any) -> Any:
    name = field.name
    bounds = f" from {field.low:g} to {field.high:g}" if field.low is not None else ""
    if NEVER_STATED.fullmatch(name):
        raise _Wrong(
            f"{name} is never assumed: it was measured, or it decides whether a cylinder may be used", "Record it."
        )
    if value == FROM_WORKING_PRESSURE:
        if name.endswith("_bar") and "unit_id" in SOURCES[source].fields:
            return value
        raise _Wrong(f"{name} cannot be the unit's own working pressure", "State a number.")
    if isinstance(value, list):
        if field.kind == "float" and len(value) == 12 and all(_within(field, v) for v in value):
            return tuple(float(v) for v in value)
        raise _Wrong(f"must be twelve numbers, January first,{bounds}".rstrip(","))
    if field.kind in ("float", "int"):
        if not _within(field, value) or (field.kind == "int" and not float(value).is_integer()):
            raise _Wrong(f"must be a number{bounds}", f"In {field.unit}." if field.unit else "")
        if field.unit == PART_OF_MIX and share_for_per_cent(value):
            raise _Wrong("is a share, not per cent", f"Did you mean {100 * value:g}?")
        if name in ("o2_pct", "target_o2_pct") and not is_air(value):
            raise _Wrong("oxygen may be stated for air only", f"{name} = 20.95, or record it.")
        return value
    fits = {
        "choice": value in field.choices if isinstance(value, str) else False,
        "bool": isinstance(value, bool),
        "text": isinstance(value, str) and bool(value.strip()),
    }
    if not fits.get(field.kind, False):
        raise _Wrong(f"cannot be stated for {name}", f"One of: {', '.join(field.choices)}." if field.choices else "")
    return value


def _within(field: fields.Field, value: Any) -> bool:
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return False
    return (field.low is None or value >= field.low) and (field.high is None or value <= field.high)


_CHECKS: dict[str, Callable[[str, fields.Field, Any], Any]] = {
    "headers": _as_it_is,
    "units": _unit,
    "formats": _format,
    "words": _words,
    "stated": _stated,
}
