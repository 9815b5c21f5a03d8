"""The step of the air page: tests against limits, the state of each compressor, and what to call back."""

import pandas as pd

from pipelines.build.air_tests import air_state_of_fills, build_air_quality, build_recall, co_limit
from pipelines.build.compressors import build_compressor_health
from schemas.policy import Policy

__all__ = ["air_state_of_fills", "build_air", "co_limit"]


def build_air(
    inputs: dict[str, pd.DataFrame], fill_quality: pd.DataFrame, policy: Policy, as_of_on: pd.Timestamp
) -> dict[str, pd.DataFrame]:
    """The tables air_quality, compressor_health and recall.

    `fill_quality` is not read: the state of the air behind a fill follows from sources and tests alone,
    so that a test that arrives late is judged the same way on both pages.
    """
    air = air_state_of_fills(inputs, policy)
    return {
        "air_quality": build_air_quality(inputs["air_tests"], policy),
        "compressor_health": build_compressor_health(inputs, policy, as_of_on),
        "recall": build_recall(inputs, air, policy, as_of_on),
    }
