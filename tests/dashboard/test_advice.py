"""The what-ifs of the pages are one call of `shared`, and equal the calculator at the compressor."""

import json
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
from made_up import GAS_SOURCES, UNITS, fills

from dashboard.advice import (
    Asked,
    advise,
    conditions,
    kind_of_source,
    learned_for,
    needs_oxygen_service,
    sources_to_choose,
)
from dashboard.views.filling_day import _reads_at
from shared.filling_limits import Learned, advise_stop, filling_rules

UNIT = UNITS[UNITS["unit_id"] == "S10-4"].iloc[0]
ASKED = Asked(50.0, 300.0, 18.0, 8.0, 20.95, 0.0, "comp-1", False, False)
NOTHING = pd.DataFrame(
    columns=[
        "station_id",
        "source_id",
        "material",
        "size",
        "settled_fills",
        "effect_bar",
        "effect_low_bar",
        "effect_high_bar",
    ]
)


def test_the_advice_is_that_of_shared():
    told = advise(UNIT, 1, ASKED, NOTHING, "uk", {})
    straight = advise_stop(
        conditions(UNIT, 1, ASKED),
        300.0,
        300.0,
        filling_rules("uk"),
        Learned(),
        test_pressure_bar=450.0,
        working_pressure_bar=300.0,
        valve_rating_known=False,
    )
    assert told == straight


def test_by_default_no_advice_is_above_the_permitted_pressure():
    for ambient in (-5.0, 18.0, 35.0):
        told = advise(UNIT, 1, Asked(30.0, 300.0, ambient, 4.0, 20.95, 0.0, "comp-1", False, False), NOTHING, "uk", {})
        assert told.stop_pressure_bar <= 300.0
        assert told.short_bar > 0 and told.settles_low_bar < told.settles_to_bar < told.settles_high_bar


def test_the_nearest_lesson_is_taken_and_all_readings_counted():
    model = pd.DataFrame(
        {
            "station_id": "pier",
            "source_id": ["comp-1", "comp-1", "bank"],
            "material": ["steel", "aluminium", "steel"],
            "size": ["8.5 to 11 L", "over 16 L", "under 5 L"],
            "settled_fills": [10, 20, 5],
            "effect_bar": [-2.0, 3.0, 1.0],
            "effect_low_bar": [-3.0, 2.0, 0.0],
            "effect_high_bar": [-1.0, 4.0, 2.0],
        }
    )
    learned = learned_for(model, "comp-1", "steel", 10.0)
    assert learned.effect_bar == -2.0 and learned.settled_fills == 35
    assert learned.sd_bar == pytest.approx(1 / 1.2815515655446004)
    assert learned_for(model, "elsewhere", "steel", 3.0).effect_bar == 1.0
    assert learned_for(model.head(0), "comp-1", "steel", 10.0) == Learned()


@pytest.mark.parametrize(
    "o2, decanted, needed",
    [(20.95, False, False), (21.0, True, False), (32.0, False, True), (32.0, True, True), (22.0, True, True)],
)
def test_oxygen_service_is_needed_for_rich_gas_and_for_decanting(o2, decanted, needed):
    assert (
        needs_oxygen_service(Asked(50, 200, 15, 5, o2, 0, "b", True, decanted), 22.0 if o2 != 22.0 else 40.0) is needed
    )


@pytest.mark.parametrize("water_c", [2.0, 15.0, 28.0])
def test_what_it_reads_in_the_water_is_what_the_calculator_says(water_c):
    fill = fills().iloc[1]
    command = [
        sys.executable,
        "-m",
        "pipelines.cli",
        "gas",
        "settle",
        "--pressure-bar",
        str(fill["settled_pressure_bar_15c"]),
        "--from-c",
        "15",
        "--to-c",
        str(water_c),
        "--json",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode or not done.stdout.strip():
        command[1:3] = ["-c", "from pipelines.cli import main; main()"]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert _reads_at(fill, water_c) == pytest.approx(json.loads(done.stdout)["pressure_bar"], rel=2e-5)


def test_an_unknown_fill_reads_unknown():
    assert np.isnan(_reads_at(fills().assign(settled_pressure_bar_15c=np.nan).iloc[1], 10.0))


def test_what_a_source_is_comes_from_the_register():
    assert kind_of_source(GAS_SOURCES, "bank-2") == "bank"
    assert kind_of_source(GAS_SOURCES, "comp-1") == "compressor"
    assert kind_of_source(GAS_SOURCES, "another") == ""


def test_the_source_used_last_is_offered_first_and_one_never_used_last():
    assert sources_to_choose(GAS_SOURCES, fills()) == ["bank-1", "comp-1", "bank-2", "bank-3", "comp-2"]
