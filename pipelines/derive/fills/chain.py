"""The order in which each cylinder was filled: what a fill found inside is what the cylinder's last fill left there.

Followed by cylinder, not by name: a set that was joined anew holds what its cylinders held before.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import pandas as pd

from pipelines.derive.units import cylinders_of_units_on


def chain_of_fills(inputs: dict[str, pd.DataFrame], fills: pd.DataFrame, filled_on: pd.Series) -> pd.DataFrame:
    """A row a fill and cylinder: `row` (place of the fill), `cylinder_id`, `before` (place of its last fill).

    Parameters
    ----------
    inputs : dict of DataFrame
        With cylinders and set_members.
    fills : DataFrame
        In the order of time, with unit_id.
    filled_on : Series
        The day of each at the station.

    Returns
    -------
    DataFrame
        Sorted by cylinder and time; `before` is -1 where no earlier fill is known. A unit whose cylinders nobody
        registered stands for itself.
    """
    pairs = cylinders_of_units_on(inputs, fills["unit_id"], filled_on)[["row", "cylinder_id"]]
    lost = np.setdiff1d(np.arange(len(fills)), pairs["row"].to_numpy())
    alone = pd.DataFrame({"row": lost, "cylinder_id": fills["unit_id"].astype("str").to_numpy()[lost]})
    pairs = pd.concat([pairs, alone.astype({"cylinder_id": "str"})], ignore_index=True)
    pairs = pairs.sort_values(["cylinder_id", "row"], ignore_index=True)
    pairs["before"] = pairs.groupby("cylinder_id")["row"].shift().fillna(-1).astype("int64")
    return pairs


def cylinders_by_fill(chain: pd.DataFrame, n: int) -> pd.Series:
    """The names of the cylinders of each of `n` fills, in order; of part of a chain those that are in it."""
    ordered = chain.sort_values(["row", "cylinder_id"], kind="stable")
    names = ordered["cylinder_id"].tolist()
    rows, places = ordered["row"].to_numpy(), np.arange(n)
    starts, ends = (np.searchsorted(rows, places, side=side).tolist() for side in ("left", "right"))
    return pd.Series([names[a:b] for a, b in zip(starts, ends, strict=True)], dtype="object")


def kept_share(fills: pd.DataFrame) -> np.ndarray:
    """Share of the gas after each fill that was inside before, by its readings: (start + 1 bar)/(stop + 1 bar)."""
    start, stop = (fills[c].to_numpy("float64") for c in ("start_pressure_bar", "stop_pressure_bar"))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = (np.maximum(start, 0.0) + 1.0) / (stop + 1.0)
    return np.clip(np.where(np.isfinite(share), share, 1.0), 0.0, 1.0)


def last_fills(chain: pd.DataFrame) -> np.ndarray:
    """Places of the fills that some cylinder holds still: no later fill of it is known."""
    return chain.drop_duplicates("cylinder_id", keep="last")["row"].unique()


def still_held(chain: pd.DataFrame, kept: np.ndarray, marked: np.ndarray, least_share: float) -> dict[int, list[str]]:
    """The cylinders that after the last fill of the chain hold so much of each marked fill, as a share of their gas.

    Followed through sets: what one of two joined cylinders holds the other holds after a fill of both.
    """
    holds: dict[str, dict[int, float]] = {}
    for row, own in _by_fill(chain):
        shares = {int(row): 1.0} if marked[row] else {}
        for name in own:
            for of, share in holds.get(name, {}).items():
                if (left := share * kept[row]) >= least_share:
                    shares[of] = max(left, shares.get(of, 0.0))
        holds.update(dict.fromkeys(own, shares))
    found: dict[int, list[str]] = {}
    for name in sorted(holds):
        for row in holds[name]:
            found.setdefault(row, []).append(name)
    return found


def _by_fill(chain: pd.DataFrame) -> Iterator[tuple[int, list[str]]]:
    """Each fill's place and cylinders, in the order of time."""
    ordered = chain.sort_values("row", kind="stable")
    rows, cylinders = ordered["row"].tolist(), ordered["cylinder_id"].tolist()
    starts = [*np.flatnonzero(np.diff(rows, prepend=-1)).tolist(), len(rows)]
    for begin, end in pairwise(starts):
        yield rows[begin], cylinders[begin:end]


class Carried(NamedTuple):
    """What each fill's residue still brings in, and when the last that is to be known of it became known, seconds."""

    inside: np.ndarray
    known_at_s: np.ndarray


def carried_over(
    chain: pd.DataFrame,
    kept: np.ndarray,
    brought: np.ndarray,
    known_at_s: np.ndarray,
    measured: np.ndarray | None = None,
) -> Carried:
    """What each fill's residue still brings in of what fills before it brought, thinned from fill to fill.

    Followed through sets: what one of two joined cylinders holds the other holds after a fill of both.

    Parameters
    ----------
    kept : ndarray
        Share of the gas after each fill that was inside before.
    brought : ndarray
        What each fill itself brings: 1 for a marked one, or a concentration; 0 for none.
    known_at_s : ndarray
        When it became known what a fill brings, seconds; -inf where nobody says when.
    measured : ndarray, optional
        What was measured after a fill, NaN where nothing was: it counts unless it is less than half of what must
        be inside, which no top-up can make of it.
    """
    inside, since = np.zeros(len(kept)), np.full(len(kept), -np.inf)
    if not (brought > 0).any():
        return Carried(inside, since)
    holds: dict[str, tuple[float, float]] = {}
    first = int(np.argmax(brought > 0.0))
    for row, own in _by_fill(chain[chain["row"] >= first]):
        there = [holds[name] for name in own if name in holds]
        if not there and brought[row] <= 0.0:
            continue
        inside[row] = kept[row] * max((much for much, _ in there), default=0.0)
        since[row] = max((at for much, at in there if much > 0.0), default=-np.inf)
        after, at = inside[row], since[row]
        if brought[row] > 0.0:
            after, at = max(after, brought[row]), max(at, known_at_s[row])
        if measured is not None and measured[row] >= inside[row] / 2.0:
            after, at = measured[row], known_at_s[row]
        holds.update(dict.fromkeys(own, (after, at)))
    return Carried(inside, since)
