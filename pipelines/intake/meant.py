"""What a person means by one word: a file by its place or its content, or a row by its key."""

import pandas as pd

from pipelines.intake.row_key import LEAST_DIGITS, Named, find, source_named
from pipelines.warehouse import withdrawn
from pipelines.warehouse.store import STORED, Warehouse
from pipelines.warehouse.withdrawn import FILES, PROBLEMS, WITHDRAWALS


class NotClear(ValueError):
    """Nothing is known by that word, or several things are; the message says which, or how to write it."""


def meant(warehouse: Warehouse, word: str, zone: str, *, files_too: bool = True) -> Named:
    """The one thing that a word names.

    Parameters
    ----------
    word : str
        `fills:F-0012`, `F-0012`, a place in the inbox, the name of a file there, or the first digits of its sha256.
    zone : str
        Of times in a key that give none.
    files_too : bool
        Whether a file can be meant.

    Raises
    ------
    NotClear
    """
    head, mark, rest = word.partition(":")
    source = source_named(head) if mark else None
    if source:
        found = find(warehouse, source, rest, zone)
    else:
        found = [n for s in STORED if s != WITHDRAWALS for n in find(warehouse, s, word, zone)]
        found += of_files(warehouse, word) if files_too else []
    if len(found) == 1:
        return found[0]
    if found:
        shown = ", ".join(str(n) for n in found[:8]) + (" and others" if len(found) > 8 else "")
        raise NotClear(f"{word} can mean several things: {shown}. Write one of these.")
    raise NotClear(
        f"Nothing is known by {word}. Write the source and the key of a row, as fills:F-0012 or 'dives:M1 · D2' "
        f"(parts joined by ' · ' or '|'){_or_file() if files_too else ''}. A file that came since is known after the "
        "next coldfill run."
    )


def _or_file() -> str:
    return f"; or a file by its place in the inbox or the first {LEAST_DIGITS} digits or more of its sha256"


def of_files(warehouse: Warehouse, word: str) -> list[Named]:
    """Contents that a word names: the last one that is not withdrawn of a place, or by the beginning of the sha256."""
    known = withdrawn.contents(warehouse)
    plain = word.replace("\\", "/").removeprefix("./").removeprefix("inbox/")
    name = known["file"].str.rpartition("/")[2]
    here = known[known["file"] == plain]
    if here.empty:
        here = known[name == plain]
    last = [_last(part) for _, part in here.groupby("file")]
    return [Named(FILES, sha) for sha in sorted(set(last))] or find(warehouse, FILES, word, "UTC")


def _last(contents: pd.DataFrame) -> str:
    """The last content of a place, of those that are not withdrawn if there is one."""
    standing = contents[contents["outcome"] != "withdrawn"]
    return str((standing if len(standing) else contents)["file_sha256"].iloc[-1])


def withdrawn_and_meant(warehouse: Warehouse, word: str, zone: str, standing: pd.DataFrame) -> Named:
    """The one thing that a word names among what is withdrawn.

    Raises
    ------
    NotClear
    """
    out = {Named(row.source, row.key) for row in standing.itertuples()}
    head, mark, rest = word.partition(":")
    source = source_named(head) if mark else None
    if source:
        found = [n for n in find(warehouse, source, rest, zone) if n in out]
    else:
        found = [n for s in {n.source for n in out} for n in find(warehouse, s, word, zone) if n in out]
        known = withdrawn.contents(warehouse)
        plain = word.replace("\\", "/").removeprefix("./").removeprefix("inbox/")
        mine = known[(known["file"] == plain) | (known["file"].str.rpartition("/")[2] == plain)]
        found += [n for n in out if n.source == FILES and n.key in set(mine["file_sha256"])]
    found = sorted(set(found))
    if len(found) == 1:
        return found[0]
    shown = ", ".join(str(n) for n in found or sorted(n for n in out if n.source != PROBLEMS)[:8])
    if found:
        raise NotClear(f"{word} can mean several things that are withdrawn: {shown}. Write one of these.")
    raise NotClear(f"{word} is not withdrawn. " + (f"Withdrawn are: {shown}." if shown else "Nothing is."))
