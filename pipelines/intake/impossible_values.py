"""Values of one row that cannot both be: they are left out and listed, and the row with the rest of it stays.

One of the two is a slip, and nobody can say which. A row that cannot have been at all is rejected instead, by
`schemas.check`; what may have been is taken, flagged and judged.
"""

import numpy as np
import pandas as pd

from pipelines.readers.raw import Problem, problem
from schemas.contradictions import PAIRS, shown


def leave_out_impossible(source: str, rows: pd.DataFrame) -> tuple[pd.DataFrame, list[Problem]]:
    """Rows without the pairs that cannot be, and one problem for each.

    Parameters
    ----------
    source : str
    rows : DataFrame
        Typed, with row_number, line and value_flags.
    """
    found: list[Problem] = []
    for pair in PAIRS.get(source, ()):
        wrong = pair.contradicted(rows)
        if not wrong.any():
            continue
        found += [
            problem(
                pair.rule,
                "value",
                row_number=int(row["row_number"]),
                line=None if pd.isna(row["line"]) else int(row["line"]),
                column=pair.higher,
                value=shown(row[pair.higher]),
                other=shown(row[pair.lower]),
            )
            for row in rows.loc[wrong, ["row_number", "line", pair.lower, pair.higher]].to_dict("records")
        ]
        rows = rows.copy()
        # a day that was to come is the one to doubt, not what has happened
        dropped = [pair.higher] if source == "loans" else [pair.lower, pair.higher]
        rows.loc[wrong, dropped] = pd.NaT if source == "loans" else np.nan
        if pair.flag:
            flags = rows["value_flags"].tolist()
            rows["value_flags"] = pd.Series(
                [[*own, pair.flag] if bad else own for own, bad in zip(flags, wrong, strict=True)],
                index=rows.index,
                dtype="object",
            )
    return rows, found
