"""Breathing air against the limits of a standard, and water vapour as frost point.

Limits are data (rules/purity.toml), each with its source. A measured value at the limit passes.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray

from shared.gas.constants import ATM_BAR, GAS_CONSTANT_J_MOL_K, REFERENCE_C
from shared.gas.units import kelvin
from shared.rules.reading import RULES, Citation, RuleError, citation, read_rules

QUANTITIES = ("o2_pct", "co_ppm", "co2_ppm", "oil_mg_m3", "hydrocarbons_ppm", "water_mg_m3", "odour")
EVERY = "every"
"""Limits under this name count beside those of each standard."""
WATER_G_MOL = 18.015268
ATM_PA = ATM_BAR * 1e5


@dataclass(frozen=True)
class Limit:
    """One limit of one edition.

    `reference_c`: the temperature that its ppm, mg/m³ and frost points refer to. `asked_for`: a test without this
    quantity is incomplete.
    """

    standard: str
    name: str
    quantity: str
    at_least: float
    at_most: float
    up_to_bar: float
    citation: Citation
    reference_c: float = REFERENCE_C
    asked_for: bool = True


@dataclass(frozen=True)
class AirTests:
    """How often air is tested under a rule set, and the limits taken there unless others are chosen."""

    rule_set: str
    standard: str
    months: int
    citation: Citation


@dataclass(frozen=True)
class PurityRules:
    """The purity limits that are shipped.

    `limits` by standard (those of `EVERY` under its own name), `tests` by rule set, `oxygen_compatible`: the standard
    that narrows another for air that may go into oxygen-clean cylinders.
    """

    limits: dict[str, tuple[Limit, ...]]
    tests: dict[str, AirTests]
    oxygen_compatible: dict[str, str]

    @property
    def standards(self) -> list[str]:
        """The codes a station may choose from."""
        return sorted(set(self.limits) - {EVERY})


def load_purity(path: Path) -> PurityRules:
    """Read limits by standard, and test intervals by rule set.

    Raises
    ------
    RuleError
        An entry without source, edition, mark, limit or interval; the text names file and line.
    """
    rules = read_rules(
        path,
        {
            "limits": ("standard", "name", "quantity"),
            "tests": ("rule_set", "standard", "months"),
            "reference": ("standard", "reference_c"),
            "oxygen_compatible": ("standard", "narrowed"),
        },
    )
    reference = {entry["standard"]: float(entry["reference_c"]) for entry in rules.get("reference", [])}
    limits: dict[str, list[Limit]] = {}
    for entry in rules["limits"]:
        limits.setdefault(entry["standard"], []).append(
            _limit(entry, f"{path.name}, line {entry['_line']}", reference.get(entry["standard"], REFERENCE_C))
        )
    tests = {e["rule_set"]: AirTests(e["rule_set"], e["standard"], e["months"], citation(e)) for e in rules["tests"]}
    narrowed = {e["standard"]: e["narrowed"] for e in rules.get("oxygen_compatible", [])}
    named = [(e["standard"], e["_line"]) for table in ("tests", "reference") for e in rules.get(table, [])]
    named += [(e["narrowed"], e["_line"]) for e in rules.get("oxygen_compatible", [])]
    for standard, line in named:
        if standard not in limits:
            raise RuleError(f"{path.name}, line {line}: no limits of standard {standard!r} in this file.")
    return PurityRules({code: tuple(of_code) for code, of_code in limits.items()}, tests, narrowed)


def _limit(entry: dict, where: str, reference_c: float) -> Limit:
    if entry["quantity"] not in QUANTITIES:
        raise RuleError(f"{where}: `quantity` is one of {', '.join(QUANTITIES)}.")
    if not {"at_least", "at_most", "frost_point_c"} & set(entry):
        raise RuleError(f"{where}: this entry has neither `at_least` nor `at_most` nor `frost_point_c`.")
    at_most = entry.get("at_most", np.inf)
    if "frost_point_c" in entry:
        if entry["quantity"] != "water_mg_m3":
            raise RuleError(f"{where}: `frost_point_c` limits water_mg_m3 alone.")
        at_most = float(water_mg_m3(entry["frost_point_c"], reference_c=reference_c))
    return Limit(
        entry["standard"],
        entry["name"],
        entry["quantity"],
        entry.get("at_least", -np.inf),
        at_most,
        entry.get("up_to_bar", np.inf),
        citation(entry),
        reference_c,
        entry.get("asked_for", True),
    )


@cache
def purity_rules() -> PurityRules:
    """The shipped limits and test intervals."""
    return load_purity(RULES / "purity.toml")


def limits_of(standard: str, pressure_bar: float = np.nan) -> dict[str, Limit]:
    """The limit of each quantity under a standard, the limits of every air among them.

    Parameters
    ----------
    standard : str
        Code in rules/purity.toml.
    pressure_bar : float
        Filling pressure, for limits that depend on it; where unknown, or beyond the last one given,
        the strictest counts.

    Raises
    ------
    RuleError
        A standard that is not shipped; the text lists those that are.
    """
    rules = purity_rules()
    if standard not in rules.standards:
        raise RuleError(f"There are no purity limits {standard!r}. Known are {', '.join(rules.standards)}.")
    found: dict[str, Limit] = {}
    for quantity in QUANTITIES:
        given = [limit for limit in rules.limits[standard] if limit.quantity == quantity]
        covering = [limit for limit in given if limit.up_to_bar >= pressure_bar]
        if covering:
            # of the ranges that cover the pressure the narrowest is the one meant
            found[quantity] = min(covering, key=lambda limit: limit.up_to_bar)
        elif given:
            found[quantity] = min(given, key=lambda limit: limit.at_most)
        for common in rules.limits.get(EVERY, ()):
            if common.quantity == quantity:
                found[quantity] = _narrower(found.get(quantity), common)
    return found


def _narrower(own: Limit | None, common: Limit) -> Limit:
    """The standard's own limit where the common one adds nothing, else the common one."""
    if own is None:
        return common
    if own.at_least >= common.at_least and own.at_most <= common.at_most:
        return own
    return replace(common, at_least=max(own.at_least, common.at_least), at_most=min(own.at_most, common.at_most))


def within(value: ArrayLike, limit: Limit) -> NDArray:
    """True where a measured value meets the limit; a value at the limit does. NaN gives False."""
    value = np.asarray(value, float)
    return (value >= limit.at_least) & (value <= limit.at_most)


def judge(values: Mapping[str, np.ndarray], limits: Mapping[str, Limit]) -> dict[str, np.ndarray]:
    """Verdict of each test by quantity: `pass`, `fail` or `not_measured`.

    Parameters
    ----------
    values : mapping of quantity to float array
        NaN where not measured.
    limits : mapping of quantity to Limit
    """
    verdicts = {}
    for quantity, limit in limits.items():
        value = np.asarray(values[quantity], float)
        verdicts[quantity] = np.where(np.isnan(value), "not_measured", np.where(within(value, limit), "pass", "fail"))
    return verdicts


def ice_vapour_pressure_pa(temperature_k: ArrayLike) -> NDArray:
    """Saturation vapour pressure over ice, Pa. Murphy and Koop 2005, eq. 7 (from memory)."""
    t = np.asarray(temperature_k, float)
    return np.exp(9.550426 - 5723.265 / t + 3.53068 * np.log(t) - 0.00728332 * t)


def water_vapour_pressure_pa(temperature_k: ArrayLike) -> NDArray:
    """Saturation vapour pressure over liquid water, Pa. Murphy and Koop 2005, eq. 10 (from memory)."""
    t = np.asarray(temperature_k, float)
    log_t = np.log(t)
    return np.exp(
        54.842763
        - 6763.22 / t
        - 4.210 * log_t
        + 0.000367 * t
        + np.tanh(0.0415 * (t - 218.8)) * (53.878 - 1331.22 / t - 9.44523 * log_t + 0.014025 * t)
    )


def water_ppm(water_mg_m3: ArrayLike, reference_c: ArrayLike = REFERENCE_C) -> NDArray:
    """Water in ppm by volume from mg/m³ of air at 1 atm and a reference temperature, ideal gas."""
    partial_pa = np.asarray(water_mg_m3, float) * 1e-3 / WATER_G_MOL * GAS_CONSTANT_J_MOL_K * kelvin(reference_c)
    return partial_pa / ATM_PA * 1e6


def water_mg_m3_from_ppm(ppm: ArrayLike, reference_c: ArrayLike = REFERENCE_C) -> NDArray:
    """The inverse of `water_ppm`."""
    return np.asarray(ppm, float) * 1e-6 * ATM_PA * WATER_G_MOL * 1e3 / (GAS_CONSTANT_J_MOL_K * kelvin(reference_c))


def frost_point_c(
    water_mg_m3: ArrayLike, pressure_bar_abs: ArrayLike = ATM_BAR, reference_c: ArrayLike = REFERENCE_C
) -> NDArray:
    """Temperature at which this air begins to deposit water, °C: frost below 0 °C, dew above.

    Parameters
    ----------
    water_mg_m3 : array_like
        Water per m³ of air expanded to 1 atm at `reference_c`.
    pressure_bar_abs : array_like
        Pressure the air stands under; the vapour's share stays, its partial pressure rises with it.
    reference_c : array_like
        Reference temperature of the concentration, °C.

    Notes
    -----
    Above some tens of bar compressed air holds more vapour than an ideal gas would (enhancement), so the
    point under pressure is an estimate on the cautious side.
    """
    partial = np.asarray(water_ppm(water_mg_m3, reference_c) * 1e-6 * np.asarray(pressure_bar_abs, float) * 1e5)
    with np.errstate(invalid="ignore", divide="ignore"):
        over_ice = _saturation_temperature(partial, ice_vapour_pressure_pa, 243.15)
        over_water = _saturation_temperature(partial, water_vapour_pressure_pa, 283.15)
    return np.where(over_ice <= 273.16, over_ice, over_water) - 273.15


def water_mg_m3(
    frost_point_c: ArrayLike, pressure_bar_abs: ArrayLike = ATM_BAR, reference_c: ArrayLike = REFERENCE_C
) -> NDArray:
    """Water per m³ at 1 atm and `reference_c` of air with this frost or dew point under a pressure, mg."""
    t = kelvin(np.asarray(frost_point_c, float))
    partial = np.where(t <= 273.16, ice_vapour_pressure_pa(t), water_vapour_pressure_pa(t))
    return water_mg_m3_from_ppm(partial / (np.asarray(pressure_bar_abs, float) * 1e5) * 1e6, reference_c)


def _saturation_temperature(
    partial_pa: NDArray, vapour_pressure_pa: Callable[[ArrayLike], NDArray], start_k: float
) -> NDArray:
    """Newton steps on ln e(T): nearly straight in 1/T, so a handful suffices."""
    t = np.full(np.shape(partial_pa), start_k)
    wanted = np.log(partial_pa)
    for _ in range(12):
        value = np.log(vapour_pressure_pa(t))
        slope = (np.log(vapour_pressure_pa(t + 0.01)) - value) / 0.01
        t = np.clip(t + (wanted - value) / slope, 120.0, 400.0)
    return np.where(np.isnan(partial_pa), np.nan, t)


def water_load(outlet_c: ArrayLike, reference_c: ArrayLike) -> NDArray:
    """How much faster a drying filter fills than at its reference temperature, a factor.

    Air leaves the last separator saturated, so the water it carries goes with the saturation pressure at
    that temperature. An estimate: makers' own tables, where the station has one, go before.
    """
    return water_vapour_pressure_pa(kelvin(np.asarray(outlet_c, float))) / water_vapour_pressure_pa(
        kelvin(np.asarray(reference_c, float))
    )
