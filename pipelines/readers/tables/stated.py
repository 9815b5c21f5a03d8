"""What a log never holds: keys built from named columns, and values that the mapping states for all rows."""

import numpy as np
import pandas as pd

from pipelines.readers.raw import DTYPES, unknown
from pipelines.readers.tables import values
from pipelines.readers.tables.mapping import FROM_WORKING_PRESSURE, Mapping, key_column, same_header
from schemas.sources import SOURCES
from shared.gas.constants import AIR_O2_PCT

#: the source's own time decides the month of a value stated by month
_TIMES = (
    "filled_at",
    "started_at",
    "read_at",
    "out_at",
    "released_at",
    "inspected_on",
    "sampled_on",
    "starts_on",
    "visit_on",
)
_OXYGEN = ("target_o2_pct", "o2_pct")


def build_key(frame: pd.DataFrame, source: str, mapping: Mapping, sheet, bad) -> None:
    """Fill the source's own key from the columns the mapping names, joined by hyphens; in place.

    A part that is one of our columns counts as we read it (a time in UTC), so that another way of writing
    it gives the same key; any other column counts as written.
    """
    column = key_column(source, mapping, frame.columns)
    if column is None:
        return
    places = {same_header(h): n for n, h in enumerate(sheet.headers)}
    parts = []
    for name in mapping.key:
        if name in frame:
            part = frame[name]
            if str(part.dtype).startswith("datetime64"):
                part = part.dt.strftime("%Y%m%dT%H%M%S" if part.dt.tz is not None else "%Y%m%d")
            part = part.astype("str")
        elif same_header(name) in places:
            part = pd.Series(values.trimmed(sheet.columns[places[same_header(name)]]).to_pandas(), dtype="str")
        else:
            part = pd.Series([None] * len(frame), dtype="str")
        for row in np.flatnonzero(part.isna() & ~bad.rejected):
            bad.row(int(row), "key_incomplete", name, {})
        parts.append(part.fillna(""))
    made = parts[0]
    for part in parts[1:]:
        made = made + "-" + part
    frame[column] = made.astype("str")


def state(frame: pd.DataFrame, source: str, mapping: Mapping, bad, table) -> list[list[str]] | None:
    """Fill a column that the file lacks, and blank cells of an optional one, with what the mapping states; in place.

    A required cell that is blank beside filled ones is missing; a cell whose value was left out is not blank.

    Returns
    -------
    list of list of str, or None
        For each row the columns whose value was stated.
    """
    size = len(frame)
    if not size or not mapping.stated:
        return None
    assumed: list[list[str]] = [[] for _ in range(size)]
    order = sorted(mapping.stated, key=lambda c: c in _OXYGEN)  # the method first: oxygen asks whether it was air
    for column in order:
        field = SOURCES[source].fields[column]
        if column not in frame:
            frame[column] = unknown(field.kind, size)
        rows = frame[column].isna().to_numpy().copy()
        rows[[row for row, _, _, of, _ in bad.found if of == column]] = False
        if column in SOURCES[source].required and not frame[column].isna().all():
            continue
        constant_or_list = mapping.stated[column]
        if constant_or_list == FROM_WORKING_PRESSURE:
            table.from_working_pressure.append(column)
        elif isinstance(constant_or_list, (list, tuple)):
            when = next((frame[c] for c in _TIMES if c in frame), None)
            month = when.dt.month if when is not None else pd.Series(np.nan, index=frame.index)
            by_month = month.map(dict(enumerate(constant_or_list, 1))).astype("float64")
            rows &= by_month.notna().to_numpy()
            frame[column] = frame[column].where(~rows, by_month)
        else:
            if column in _OXYGEN and source == "fills":
                air = np.zeros(size, dtype=bool)
                if "fill_method" in frame:
                    air = (frame["fill_method"] == "air").fillna(False).to_numpy(dtype=bool)
                for row in np.flatnonzero(rows & ~air & ~bad.rejected):
                    bad.row(int(row), "stated_not_for_this_gas", column, {})
                rows &= air
            constant = pd.Series([typed_constant(constant_or_list, field.kind)] * size, dtype=DTYPES[field.kind])
            frame[column] = frame[column].astype(DTYPES[field.kind]).where(~rows, constant)
        for row in np.flatnonzero(rows):
            assumed[row].append(column)
    return assumed


def typed_constant(constant_or_list, kind: str):
    """A constant of the mapping in the type of its column."""
    if kind in ("float", "int"):
        return float(constant_or_list) if kind == "float" else int(constant_or_list)
    return constant_or_list


def is_air(o2_pct: float) -> bool:
    """Whether a stated share of oxygen is that of air."""
    return abs(o2_pct - AIR_O2_PCT) <= 0.1
