"""Readings are learned in the order in which they became known, and each settled fill is predicted beforehand."""

import numpy as np
import pandas as pd

from pipelines.derive.fills.terms import Model
from pipelines.derive.fills.then import Then
from shared.filling import settling_causes
from shared.filling.settling_beliefs import Beliefs, growing_blocks
from shared.filling.track_record import Correction, correction
from shared.gas.constants import Z80


def learn_in_order_of_time(
    c: pd.DataFrame, model: Model, then: Then | None = None
) -> tuple[Beliefs, pd.DataFrame, Correction]:
    """Learn as time went by; each settled fill is predicted from what was known when it was filled.

    `then` is shown fills, each once, with what had been learned when they were made.
    """
    e, fills = model.estimates, model.fills
    beliefs = Beliefs(model.causes, e, fills)
    filled = c["filled_at"].to_numpy("datetime64[us]")
    lessons = _lessons(filled, model)
    settled_rank = np.argmax(model.kind == "settled", axis=0)
    has = (model.kind == "settled").any(axis=0)
    checked = np.flatnonzero(has)
    known_before = np.searchsorted(lessons["at"].to_numpy(), filled[checked], side="right")
    of_settled = np.concatenate([[0], np.cumsum(lessons["settled"])])
    measured = e.bar[fills.readings[settled_rank[checked], checked]]
    answered = model.known_at[settled_rank[checked], checked]
    # answers in the order in which they came
    in_turn = np.argsort(answered, kind="stable")
    came = answered[in_turn]
    mean, sd = np.full(len(checked), np.nan), np.full(len(checked), np.nan)
    shift, widening = np.zeros(len(checked)), np.ones(len(checked))
    # a gauge that drifts is not the one it was some months ago
    blocks = growing_blocks(known_before, filled[checked].astype("datetime64[M]"))
    done, offsets = 0, list(model.offsets)
    if then:
        then.believed(np.arange(checked[0] if len(checked) else len(c)), beliefs, model, correction(mean[:0]))
    for begin, end in zip(blocks, [*blocks[1:], len(checked)], strict=True):
        if begin == end:
            continue
        at = checked[begin:end]
        while offsets and offsets[0][0] <= filled[at[0]]:
            beliefs.learn_cause(*offsets.pop(0)[1:])
        _learn(beliefs, lessons.iloc[done : known_before[begin]])
        done = known_before[begin]
        past = in_turn[: np.searchsorted(came, filled[at[0]], side="right")]
        past = past[past < begin]
        found = correction((measured[past] - mean[past]) / sd[past])
        shift[begin:end], widening[begin:end] = found.shift_sd, found.widening
        if then:
            made = np.arange(at[0], checked[end] if end < len(checked) else len(c))
            then.believed(made, beliefs, model, found)
        for rank in np.unique(settled_rank[at]):
            on = settled_rank[at] == rank
            said = beliefs.reading(at[on], int(rank), ())
            mean[begin:end][on], sd[begin:end][on] = said.bar, said.sd_bar
            beliefs.score(at[on], int(rank))
    for offset in offsets:
        beliefs.learn_cause(*offset[1:])
    _learn(beliefs, lessons.iloc[done:])
    at_last = correction(((measured - mean) / sd)[in_turn])
    if then:
        then.believed(checked[:0], beliefs, model, at_last, last=True)
    mean, sd = mean + shift * sd, widening * sd
    check = pd.DataFrame(
        {
            "fill_id": c["fill_id"].to_numpy()[checked],
            "settled_fills_before": pd.array(of_settled[known_before], dtype="Int64"),
            "predicted_bar": mean,
            "predicted_low_bar": mean - Z80 * sd,
            "predicted_high_bar": mean + Z80 * sd,
            "measured_bar": measured,
        }
    )
    return beliefs, check, at_last


def _lessons(filled: np.ndarray, model: Model) -> pd.DataFrame:
    """Which reading of which fill became known when; the wall's with the first of the others."""
    ranks, fills = np.nonzero(model.fills.readings >= 0)
    at = model.known_at[ranks, fills]
    walls = np.flatnonzero(model.fills.wall >= 0)
    frame = pd.DataFrame(
        {
            "fill": np.concatenate([fills, walls]),
            "rank": np.concatenate([ranks, np.full(len(walls), settling_causes.NONE)]),
            "at": np.concatenate([at, filled[walls]]),
            "settled": np.concatenate([model.kind[ranks, fills] == "settled", np.zeros(len(walls), bool)]),
        }
    )
    return frame.sort_values(["at", "fill", "rank"], ignore_index=True)


def _learn(beliefs: Beliefs, lessons: pd.DataFrame) -> None:
    beliefs.learn(lessons["fill"].to_numpy(), lessons["rank"].to_numpy())
