"""A typed frame of one source goes in; clean rows and named problems come out.

The rules are pandera models made from the declarations. Every row is either clean or rejected, with at
least one problem that says where it stands, what is wrong and how to fix it.
"""

from collections.abc import Callable
from functools import cache, lru_cache

import numpy as np
import pandas as pd

from schemas.fields import Field
from schemas.frames import PANDAS, is_declared
from schemas.row_rules import fractions, frame_of, in_order, problem_of, role_of_a_tank, something_read
from schemas.sources import SOURCES, Source
from schemas.tables import TABLES
from shared.filling.permitted import above_permitted
from shared.gas.constants import ATM_BAR
from shared.gas.units import bar_from_psi, l_from_cuft

#: a value beyond its bound is often another unit; conversions that would explain it, by declared unit
_OTHER_UNITS: dict[str, list[tuple[str, str, Callable[[float], float]]]] = {
    "bar, gauge": [("psi", "psi", lambda v: v * 0.0689476), ("kPa", "kPa", lambda v: v / 100.0)],
    "bar, absolute": [("mbar", "mbar", lambda v: v / 1000.0)],
    "°C": [("F", "°F", lambda v: (v - 32.0) / 1.8), ("K", "kelvin", lambda v: v - 273.15)],
    "m": [("ft", "feet", lambda v: v * 0.3048)],
}

PRESSURES_DIFFER = (0.95, 1.15)
"""Working pressure in bar over that in psi: stamps are rounded, and a plus mark allows 10 % more."""
SIZES_DIFFER = (0.8, 1.25)
"""Water capacity over what follows from the rated content, which is rounded, and knows no compressibility."""

PROBLEM_COLUMNS = ("row_number", "line", "column", "value", "severity", "rule", "message", "fix")


@lru_cache(maxsize=512)
def model(source: str, columns: tuple[str, ...] = ()):
    """The pandera model of an input, made from its declaration; of some columns alone where they are named."""
    declared = SOURCES[source]
    return _schema(declared.name, {n: declared.fields[n] for n in columns or declared.fields}, declared.required)


@cache
def table_model(table: str):
    """The pandera model of a published table: dtypes, choices and bounds; key columns are never empty."""
    declared = TABLES[table]
    return _schema(declared.name, declared.fields, frozenset())


def _schema(name: str, fields: dict[str, Field], required: frozenset[str]):
    import pandera.pandas as pa

    def column(field: Field):
        checks = []
        if field.choices:
            checks.append(pa.Check.isin(field.choices, error="not_a_choice"))
        if field.low is not None:
            checks.append(pa.Check.ge(field.low, error="below_bound"))
        if field.high is not None:
            checks.append(pa.Check.le(field.high, error="above_bound"))
        return pa.Column(PANDAS[field.kind], checks, nullable=field.name not in required, required=True)

    return pa.DataFrameSchema({f.name: column(f) for f in fields.values()}, name=name, unique_column_names=True)


@cache
def _limits(source: str) -> tuple[list[str], np.ndarray, np.ndarray]:
    """Float columns of a source, and the bounds of each."""
    floats = [f for f in SOURCES[source].fields.values() if f.kind == "float"]
    low = np.array([-np.inf if f.low is None else f.low for f in floats])
    high = np.array([np.inf if f.high is None else f.high for f in floats])
    return [f.name for f in floats], low, high


def _may_break(source: str, frame: pd.DataFrame) -> list[str]:
    """Columns in which a row can break a rule of the model, in their order; none of a file that is clean.

    Asked first, for the model takes a millisecond and more a column, for three rows as for thirty thousand.
    """
    declared = SOURCES[source]
    dtypes = dict(zip(frame.columns, frame.dtypes, strict=True))
    if not all(is_declared(dtypes[f.name], f) for f in declared.fields.values()):
        return list(declared.fields)
    names, low, high = _limits(source)
    values = frame[names].to_numpy()
    beyond = ((values < low) | (values > high)).any(axis=0)
    found = {name for name, breaks in zip(names, beyond, strict=True) if breaks}
    for field in declared.fields.values():
        whole_number = field.kind == "int" and (field.low is not None or field.high is not None)
        if not (field.name in declared.required or field.choices or whole_number):
            continue
        column = frame[field.name]
        breaks = field.name in declared.required and column.hasnans
        if field.choices and not breaks:
            breaks = not set(column.dropna().unique()).issubset(field.choices)
        if whole_number and not breaks:
            whole = column.to_numpy("float64", na_value=np.nan)
            least, most = -np.inf if field.low is None else field.low, np.inf if field.high is None else field.high
            breaks = bool(((whole < least) | (whole > most)).any())
        if breaks:
            found.add(field.name)
    return [name for name in declared.fields if name in found]


def check(source: str, frame: pd.DataFrame, latest: pd.Timestamp) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Split typed rows into clean rows and problems.

    Parameters
    ----------
    source : str
    frame : DataFrame
        Columns of the source with their dtypes, `row_number` and `line`; unique index.
    latest : Timestamp
        UTC; nothing that has happened lies after it.

    Returns
    -------
    clean : DataFrame
        The rows of `frame` without a problem.
    problems : DataFrame
        PROBLEM_COLUMNS, at least one row for every row of `frame` that is not clean.
    """
    declared = SOURCES[source]
    found = [
        part
        for part in (_bounds(source, frame), _dates(declared, frame, latest), _SPECIAL.get(source, _nothing)(frame))
        if len(part)
    ]
    rest = frame[~frame.index.isin(pd.concat(found)["index"])] if found else frame
    found += [part for part in [_same_key(declared, rest)] if len(part)]
    if not found:
        return frame, pd.DataFrame(columns=list(PROBLEM_COLUMNS))
    problems = pd.concat(found, ignore_index=True)
    clean = frame[~frame.index.isin(problems["index"])]
    where = frame.loc[problems["index"], ["row_number", "line"]].reset_index(drop=True)
    problems = pd.concat([where, problems.reset_index(drop=True)], axis=1)
    problems["severity"] = "row"
    return clean, problems[list(PROBLEM_COLUMNS)]


def end_of_tomorrow(today: pd.Timestamp, time_zone: str) -> pd.Timestamp:
    """Nothing that has happened lies after this, UTC; `today` is naive midnight at the station."""
    end = (today + pd.Timedelta(days=2)).tz_localize(time_zone, nonexistent="shift_forward", ambiguous=True)
    return (end - pd.Timedelta(microseconds=1)).tz_convert("UTC").as_unit("us")


def latest_withdrawal(latest: pd.Timestamp, now: pd.Timestamp) -> pd.Timestamp:
    """The last moment of a withdrawal: it is dated by the clock, whatever day the station takes as today."""
    return max(latest, now + pd.Timedelta(days=1))


def _nothing(_frame_in) -> pd.DataFrame:
    return frame_of([])


def _bounds(source: str, frame: pd.DataFrame) -> pd.DataFrame:
    columns = _may_break(source, frame)
    if not columns:
        return frame_of([])
    import pandera.pandas as pa

    declared = SOURCES[source]
    try:
        model(source, tuple(columns)).validate(frame[columns], lazy=True)
        return frame_of([])
    except pa.errors.SchemaErrors as error:
        cases = error.failure_cases
    broken = cases[cases["index"].isna()]
    if len(broken):  # a dtype is wrong: the reader broke its promise, the row did not
        raise TypeError(f"{source}: {broken[['column', 'check', 'failure_case']].to_dict('records')}")
    rows = []
    for case in cases.itertuples():
        field = declared.fields[case.column]
        value = case.failure_case
        if str(case.check).startswith("not_nullable"):
            rows.append(
                problem_of(case.index, field.name, None, "missing_value", f"A required cell is empty: {field.name}.")
            )
        elif case.check == "not_a_choice":
            rows.append(
                problem_of(
                    case.index, field.name, value, "not_a_choice", f"{value!r} is none of: {', '.join(field.choices)}."
                )
            )
        else:
            bound, word = (field.low, "Below") if case.check == "below_bound" else (field.high, "Above")
            rows.append(
                problem_of(
                    case.index,
                    field.name,
                    value,
                    "out_of_bounds",
                    f"{word} {bound:g} {field.unit}".rstrip() + ".",
                    _fix_bound(source, field, float(value)),
                )
            )
    return frame_of(rows)


def _fix_bound(source: str, field: Field, value: float) -> str:
    """Names the unit that would explain the value, if one does; it is offered, never taken."""
    for unit, spoken, convert in _OTHER_UNITS.get(field.unit, ()):
        if field.low is not None and field.high is not None and field.low <= convert(value) <= field.high:
            return (
                f'Is it {spoken}? Map the unit in station.toml ([sources.{source}.units] {field.name} = "{unit}") '
                "or correct the row and drop the file again; after a change of mapping, the next run rereads the file "
                "by itself."
            )
    return "Correct the row and drop the file again."


def _dates(declared: Source, frame: pd.DataFrame, latest: pd.Timestamp) -> pd.DataFrame:
    rows = []
    for field in declared.fields.values():
        if field.kind not in ("time", "date") or frame.empty:
            continue
        limit = latest if field.kind == "time" else latest.tz_localize(None).normalize()
        column = frame[field.name]
        latest_here, earliest = column.max(), pd.Timestamp("1900-01-01", tz=limit.tz)
        if latest_here is pd.NaT or (column.min() >= earliest and latest_here <= limit):
            continue
        if not field.may_lie_ahead:
            for i, v in column[column > limit].items():
                why = f"{v.day} {v:%b %Y} lies after tomorrow: it cannot have happened yet."
                rows.append(problem_of(i, field.name, v, "in_the_future", why))
        early = column[column < earliest]
        rows += [
            problem_of(i, field.name, v, "out_of_bounds", "before 1900.", "Correct the date and drop the file again.")
            for i, v in early.items()
        ]
    return frame_of(rows)


def _same_key(declared: Source, frame: pd.DataFrame) -> pd.DataFrame:
    """The same key twice with different values: both are rejected, for nobody can say which is right."""
    key, columns = list(declared.key), list(declared.fields)
    twice = frame.duplicated(key, keep=False)
    if not twice.any():
        return frame_of([])
    doubled = frame[twice]
    different = ~doubled.duplicated(columns, keep=False)
    # a group conflicts when any of its rows differs from the others
    conflict = different.groupby([doubled[k].astype("str").fillna("") for k in key]).transform("any")
    groups = doubled[columns].drop_duplicates().groupby(key, dropna=False).size()
    conflict |= doubled.set_index(key).index.isin(groups[groups > 1].index)
    rows = []
    for i, row in doubled[conflict.to_numpy()].iterrows():
        named = ", ".join(str(row[k]) for k in key if not pd.isna(row[k]))
        rows.append(
            problem_of(
                i,
                declared.key[0],
                row[declared.key[0]],
                "key_conflict",
                f"{' + '.join(key)} = {named} stands in this file more than once, with different values.",
            )
        )
    return frame_of(rows)


def _cylinder_sizes(frame: pd.DataFrame) -> pd.DataFrame:
    """Size and pressure must come from litres and bar, or from a rating in cubic feet and psi."""
    rated = frame["rated_capacity_cuft"].notna() & frame["service_pressure_psi"].notna()
    rows = []
    for column, other in (
        ("water_capacity_l", "rated_capacity_cuft"),
        ("working_pressure_bar", "service_pressure_psi"),
    ):
        lacking = frame[column].isna() & ~(rated if column == "water_capacity_l" else frame[other].notna())
        rows += [
            problem_of(
                i,
                column,
                None,
                "missing_value",
                f"{column} is empty, and so is {other}.",
                f"Give {column}, or rated_capacity_cuft and service_pressure_psi as stamped.",
            )
            for i in frame.index[lacking]
        ]
    rows += _impossible_ratings(frame)
    rows += _working_above_test(frame) + _two_ratings(frame)
    return pd.concat(
        [
            frame_of(rows),
            in_order("manufactured_on", "first_used_on")(frame),
            in_order("manufactured_on", "service_life_ends_on")(frame),
            in_order("first_used_on", "service_life_ends_on")(frame),
        ],
        ignore_index=True,
    )


def _working_above_test(frame: pd.DataFrame) -> list[dict]:
    """A cylinder is tested above what it works at (two stamps in swapped columns, most likely)."""
    working = frame["working_pressure_bar"].fillna(bar_from_psi(frame["service_pressure_psi"]))
    wrong = frame.index[above_permitted(working, frame["test_pressure_bar"])]
    return [
        problem_of(
            i,
            "working_pressure_bar",
            working[i],
            "working_above_test",
            f"A working pressure of {working[i]:.4g} bar is above the test pressure of "
            f"{frame.at[i, 'test_pressure_bar']:.4g} bar.",
        )
        for i in wrong
    ]


def _two_ratings(frame: pd.DataFrame) -> list[dict]:
    """One thing said twice, in two units, with two meanings: nobody can say which stamp was misread."""
    service_bar = bar_from_psi(frame["service_pressure_psi"])
    rated_at_bar = bar_from_psi(frame["rated_at_psi"].fillna(frame["service_pressure_psi"]))
    size_l = l_from_cuft(frame["rated_capacity_cuft"]) * ATM_BAR / (rated_at_bar + ATM_BAR)
    pairs = (
        ("working_pressure_bar", "service_pressure_psi", "bar", service_bar, PRESSURES_DIFFER),
        ("water_capacity_l", "rated_capacity_cuft", "litres", size_l, SIZES_DIFFER),
    )
    rows = []
    for column, other, unit, follows, (least, most) in pairs:
        ratio = frame[column] / follows
        rows += [
            problem_of(
                i,
                column,
                frame.at[i, column],
                "ratings_contradict",
                f"{column} is {frame.at[i, column]:.4g}, but {other} of {frame.at[i, other]:.4g} is {follows[i]:.4g} "
                f"{unit}.",
            )
            for i in frame.index[(ratio < least) | (ratio > most)]
        ]
    return rows


def _impossible_ratings(frame: pd.DataFrame) -> list[dict]:
    """A rating from which a size or a pressure would follow that no cylinder has: most likely another unit."""
    fields = SOURCES["cylinders"].fields
    rated_at_bar = bar_from_psi(frame["rated_at_psi"].fillna(frame["service_pressure_psi"]))
    size_l = l_from_cuft(frame["rated_capacity_cuft"]) * ATM_BAR / (rated_at_bar + ATM_BAR)
    follows = {
        ("rated_capacity_cuft", "water_capacity_l"): size_l.where(frame["water_capacity_l"].isna()),
        ("service_pressure_psi", "working_pressure_bar"): bar_from_psi(frame["service_pressure_psi"]).where(
            frame["working_pressure_bar"].isna()
        ),
    }
    rows = []
    for (column, other), value in follows.items():
        field = fields[other]
        wrong = frame.index[(value < field.low) | (value > field.high)]
        rows += [
            problem_of(
                i,
                column,
                frame.at[i, column],
                "out_of_bounds",
                f"From it {other} would be {value[i]:.0f}, outside {field.low:g} to {field.high:g}.",
                f"Correct it, or give {other}.",
            )
            for i in wrong
        ]
    return rows


_SPECIAL: dict[str, Callable[[pd.DataFrame], pd.DataFrame]] = {
    "cylinders": _cylinder_sizes,
    "fills": fractions(
        ("target_o2_pct", "target_he_pct", "target_ar_pct"),
        ("analysed_o2_pct", "analysed_he_pct"),
        ("second_analysed_o2_pct", "analysed_he_pct"),
    ),
    "fill_readings": something_read,
    "links": role_of_a_tank,
    "sources": fractions(("o2_pct", "he_pct")),
    "dive_tanks": fractions(("o2_pct", "he_pct", "ar_pct")),
    "bookings": in_order("starts_on", "ends_on"),
    "set_members": in_order("from_on", "to_on"),
    "loans": in_order("out_at", "back_at"),
    "visits": in_order("visit_on", "back_on"),
}
