"""What tables and columns of the warehouse were called in earlier versions: renamed where one is opened."""

import duckdb

#: a table's name then, and now
_TABLES = {"told_fill_quality": "first_fill_quality", "told_settling_check": "first_settling_check"}
#: by table, a column's name then, and now
_COLUMNS = {"rejects": {"mend": "fix"}, "notices": {"mend": "fix"}}


def rename_earlier(con: duckdb.DuckDBPyConnection, there: dict[str, set[str]]) -> None:
    """Give what an earlier version left its name of today, in the warehouse and in `there`: table → its columns."""
    for old, new in _TABLES.items():
        if old in there and new not in there:
            con.execute(f"ALTER TABLE {old} RENAME TO {new}")
            there[new] = there.pop(old)
    for table, columns in _COLUMNS.items():
        for old, new in columns.items():
            if old in there.get(table, ()) and new not in there[table]:
                con.execute(f'ALTER TABLE {table} RENAME COLUMN "{old}" TO "{new}"')
                there[table] = there[table] - {old} | {new}
