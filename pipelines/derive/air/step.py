"""The step of the air page: tests against limits, the state of each compressor and source, and what to call back."""

import pandas as pd

from pipelines.derive.air.compressors import build_compressor_health
from pipelines.derive.air.of_fills import air_state_of_fills, sources_today
from pipelines.derive.air.purity_tests import build_air_quality, co_limit, faults_of_tests
from pipelines.derive.air.recall import build_recall
from pipelines.derive.fills.context import outlet_rises_k
from schemas.frames import conform
from schemas.policy import Policy
from schemas.tables import TABLES

__all__ = ["air_state_of_fills", "build_air", "co_limit", "sources_today"]


def build_air(inputs: dict[str, pd.DataFrame], policy: Policy, as_of_on: pd.Timestamp) -> dict[str, pd.DataFrame]:
    """The tables air_quality, compressor_health, recall and gas_sources.

    The state of a fill's air follows from sources and tests alone, so that a test that arrives late is judged the
    same way here and on the fill's page.
    """
    air = air_state_of_fills(inputs, policy, as_of_on)
    tests = inputs["air_tests"]
    return {
        "air_quality": build_air_quality(tests[tests["sampled_on"] <= pd.Timestamp(as_of_on)], policy),
        "compressor_health": build_compressor_health(inputs, policy, as_of_on),
        "recall": build_recall(inputs, air, policy, as_of_on),
        "gas_sources": _gas_sources(inputs, policy, as_of_on),
    }


def _gas_sources(inputs: dict[str, pd.DataFrame], policy: Policy, as_of_on: pd.Timestamp) -> pd.DataFrame:
    """The register of sources, compressors that only another register or log names among them, and their air today."""
    register = inputs["sources"].drop_duplicates("source_id", keep="last")
    today = sources_today(inputs, policy, as_of_on)
    faults = faults_of_tests(inputs["air_tests"], policy)
    keys = zip(today["compressor_id"], today["failed_on"], strict=True)
    today = today.rename(columns={"failed_on": "air_failed_on"}).assign(air_fault=[faults.get(key) for key in keys])
    made = today.merge(register, on="source_id", how="left")
    made["kind"] = made["kind"].where(made["kind"].notna(), "compressor")
    made["outlet_rise_k"] = made["source_id"].map(outlet_rises_k(inputs["compressor_log"])).astype("float64")
    return conform(made, TABLES["gas_sources"].fields.values())
