"""Columns of the warehouse beside those that are declared for sources and published tables."""

import pandas as pd

#: kept beside the contract's columns in every stored row
PROVENANCE = {
    "assumed": "VARCHAR[]",
    "value_flags": "VARCHAR[]",
    "row_number": "BIGINT",
    "line": "BIGINT",
    "file": "VARCHAR",
    "file_sha256": "VARCHAR",
    "order_at": "TIMESTAMPTZ",
    "state": "VARCHAR",
    "row_hash": "VARCHAR",
}
#: what `current` has beside the contract's columns, of a source without rows
NOT_STORED = {
    "assumed": pd.Series([], dtype="object"),
    "value_flags": pd.Series([], dtype="object"),
    "row_hash": pd.Series([], dtype="str"),
}
LAKE_PARTS = {
    "path": "VARCHAR",
    "file": "VARCHAR",
    "file_sha256": "VARCHAR",
    "member_id": "VARCHAR",
    "month_on": "TIMESTAMP",
    "rows": "BIGINT",
    "order_at": "TIMESTAMPTZ",
    "state": "VARCHAR",
    "waiting_for": "VARCHAR",
    "sha256": "VARCHAR",
}
#: columns of the machine room that are not published
BESIDE = {
    "ingest_files": {
        "size": "BIGINT",
        "mtime_ns": "BIGINT",
        "archived": "VARCHAR",
        # what decided how it was read, and the hash of a layout that waits for somebody to say yes
        "layout": "VARCHAR",
        "waits_for": "VARCHAR",
        # which reading came after which, whatever the clock says
        "read_nth": "BIGINT",
        # names in the file, and a hash of what they meant when it was read
        "refs": "VARCHAR[]",
        "meaning": "VARCHAR",
        # dives whose tanks or samples were given to the only member with that dive
        "guessed": "VARCHAR[]",
    },
    "rejects": {"waiting": "BOOLEAN"},
    # in which order the withdrawals came
    "withdrawn": {"received_at": "TIMESTAMPTZ"},
}
