"""Open problems by their cause: what one choice puts right is one line. Pure."""

import re
from collections.abc import Hashable
from dataclasses import dataclass
from typing import Any

import pandas as pd

from schemas import codes, words

#: rules whose cause is one name, wherever it stands
_BY_NAME = {"uddf_role_unknown", "uddf_no_member", "unknown_reference", "refers_to_withdrawn", "set_not_joined"}
#: a folder of one member's dives: what a name means there says nothing of another member's
_OF_MEMBER = re.compile(r"^dives/([^/]+)/")
#: register that a name is missing from, by the column that names it
REGISTERS = {"unit_id": "cylinders", "cylinder_id": "cylinders", "member_id": "members"}


@dataclass(frozen=True)
class Cause:
    """Problems with one cause; `value` is what it is about, where it is a name, and `member_id` whose it is."""

    rule: str
    column: str
    value: str
    member_id: str
    says: str
    fix: str
    rows: pd.DataFrame

    @property
    def key(self) -> str:
        """The same as long as the problem stands."""
        return "|".join((self.rule, self.column, self.value, self.member_id, self.says))

    @property
    def numbers(self) -> list[str]:
        """Numbers of its problems, by which they are dismissed."""
        return [str(n) for n in self.rows["problem_id"].dropna()]

    @property
    def register(self) -> str:
        """The register that lacks the name, or the empty text."""
        return REGISTERS.get(self.column, "") if self.rule == "unknown_reference" else ""


def causes(still_open: pd.DataFrame) -> list[Cause]:
    """Open problems by cause, those with most rows first; each problem is in one."""
    if still_open.empty:
        return []
    keys = [_key(row) for row in still_open.to_dict("records")]
    found = []
    for _, rows in still_open.groupby(pd.Series(keys, index=still_open.index), sort=False):
        first = rows.iloc[0]
        by_name = first["rule"] in _BY_NAME and words.known(first["value"])
        value = str(first["value"]) if by_name else ""
        column = str(first["column"]) if words.known(first["column"]) else ""
        fixes = rows["fix"].dropna().unique()
        found.append(
            Cause(
                str(first["rule"]),
                column,
                value,
                _member(first) if first["rule"] == "uddf_role_unknown" else "",
                _says(rows, value),
                str(fixes[0]) if len(fixes) == 1 else _general_fix(first),
                rows,
            )
        )
    return sorted(found, key=lambda cause: -len(cause.rows))


def _key(row: dict[Hashable, Any]) -> str:
    """What two problems of one cause have alike."""
    rule, column = row["rule"], row["column"] if words.known(row["column"]) else ""
    if rule in _BY_NAME and words.known(row["value"]):
        whose = _member(row) if rule == "uddf_role_unknown" else ""
        return f"{rule}|{column}|{row['value']}|{whose}"
    if not words.known(row["row_number"]):  # a whole file
        return f"{rule}|{row['file']}"
    return f"{rule}|{column}|{row['source']}"


def _member(row: Any) -> str:
    found = _OF_MEMBER.match(str(row["file"]))
    return found.group(1) if found else ""


def _says(rows: pd.DataFrame, value: str) -> str:
    """'28 tanks named tk-0413 have no role'."""
    first, count = rows.iloc[0], len(rows)
    if first["rule"] == "uddf_role_unknown" and value:
        verb = "have" if count > 1 else "has"
        return f"{words.plural(count, 'tank')} named {value} {verb} no role"
    if first["rule"] == "uddf_no_member" and value:
        return f"Nothing says whose {words.plural(count, 'dive')} of the owner {value} {'are' if count > 1 else 'is'}"
    if first["rule"] == "unknown_reference" and value:
        verb = "name" if count > 1 else "names"
        return f"{words.plural(count, 'row')} of {_source(first)} {verb} {value}, which is not in the register"
    said = rows["message"].unique()
    what = str(said[0]) if len(said) == 1 else f"{said[0]} (and {len(said) - 1} like it)"
    return what if count == 1 else f"{words.plural(count, 'row')} of {_source(first)}: {what}"


def _source(row: Any) -> str:
    return str(row["source"]).replace("_", " ") if words.known(row["source"]) else "a file"


def _general_fix(row: Any) -> str:
    known = codes.all_codes().get(str(row["rule"]))
    return str(row["fix"]) if known is None or "{" in known.fix else known.fix
