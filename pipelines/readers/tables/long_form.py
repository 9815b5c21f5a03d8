"""Logs that give a line to each reading: the lines of one moment become one row, as the contract has it."""

import numpy as np
import pandas as pd
import pyarrow as pa

from pipelines.readers.raw import problem
from pipelines.readers.tables.mapping import Mapping, same_header
from pipelines.readers.tables.sheet import Sheet, refused
from schemas.sources import SOURCES


def widened(sheet: Sheet, source: str, mapping: Mapping, problems: list) -> Sheet:
    """The sheet with a column for each channel and a row for each key.

    Parameters
    ----------
    sheet : Sheet
    source : str
    mapping : Mapping
        `channel_names` and `channel_values` are headers, `channels` says which word is which column. A
        mapping without them leaves the sheet as it is.
    problems : list
        Gets a problem for each channel that nobody asked for.

    Raises
    ------
    Refused
        A header of the mapping, or of the key, is not in the file.

    Notes
    -----
    A row counts from its first line on. Two lines of one key that disagree reject the row.
    """
    if not mapping.channels:
        return sheet
    places = {same_header(h): n for n, h in enumerate(sheet.headers)}
    names, readings = (_place(places, h, source) for h in (mapping.channel_names, mapping.channel_values))
    key = [place for c in SOURCES[source].key for place in _key_places(c, mapping, places)]
    if not key:
        raise refused(
            "missing_column", column=", ".join(SOURCES[source].key), found=", ".join(sheet.headers), source=source
        )
    size = len(sheet.lines)
    text = [c.to_pandas() for c in sheet.columns]
    row_of = pd.DataFrame({n: text[n] for n in key}).groupby(list(key), sort=False, dropna=False).ngroup().to_numpy()
    rows = int(row_of.max()) + 1 if size else 0
    bad: dict[int, tuple[str, dict]] = {int(row_of[r]): w for r, w in sheet.bad_rows.items()}
    sound = np.ones(size, dtype=bool)
    sound[list(sheet.bad_rows)] = False

    headers, columns = [], []
    for place, header in enumerate(sheet.headers):
        if place not in (names, readings):
            headers.append(header)
            columns.append(_first(text[place], row_of, rows, sound, header, bad))
    channel = text[names].str.casefold()
    known = {word.strip().casefold(): column for word, column in mapping.channels.items()}
    for word, column in known.items():
        headers.append(column)
        columns.append(_first(text[readings].where(channel == word), row_of, rows, sound, column, bad))
    problems += [
        problem("unknown_channel", "value", column=sheet.headers[names], value=word, source=source)
        for word in text[names][~channel.isin(known) & channel.notna()].unique()[:50]
    ]
    first = np.zeros(rows, dtype=np.int64)
    first[row_of[::-1]] = sheet.lines[::-1]
    cells = {}
    for (row, place), words in sheet.bad_cells.items():
        header = sheet.headers[place]
        if header in headers:
            cells[int(row_of[row]), headers.index(header)] = words
        elif isinstance(channel.iloc[row], str) and channel.iloc[row] in known:
            cells[int(row_of[row]), headers.index(known[channel.iloc[row]])] = words
    return Sheet(headers, columns, first, bad, cells, sheet.notes)


def _place(places: dict[str, int], header: str, source: str) -> int:
    place = places.get(same_header(header))
    if place is None:
        raise refused("missing_column", column=header, found=", ".join(places), source=source)
    return place


def _key_places(column: str, mapping: Mapping, places: dict[str, int]) -> list[int]:
    wanted = mapping.headers.get(column, (column,))
    return [places[same_header(h)] for h in wanted if same_header(h) in places]


def _first(text: pd.Series, row_of: np.ndarray, rows: int, sound: np.ndarray, name: str, bad: dict) -> pa.Array:
    """The one text that the lines of each row give; rows in which they give two are bad."""
    given = np.flatnonzero(text.notna().to_numpy() & sound)
    made = np.empty(rows, dtype=object)
    made[row_of[given[::-1]]] = text.to_numpy(dtype=object)[given[::-1]]
    differs = given[text.to_numpy(dtype=object)[given] != made[row_of[given]]]
    for place in differs.tolist():
        bad.setdefault(int(row_of[place]), ("samples_conflict", {"column": name, "value": text.iloc[place]}))
    return pa.array(made, type=pa.string())
