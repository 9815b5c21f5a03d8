"""What a list of problems repeats of a file: never a value of a personal column, never an address."""

import re

import pandas as pd

from schemas.codes import codes_that
from schemas.sources import SOURCES

#: sources whose cells are all personal: with columns shifted by one, a name or an address stands anywhere
PERSONAL_SOURCES = frozenset({"members"})
#: columns of other sources that hold people's names, as they were typed
PERSONAL_COLUMNS = frozenset({"display_name", "email", "operator", "analysed_by", "inspector", "released_by"})
#: an address, in any text
_ADDRESS = re.compile(r"[^\s,;:<>()\"'\[\]=|]+@[^\s,;:<>()\"'\[\]=|]+")
_HEADERS = re.compile(r"(The headers found are: )(.*?)(\.$|$)", re.DOTALL)
HIDDEN = "…"


def without_personal(problems: pd.DataFrame, source: str) -> pd.DataFrame:
    """Problems of a source with what must not be repeated taken out of value, message and fix.

    Parameters
    ----------
    problems : DataFrame
        Columns column, value, rule, message and fix.
    """
    if problems.empty:
        return problems
    made = problems.copy()
    cells = made["value"].notna() & ~made["rule"].isin(codes_that(lambda c: c.of_header))
    if source not in PERSONAL_SOURCES:
        # a row that could not be divided into its columns is shown whole
        whole = made["column"].isna() & made["rule"].eq("wrong_cell_count")
        named = source in SOURCES and not PERSONAL_COLUMNS.isdisjoint(SOURCES[source].fields)
        cells &= made["column"].isin(PERSONAL_COLUMNS) | (whole & named)
    if cells.any() or source in PERSONAL_SOURCES:
        for name in ("message", "fix"):
            made[name] = [
                text.replace(str(value), HIDDEN) if hide and isinstance(text, str) and str(value).strip() else text
                for text, value, hide in zip(made[name], made["value"], cells, strict=True)
            ]
        made.loc[cells, "value"] = None
    if source in PERSONAL_SOURCES:
        known = set(SOURCES[source].fields)
        made["message"] = [
            _HEADERS.sub(lambda m: m[1] + ", ".join(h if h in known else HIDDEN for h in m[2].split(", ")) + m[3], text)
            for text in made["message"]
        ]
    for name in ("column", "value", "message", "fix"):
        if made[name].astype("str").str.contains("@", regex=False).any():
            made[name] = [_ADDRESS.sub(HIDDEN, text) if isinstance(text, str) else text for text in made[name]]
    return made
