"""The sample station: its own physics against printed numbers, its season against what cannot be otherwise."""

import csv
import hashlib
import itertools
import tomllib
from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("CoolProp")

from sample_data import heat, make, profiles, station, weather
from sample_data.gas import ATM_BAR, FREE_MOL, Gas, settled
from sample_data.station import first_cylinders


@pytest.mark.parametrize(
    ("o2", "he", "stop_bar", "gas_c", "to_c", "expected_bar"),
    [
        (0.2095, 0.0, 300, 45, 10, 251.62),
        (0.2095, 0.0, 232, 40, 15, 205.76),
        (0.32, 0.0, 232, 40, 15, 205.53),
        (0.18, 0.45, 232, 40, 15, 211.46),
        (0.10, 0.70, 232, 40, 15, 212.78),
        (1.0, 0.0, 232, 40, 15, 203.96),
    ],
)
def test_the_fitted_gas_cools_as_the_library_says(o2, he, stop_bar, gas_c, to_c, expected_bar):
    """Reference: CoolProp's air equation (Lemmon et al. 2000, J. Phys. Chem. Ref. Data 29(3)) and its mixture model."""
    gas = Gas([o2], [he])
    density = gas.density(np.array([stop_bar + ATM_BAR]), np.array([gas_c + 273.15]))
    assert settled(gas, density, to_c)[0] == pytest.approx(expected_bar, abs=0.1)


def test_internal_energy_of_air_is_the_library_s():
    """Difference between two states, CoolProp `Air`."""
    from CoolProp.CoolProp import PropsSI

    gas, kelvin = Gas([0.2095] * 2, [0.0] * 2), np.array([288.15, 330.0])
    density = gas.density(np.array([1.0, 300.0]), kelvin)
    ours = np.diff(gas.both(density, kelvin)[1])[0]
    theirs = PropsSI("UMOLAR", "P", 300e5, "T", 330.0, "Air") - PropsSI("UMOLAR", "P", 1e5, "T", 288.15, "Air")
    assert ours == pytest.approx(theirs, rel=0.01)


def _one_twelve(celsius=20.0):
    v = heat.vessels(first_cylinders()[:1], celsius)
    v["inside"] = v["outside"] = 1.0
    v["leak_mol_s"] = 0.0
    return v


ONE = np.array([0])


def _held_at(v, bar):
    v["mol"] = heat.mol_at(v, 0, bar, v["gas_k"][0])


def _energy_j(v):
    inside = v["mol"] * heat.gas_of(v).both(v["mol"] / v["litres"], v["gas_k"])[1]
    return float((inside + v["wall_j_k"] * (v["inner_k"] + v["outer_k"]))[0])


def test_a_cylinder_left_alone_keeps_its_gas_and_comes_to_the_room():
    v = _one_twelve(40.0)
    before = v["mol"].copy()
    heat.stand(v, ONE, np.array([6 * 3600.0]), np.array([288.15]), np.array([288.15]))
    assert v["mol"] == pytest.approx(before)
    assert v["gas_k"][0] == pytest.approx(288.15, abs=0.5)


def _supply(rate_mol_s, stop_bar):
    def one(x):
        return np.array([[x]], float)

    return heat.Supply(
        one(0.2095),
        one(0),
        one(0) > 1,
        one(1) > 0,
        one(300.0),
        one(293.15),
        one(rate_mol_s),
        one(np.nan),
        np.array([stop_bar]),
    )


def test_a_fill_lies_between_no_wall_and_a_wall_that_takes_all():
    """From 50 to 232 bar out of a 300 bar bank at 20 °C: 97 °C with no wall, 42 °C with a wall that shares all heat and
    loses none (energy balance with CoolProp's air)."""
    v = _one_twelve()
    _held_at(v, 50.0)
    heat.fill(v, ONE, _supply(30 * 12 * FREE_MOL / 60, 232.0), np.array([293.15]))
    assert 35 < v["gas_k"][0] - 273.15 < 70
    assert heat.gauge_bar(v, 0) == pytest.approx(232, abs=2)


def test_energy_is_kept_when_no_heat_leaves():
    """What gas and wall gain equals the enthalpy let in, once the room takes nothing."""
    v = _one_twelve()
    v["outside"] = 1e-9
    before, moles = _energy_j(v), float(v["mol"][0])
    heat.fill(v, ONE, _supply(25 * 12 * FREE_MOL / 60, 220.0), np.array([293.15]), dt=1.0)
    gained = _energy_j(v) - before
    let_in = Gas([0.2095], [0.0]).enthalpy(300.0 + ATM_BAR, 293.15)[0] * (v["mol"][0] - moles)
    assert gained == pytest.approx(let_in, abs=0.02 * (gained + 1e5))


def test_breathing_takes_out_what_was_breathed_and_cools():
    v = _one_twelve(10.0)
    _held_at(v, 210.0)
    steps = int(40 * 60 / profiles.DT)
    flow = np.full(steps, 40 * FREE_MOL / 60)
    mol, kelvin, bar = heat.breathe(v, 0, flow, np.full(steps, 283.15), profiles.DT)
    assert (mol[0] - mol[-1]) / FREE_MOL == pytest.approx(1600, rel=1e-6)
    assert 1 < 283.15 - kelvin[steps // 2] < 9
    assert np.all(np.diff(bar) < 0.01)
    assert (v["mol"][0], v["gas_k"][0]) == (mol[-1], kelvin[-1])


def test_the_clock_of_the_place_is_the_library_s():
    """Reference: zoneinfo, around the days on which summer time begins and ends."""
    from datetime import date, datetime, timedelta
    from zoneinfo import ZoneInfo

    zone = ZoneInfo(station.ZONE)
    for day in (date(2026, 3, 29), date(2026, 10, 25), date(2019, 3, 31), date(2026, 7, 1), date(2016, 12, 31)):
        for minutes in range(0, 24 * 60, 15):
            there = datetime(day.year, day.month, day.day) + timedelta(minutes=minutes)
            moment = int(there.replace(tzinfo=zone).timestamp())
            assert weather.at(day, minutes / 60) == moment
            back = datetime.fromtimestamp(moment, zone)
            assert weather.day_of(moment) == back.date()
            assert weather.clock(moment)[1] == back.hour * 3600 + back.minute * 60


def test_gas_for_two_from_thirty_metres():
    """One minute at 30 m, 9 m/min, 3 min at 5 m, 2 x 30 L/min, 1025 kg/m3, 1.01325 bar: 1018.8 by arithmetic."""
    need = profiles.needed_free_l(np.array([30.0]), 1.01325)[0]
    assert need == pytest.approx(1018.8, rel=0.004)


@pytest.fixture(scope="module")
def small():
    return make.play(members=4, cylinders=30, months=2, fills=45, dives=30, seed=3, planted=False)


def test_content_carries_over_from_fill_to_dive(small):
    season, *_ = small
    assert len(season.dives) == 30
    for p in season.dives:
        assert p["start_bar"][0] > 60
        assert 0 < p["used_free_l"] < 6000
        steps = int(p["steps"])
        bar = season.traces.get(p["trace"], steps * 2)[steps:]
        assert np.all(np.diff(bar[60:]) < 1.0)  # once it has cooled it only falls, but for warmer water
        assert bar[0] == p["start_bar"][0]
        assert bar[-1] == p["end_bar"][0]


def test_no_unit_is_in_two_places(small):
    season, *_ = small
    moments = {}
    for r in season.fills:
        moments.setdefault(r["unit"], []).append((r["begun_s"], r["filled_s"]))
    for p in season.dives:
        for unit in p["units"][p["units"] >= 0]:
            moments.setdefault(unit, []).append((p["started_s"], p["started_s"] + p["duration_s"]))
    for spans in moments.values():
        spans.sort()
        assert all(a[1] <= b[0] for a, b in itertools.pairwise(spans))


def _digest(folder):
    h = hashlib.sha256()
    for f in sorted(folder.rglob("*")):
        if f.is_file():
            h.update(f.relative_to(folder).as_posix().encode() + b"\0" + f.read_bytes())
    return h.hexdigest()


def test_the_same_seed_gives_the_same_bytes(tmp_path):
    size = dict(members=12, cylinders=30, months=2, fills=25, dives=20, seed=7)
    for name in ("a", "b"):
        make.make(tmp_path / name, **size)
    assert _digest(tmp_path / "a") == _digest(tmp_path / "b")


SAMPLE = Path(station.__file__).parent


def test_the_shipped_sample_is_small_and_every_planted_place_is_in_it():
    inbox = SAMPLE / "inbox"
    files = {f.relative_to(inbox).as_posix() for f in inbox.rglob("*") if f.is_file()}
    assert sum((inbox / f).stat().st_size for f in files) < 8e6
    with (inbox / "cylinders.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    known = {r["cylinder_id"] for r in rows} | {r["set_id"] for r in rows}
    for problem in tomllib.loads((SAMPLE / "planted.toml").read_text(encoding="utf-8")).values():
        where = problem["where"]
        named = where.get("files", [])
        assert files >= {n.removeprefix("inbox/") for n in named}
        units = [*where.get("units", []), *where.get("cylinders", []), *([where["unit"]] if "unit" in where else [])]
        assert known >= set(units)
        assert problem["what"]
        assert problem["shows"]


def test_a_plain_station_of_any_size_is_made(tmp_path):
    counts = make.make(
        tmp_path, tmp_path / "truth", planted=False, members=16, cylinders=44, months=3, fills=40, dives=40, seed=11
    )
    assert counts["dives"] == 40
    assert counts["fills"] >= 40
    assert {f.stem for f in (tmp_path / "truth").iterdir()} == {"fills", "dives", "cylinders", "members", "gauges"}
