"""Rules that a single row is held to beyond the bounds of its columns, and how a broken one is written down."""

import numpy as np
import pandas as pd

from schemas import codes
from schemas.fields import ROLE

_OF_PROBLEM = ["index", "column", "value", "rule", "message", "fix"]
_NONE_BROKEN = pd.DataFrame([], columns=_OF_PROBLEM)


def problem_of(index, column, value, rule, message, fix=""):
    """One broken rule of a row, by its place in the frame."""
    return {
        "index": index,
        "column": column,
        "value": None if pd.isna(value) else str(value),
        "rule": rule,
        "message": message,
        "fix": fix or codes.all_codes()[rule].fix,
    }


def frame_of(rows) -> pd.DataFrame:
    """Broken rules as a frame."""
    return pd.DataFrame(rows, columns=_OF_PROBLEM) if len(rows) else _NONE_BROKEN.copy()


def fractions(*pairs: tuple[str, ...]):
    """The check that columns which share one gas add up to no more than 100 %."""

    def check_sum(frame: pd.DataFrame) -> pd.DataFrame:
        rows = []
        names = list(dict.fromkeys(name for columns in pairs for name in columns))
        values = np.nan_to_num(frame[names].to_numpy("float64"))
        for columns in pairs:
            total = values[:, [names.index(name) for name in columns]].sum(axis=1)
            over = np.flatnonzero(total > 100.0 + 1e-6)
            rows += [
                problem_of(
                    i,
                    columns[0],
                    frame.at[i, columns[0]],
                    "fractions_over_100",
                    f"{' + '.join(columns)} = {total[n]:g} %, more than 100 %.",
                )
                for n, i in zip(over.tolist(), frame.index[over], strict=True)
            ]
        return frame_of(rows)

    return check_sum


def in_order(first: str, second: str):
    """The check that the second moment does not lie before the first."""

    def check_order(frame: pd.DataFrame) -> pd.DataFrame:
        wrong = frame.index[frame[second] < frame[first]]
        return frame_of(
            [
                problem_of(i, second, frame.at[i, second], "ends_before_start", f"{second} lies before {first}.")
                for i in wrong
            ]
        )

    return check_order


def role_of_a_tank(frame: pd.DataFrame) -> pd.DataFrame:
    """A link of kind `role` names one of the roles."""
    roles = ROLE.choices or ()
    wrong = frame.index[(frame["kind"] == "role").fillna(False).astype(bool) & ~frame["target_id"].isin(roles)]
    listed = ", ".join(roles)
    return frame_of(
        [
            problem_of(
                i, "target_id", frame.at[i, "target_id"], "not_a_choice", f"Not one of: {listed}.",
                "Write one of these.",
            )
            for i in wrong
        ]
    )  # fmt: skip


def something_read(frame: pd.DataFrame) -> pd.DataFrame:
    """A reading without a figure says nothing; figures that go with one do not stand alone."""
    needed = {
        "analysed_o2_pct": ("analysed_he_pct", "second_analysed_o2_pct"),
        "settled_pressure_bar": ("settled_c", "settled_gauge_id"),
    }
    rows = []
    for first, more in needed.items():
        alone = frame[first].isna() & frame[list(more)].notna().any(axis=1)
        rows += [
            problem_of(i, first, None, "reading_incomplete", f"{first} is empty, and what goes with it is not.")
            for i in frame.index[alone]
        ]
    nothing = frame[[*needed, "co_ppm"]].isna().all(axis=1)
    rows += [
        problem_of(i, "analysed_o2_pct", None, "nothing_read", "Neither an analysis nor a settled pressure is given.")
        for i in frame.index[nothing]
    ]
    sums = fractions(("analysed_o2_pct", "analysed_he_pct"), ("second_analysed_o2_pct", "analysed_he_pct"))
    return pd.concat([frame_of(rows), sums(frame)], ignore_index=True)
