"""Values of one row that cannot both be: they are left out and listed, and the row with the rest of it stays.

One of the two is a slip, and nobody can say which. A row that cannot have been at all is rejected instead, by
`schemas.check`; what may have been is taken, flagged and judged.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from pipelines.readers.raw import Problem, problem


@dataclass(frozen=True)
class Pair:
    """`higher` cannot lie below `lower`, but for `slack`; `flag` goes onto the row."""

    lower: str
    higher: str
    rule: str
    slack: float = 0.0
    flag: str = ""


PAIRS: dict[str, tuple[Pair, ...]] = {
    "dives": (Pair("mean_depth_m", "max_depth_m", "mean_above_greatest", 0.5, "depths_contradict"),),
    "compressor_log": (Pair("pumped_from_bar", "pumped_to_bar", "pumped_down"),),
    "loans": (Pair("out_at", "due_on", "due_before_out"),),
}
"""Depths are rounded to a metre or half a metre, so a square dive's mean may stand a little above its greatest."""


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
        lower, higher = (_comparable(rows[name]) for name in (pair.lower, pair.higher))
        wrong = (lower > (higher + pair.slack if pair.slack else higher)).to_numpy(bool, na_value=False)
        if not wrong.any():
            continue
        found += [
            problem(
                pair.rule,
                "value",
                row_number=int(row["row_number"]),
                line=None if pd.isna(row["line"]) else int(row["line"]),
                column=pair.higher,
                value=_shown(row[pair.higher]),
                other=_shown(row[pair.lower]),
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


def _comparable(column: pd.Series) -> pd.Series:
    """Numbers as they are; a moment as its day, for a day has no hour."""
    if isinstance(column.dtype, pd.DatetimeTZDtype):
        return column.dt.tz_localize(None).dt.normalize()
    return column


def _shown(value) -> str:
    return f"{value:%Y-%m-%d}" if isinstance(value, pd.Timestamp) else f"{value:g}"
