"""What a list of problems repeats of a file: never a value of a personal column, never an address."""

import re
from collections.abc import Iterable

import pandas as pd

from schemas.codes import codes_that
from schemas.sources import SOURCES

#: sources whose cells are all personal: with columns shifted by one, a name or an address stands anywhere
PERSONAL_SOURCES = frozenset({"members"})
#: columns of other sources that hold people's names, as they were typed
PERSONAL_COLUMNS = frozenset(
    {"display_name", "email", "operator", "analysed_by", "read_by", "inspector", "released_by", "withdrawn_by"}
)
#: an address, in any text
_ADDRESS = re.compile(r"[^\s,;:<>()\"'\[\]=|]+@[^\s,;:<>()\"'\[\]=|]+")
_WORD = re.compile(r"\w+")
_HEADERS = re.compile(r"(The headers found are: )(.*?)(\.$|$)", re.DOTALL)
HIDDEN = "…"


def without_personal(problems: pd.DataFrame, source: str, names: Iterable[str] = ()) -> pd.DataFrame:
    """Problems of a source with what must not be repeated taken out of value, message and fix.

    Parameters
    ----------
    problems : DataFrame
        Columns column, value, rule, message and fix.
    names : iterable of str
        Members' names, repeated nowhere, wherever they were typed; of a single word they may be any word.
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
    hidden = _Names(names)
    for name in ("column", "value", "message", "fix"):
        texts = [hidden.taken_out(text) if isinstance(text, str) else text for text in made[name]]
        if any(isinstance(new, str) and new != old for new, old in zip(texts, made[name], strict=True)):
            made[name] = pd.Series(texts, index=made.index, dtype="str")
    for name in ("column", "value", "message", "fix"):
        if made[name].astype("str").str.contains("@", regex=False).any():
            made[name] = [_ADDRESS.sub(HIDDEN, text) if isinstance(text, str) else text for text in made[name]]
    return made


class _Names:
    """Names of two words or more, by their first word: few texts hold one, and are looked at closely."""

    def __init__(self, names: Iterable[str]):
        self._by_word: dict[str, list[str]] = {}
        for name in sorted(set(names), key=len, reverse=True):
            words = _WORD.findall(name.casefold())
            if len(words) > 1:
                self._by_word.setdefault(words[0], []).append(name)

    def taken_out(self, text: str) -> str:
        """The text without them, whatever their capitals and the blanks between their words."""
        for word in set(_WORD.findall(text.casefold())) & self._by_word.keys():
            for name in self._by_word[word]:
                spaced = r"\s+".join(re.escape(part) for part in name.split())
                text = re.sub(spaced, HIDDEN, text, flags=re.IGNORECASE)
        return text
