"""How the model's readings move with its unknowns, against the model moved a little; and its pressures' slopes."""

import numpy as np
import pytest

from shared.diving.tank_grid import COOLING, START, STEPS, UNKNOWNS, WATER
from shared.diving.tank_model import TankModel
from shared.diving.tank_readings import Placed
from shared.gas.mix import pressure_bar_abs
from shared.gas.slopes import PressureSlopes
from tests.shared.test_tank_trace import records


def test_readings_move_with_each_unknown_as_the_model_moved_a_little_says():
    at = np.tile([0.0, 3.25, 20.5, 20.75, 41.0, STEPS], (2, 1))
    model = TankModel(records(at, 0.0 * at + [[200.0, 195.0, 160.0, 160.0, 110.0, 70.0]] + [[0.0], [9.0]], cooling=0.9))
    apart = np.linspace(2.0, 5.0, STEPS)[:, None] * np.ones(2)
    rng = np.random.default_rng(3)
    x = model.centre + rng.normal(0.0, 0.1, model.centre.shape)

    def read(x):
        return model.readings.back(model.readings.between(model.modelled_bar(model.course(x, apart))), np.nan)

    course = model.course(x, apart, nudged=True)
    root = np.ones(model.sd.shape) * model.readings.known
    slopes = model.jacobian(x, course, model.reading(course), root).copy()
    steps = np.full(UNKNOWNS, 1e-4)
    for unknown in range(UNKNOWNS):
        step = np.zeros(UNKNOWNS)
        step[unknown] = steps[unknown]
        found = model.readings.back(slopes[:, :, unknown].T, np.nan)
        wanted = (read(x + step) - read(x - step)) / (2.0 * steps[unknown])
        # film and wall are moved by a fiftieth; that denser gas has a better film and more heat is left out
        within = 1e-5 if unknown in (START, WATER, COOLING) else 2e-2
        assert found == pytest.approx(wanted, rel=within, abs=within * np.abs(wanted).max()), unknown


def test_readings_come_back_from_where_they_were_put():
    at = np.array([[0.5, 0.25, 63.5, 64.0, 7.0], [1.0, 2.0, 3.0, 4.0, 5.0]])
    known = np.array([[True, True, True, True, False], [True] * 5])
    placed, nodes = Placed(at, known, STEPS), np.arange(STEPS + 1.0)[:, None] * [1.0, 10.0]
    read = placed.back(placed.between(nodes), np.nan)
    assert read[0] == pytest.approx([0.5, 0.25, 63.5, 64.0, np.nan], nan_ok=True)
    assert read[1] == pytest.approx(10.0 * at[1])
    assert placed.back(placed.put(at), np.nan)[known] == pytest.approx(at[known])


def test_slopes_of_pressure_are_those_of_the_table_and_nothing_is_said_outside_the_box():
    o2, he = np.array([20.95, 32.0, 18.0, 300.0]), np.array([0.0, 0.0, 45.0, 0.0])
    density, kelvin = np.tile([0.05, 4.0, 9.0, 24.0], (4, 1)), np.tile([275.0, 288.0, 310.0, 300.0], (4, 1))
    bar, by_density, by_kelvin = PressureSlopes(o2, he, np.full(4, np.nan))(density, kelvin)
    many = [np.tile(v, 20) for v in (density, kelvin)]  # so many that they are read from the table

    def table(d, k):
        return pressure_bar_abs(d, k, o2[:, None], he[:, None], strict=False)[:, :4]

    assert bar == pytest.approx(table(*many), rel=1e-12, nan_ok=True)
    assert np.isnan(bar[:, 3]).all() and np.isnan(bar[3]).all() and np.isfinite(bar[:3, :3]).all()
    wanted = (table(many[0] * 1.001, many[1]) - table(many[0] * 0.999, many[1])) / (0.002 * density)
    assert by_density[:3, :3] == pytest.approx(wanted[:3, :3], rel=1e-5)
    wanted = (table(many[0], many[1] + 0.1) - table(many[0], many[1] - 0.1)) / 0.2
    assert by_kelvin[:3, :3] == pytest.approx(wanted[:3, :3], rel=1e-5)
