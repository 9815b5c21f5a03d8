"""`coldfill gas`: the calculator at the compressor. No station needed, no table built, no pandas; `stop --unit` apart.

Every answer carries its caution, and in plain text the caution comes first. Wrong input ends with exit
code 2 and one line that names the option.
"""

import math
from pathlib import Path
from typing import Annotated, Any

import typer

from pipelines.cli.calculator_line import (
    OneLine,
    OneLineGroup,
    answer,
    bar,
    degrees,
    number,
    option,
    refusal,
    share_pct,
    within_box,
)
from shared.gas.constants import AIR_O2_PCT, LEAST_K, MOST_BAR_ABS, MOST_K, NORMAL_MOST_BAR_ABS, REFERENCE_C
from shared.gas.units import absolute, celsius, gauge, kelvin

HOTTEST_FILL_C = 65.0
"""Gas this hot at stop is no state to correct for; EU rules take 65 °C as the hottest a filled cylinder gets."""

ADVICE = (
    "Advice only: the marks on cylinder and valve, local rules, licensed inspectors and the person at the valve decide."
)
NOT_CHECKED = "Arithmetic only. No cylinder, valve, hose, relief or test date was checked."
SETTLED = (
    "Pressures are settled ones: while the cylinder is warm its gauge reads higher, so fill slowly and let it cool."
)
OXYGEN = (
    "Oxygen only into an oxygen-clean cylinder, valve and whip, opened slowly, by someone trained for it. "
    "Analyse before use: this is no analysis."
)
HYPOXIC = "Under 18 % oxygen: not for breathing at the surface."
SUIT_GAS = "Under 5 % oxygen: not breathable, suit gas only."
EXTENDED = f"Extended range: above {NORMAL_MOST_BAR_ABS:g} bar abs the equation is less well founded."

_pressure = number(0.0, math.floor(gauge(MOST_BAR_ABS)), "bar")
_temperature = number(round(celsius(LEAST_K), 2), round(celsius(MOST_K), 2), "°C")
_reference = number(0.0, 40.0, "°C")
_capacity = number(0.0, 100_000.0, "L", above_low=True)


def _bank(text: str) -> tuple[str, float, float]:
    """A bank's name, capacity and pressure from NAME:CAPACITY_L:BAR; the pressure may end in psi."""
    parts = text.rsplit(":", 2)
    if len(parts) != 3 or not parts[0].strip():
        raise typer.BadParameter(f"{text!r} is not NAME:CAPACITY_L:BAR, for instance bank1:50:250")
    pressure = parts[2].strip()
    if pressure.lower().endswith("psi"):
        pressure = f"{pressure[:-3].strip()} psi"
    return parts[0].strip(), _capacity(parts[1]), _pressure(pressure)


def _rules(text: str) -> str:
    """A rule set's code."""
    from shared.filling.limits import rule_set_codes

    if text not in rule_set_codes():
        raise typer.BadParameter(f"{text!r} is none of: {', '.join(rule_set_codes())}")
    return text


Pressure = Annotated[float, option("--pressure-bar", _pressure, "Gauge pressure, bar.")]
Gas = Annotated[float, option("--gas-c", _temperature, "Temperature of the gas, °C.")]
Oxygen = Annotated[float, option("--o2-pct", share_pct, "Oxygen, molar per cent.")]
Helium = Annotated[float, option("--he-pct", share_pct, "Helium, molar per cent.")]
Argon = Annotated[
    float | None,
    option("--ar-pct", share_pct, "Argon of a suit gas, molar per cent; without it, air's own share of the balance."),
]
Capacity = Annotated[float, option("--capacity-l", _capacity, "Water capacity, litres.")]
HaveBar = Annotated[float, option("--have-bar", _pressure, "Settled gauge pressure now, bar.")]
ToBar = Annotated[float, option("--to-bar", _pressure, "Settled gauge pressure wanted, bar.")]
Limit = Annotated[
    float | None,
    option(
        "--limit-bar",
        _pressure,
        "Permitted pressure, the lesser of cylinder and valve, bar: the gauge never above it, nor the content once it "
        "is at 15 °C (21 °C under us).",
    ),
]
RuleSet = Annotated[
    str, option("--rule-set", _rules, "Code of the rule set whose limit it is, as uk, us or adr.", "CODE")
]
Unit = Annotated[str | None, typer.Option("--unit", help="A cylinder or set of a station.", metavar="UNIT")]
StationFolder = Annotated[Path, typer.Option("--station", help="With --unit: its station's folder.", metavar="DIR")]
StartBar = Annotated[float | None, option("--start-bar", _pressure, "With --unit: what it reads now, bar.")]
Ambient = Annotated[float | None, option("--ambient-c", _temperature, "With --unit: around the cylinder, °C.")]
_minutes = number(0.0, 1000.0, "min", above_low=True)
Minutes = Annotated[float | None, option("--minutes", _minutes, "With --unit: how long it takes; else as usual.")]
FromSource = Annotated[
    str | None, typer.Option("--source", help="With --unit: compressor or bank; else that of its last fill.")
]
Method = Annotated[
    str | None, typer.Option("--method", help="With --unit: partial_pressure, continuous or banked_mix, for a mix.")
]
AsJson = Annotated[bool, typer.Option("--json", help="One JSON object instead of text.")]

app = typer.Typer(
    cls=OneLineGroup,
    name="gas",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Calculator for gas in cylinders: real gas, advice only. Needs no station.",
)


@app.command(cls=OneLine)
def settle(
    pressure_bar: Pressure,
    from_c: Annotated[float, option("--from-c", _temperature, "Temperature of the gas now, °C.")],
    to_c: Annotated[float, option("--to-c", _temperature, "Temperature it comes to, °C.")],
    o2_pct: Oxygen = AIR_O2_PCT,
    he_pct: Helium = 0.0,
    ar_pct: Argon = None,
    as_json: AsJson = False,
) -> None:
    """What a closed cylinder will read once its gas has come to another temperature."""
    from pipelines.cli.calculator_limit import shares_of
    from shared.gas import thermal

    mix = _mix(o2_pct, he_pct, ar_pct)
    result = within_box(
        "--pressure-bar", lambda: thermal.settled_pressure_bar(pressure_bar, from_c, to_c, *shares_of(mix))
    )
    ideal = gauge(absolute(pressure_bar) * kelvin(to_c) / kelvin(from_c))
    answer(
        {"pressure_bar": result, "ideal_pressure_bar": ideal},
        [ADVICE, NOT_CHECKED, *_notes(max(pressure_bar, result), mix)],
        [f"{bar(result)} at {degrees(to_c)}", f"(ideal gas: {bar(ideal)})"],
        as_json,
    )


@app.command(cls=OneLine)
def content(
    capacity_l: Capacity,
    pressure_bar: Pressure,
    gas_c: Gas = REFERENCE_C,
    o2_pct: Oxygen = AIR_O2_PCT,
    he_pct: Helium = 0.0,
    ar_pct: Argon = None,
    as_json: AsJson = False,
) -> None:
    """What a cylinder holds: free litres down to an empty gauge, and the mass of all gas in it."""
    from pipelines.cli.calculator_limit import shares_of
    from shared.gas import thermal

    mix = _mix(o2_pct, he_pct, ar_pct)
    usable, density = within_box(
        "--pressure-bar",
        lambda: (
            thermal.usable_free_l(capacity_l, pressure_bar, gas_c, *shares_of(mix)),
            thermal.density_mol_l(pressure_bar, gas_c, *shares_of(mix)),
        ),
    )
    nominal, mass = capacity_l * pressure_bar, capacity_l * density * mix.molar_mass_g_mol / 1000.0
    answer(
        {"usable_free_l": usable, "nominal_free_l": nominal, "gas_mass_kg": mass},
        [
            ADVICE,
            "Not a gas plan; no allowance for stress, cold, a buddy or stops.",
            *_notes(pressure_bar, mix),
        ],
        [f"{usable:.0f} free L usable, {mass:.2f} kg of gas", f"(capacity × pressure: {nominal:.0f} free L)"],
        as_json,
    )


@app.command(cls=OneLine)
def stop(
    target_bar: Annotated[
        float | None, option("--target-bar", _pressure, "What it should read once settled, bar.")
    ] = None,
    gas_c: Gas = REFERENCE_C,
    limit_bar: Limit = None,
    reference_c: Annotated[
        float | None,
        option("--reference-c", _reference, "Temperature it settles to, °C; without it, that of the rule set."),
    ] = None,
    o2_pct: Oxygen = AIR_O2_PCT,
    he_pct: Helium = 0.0,
    ar_pct: Argon = None,
    rule_set: RuleSet = "uk",
    unit: Unit = None,
    station: StationFolder = Path(),
    start_bar: StartBar = None,
    ambient_c: Ambient = None,
    minutes: Minutes = None,
    source: FromSource = None,
    method: Method = None,
    as_json: AsJson = False,
) -> None:
    """Where the gauge should stand at stop, for a target once cool; never above the limit you give.

    With --unit and --station: of a unit of a station, by what its settled readings have taught.
    """
    if unit is not None:
        from pipelines.cli.calculator_unit import UnitAsked, stop_of_unit

        own = (unit, station, start_bar, ambient_c, target_bar, minutes, source, method, o2_pct, he_pct)
        stop_of_unit(UnitAsked(*own), as_json)
        return
    if target_bar is None:
        raise refusal("--target-bar: missing; give a value, or --target-psi; or --unit and --station")
    from pipelines.cli.calculator_limit import GivenLimit, shares_of
    from shared.filling.permitted import above_permitted
    from shared.gas import thermal

    if gas_c > HOTTEST_FILL_C:
        raise refusal(f"--gas-c: gas at {degrees(gas_c)} is above {degrees(HOTTEST_FILL_C)}: stop and let it cool")
    _target_within("--target-bar", target_bar, limit_bar)
    mix = _mix(o2_pct, he_pct, ar_pct)
    limit = GivenLimit(limit_bar, rule_set, mix)
    reference_c = limit.at_c if reference_c is None else reference_c
    wanted = within_box(
        "--target-bar", lambda: thermal.stop_pressure_bar(target_bar, gas_c, reference_c, *shares_of(mix))
    )
    most = within_box("--limit-bar", lambda: limit.most_bar(gas_c))
    advised, capped = min(wanted, most), above_permitted(wanted, most)
    settles = within_box(
        "--target-bar", lambda: thermal.settled_pressure_bar(advised, gas_c, reference_c, *shares_of(mix))
    )
    says = [f"Stop at {bar(advised)} with the gas at {degrees(gas_c)}; settles to {bar(settles)} at "
            f"{degrees(reference_c)}"]  # fmt: skip
    if capped and limit_bar is not None:
        gauge_binds = most >= limit_bar
        says.append(
            f"Held at the limit: {bar(target_bar - settles)} short once cool. "
            + (
                "A slower fill, or a top-up once it is cool, gains that."
                if gauge_binds
                else f"The gas is colder than {degrees(limit.at_c)}: there it will read {bar(limit_bar)}, the limit."
            )
        )
    cautions = [ADVICE] if limit_bar is not None else [NOT_CHECKED, ADVICE]
    if limit_bar is None and advised > target_bar:
        cautions.append(
            "This is above the target: give --limit-bar, the lesser of cylinder and valve, to be held to it."
        )
    if limit_bar is None and reference_c < limit.at_c:
        cautions.append(
            f"Cylinders are rated at {degrees(limit.at_c)}: there it will read more than at {degrees(reference_c)}. "
            "Give --limit-bar to be held to it."
        )
    result = {"stop_pressure_bar": advised, "capped": bool(capped), "settles_to_bar": settles}
    answer(
        result | limit.checked(advised, gas_c),
        [*cautions, *_notes(advised, mix)],
        says,
        as_json,
    )


@app.command(cls=OneLine)
def topup(
    have_bar: HaveBar,
    have_o2_pct: Annotated[float, option("--have-o2-pct", share_pct, "Oxygen inside, per cent.")],
    to_bar: ToBar,
    to_o2_pct: Annotated[float, option("--to-o2-pct", share_pct, "Oxygen wanted, per cent.")],
    have_he_pct: Annotated[float, option("--have-he-pct", share_pct, "Helium inside.")] = 0.0,
    to_he_pct: Annotated[float, option("--to-he-pct", share_pct, "Helium wanted.")] = 0.0,
    gas_c: Gas = REFERENCE_C,
    order: Annotated[str, typer.Option("--order", help="Gases in the order they go in.")] = "helium,oxygen,air",
    oxygen_bank_bar: Annotated[
        float | None, option("--oxygen-bank-bar", _pressure, "Pressure of the oxygen bank, bar.")
    ] = None,
    helium_bank_bar: Annotated[
        float | None, option("--helium-bank-bar", _pressure, "Pressure of the helium bank, bar.")
    ] = None,
    limit_bar: Limit = None,
    rule_set: RuleSet = "uk",
    as_json: AsJson = False,
) -> None:
    """Recipe from what is inside to a mix, adding helium, oxygen and air; the ideal one beside it."""
    from pipelines.cli.calculator_limit import GivenLimit
    from shared.filling import blending

    gases = [name.strip().lower() for name in order.split(",")]
    if sorted(gases) != sorted(blending.GASES):
        raise refusal(f"--order: {order!r} must name helium, oxygen and air, each once, joined by commas")
    _target_within("--to-bar", to_bar, limit_bar)
    have, to = _mix(have_o2_pct, have_he_pct, prefix="--have-"), _mix(to_o2_pct, to_he_pct, prefix="--to-")
    limit, inside = GivenLimit(limit_bar, rule_set, to), GivenLimit(limit_bar, rule_set, have)
    aim_bar = min(to_bar, within_box("--limit-bar", lambda: limit.most_bar(gas_c)))
    try:
        recipe = within_box("--to-bar", lambda: blending.top_up(have_bar, have, aim_bar, to, gas_c, gases))
    except blending.CannotBlend as error:
        raise refusal(f"--to-o2-pct: {error}") from None
    banks = {"oxygen": oxygen_bank_bar, "helium": helium_bank_bar}
    too_low = [step.gas for step in recipe.steps if (bank := banks.get(step.gas)) is not None and bank < step.to_bar]
    drain = None if recipe.drain_to_bar is None else max(round(recipe.drain_to_bar, 4), 0.0) + 0.0
    result: dict[str, Any] = {
        "steps": [{"gas": step.gas, "to_bar": step.to_bar} for step in recipe.steps],
        "final_o2_pct": recipe.final.o2_pct,
        "final_he_pct": recipe.final.he_pct,
        "ideal_steps": [{"gas": step.gas, "to_bar": step.to_bar} for step in recipe.ideal_steps],
        "ideal_gives_o2_pct": recipe.ideal_gives.o2_pct,
        "ideal_gives_he_pct": recipe.ideal_gives.he_pct,
        "needs_booster": bool(too_low),
        "booster_for": too_low,
        "capped": limit.holds_back(to_bar, gas_c),
        **inside.checked(have_bar, gas_c, "have"),
    }
    says = limit.held(to_bar, gas_c)
    if drain is not None:
        result["drain_to_bar"] = drain
        says.append(f"First drain to {bar(drain)}.")
    says += [f"{step.gas} to {bar(step.to_bar)}" for step in recipe.steps] or ["Nothing to add."]
    says.append(f"Gives {recipe.final.o2_pct:.1f} % oxygen, {recipe.final.he_pct:.1f} % helium.")
    ideal = ", ".join(f"{step.gas} to {step.to_bar:.1f}" for step in recipe.ideal_steps)
    if ideal:
        says.append(
            f"(ideal gas: {ideal} bar; it would give {recipe.ideal_gives.o2_pct:.1f} % oxygen, "
            f"{recipe.ideal_gives.he_pct:.1f} % helium)"
        )
    says += [f"The {name} bank is too low for its step: needs a booster." for name in too_low]
    cautions = [OXYGEN, SETTLED, *([] if limit_bar is not None else [NOT_CHECKED]), ADVICE]
    cautions = [*inside.warning(have_bar, gas_c), *cautions]
    answer(result, [*cautions, *_notes(max(have_bar, aim_bar), recipe.final)], says, as_json)


@app.command(cls=OneLine)
def cascade(
    have_bar: HaveBar,
    capacity_l: Capacity,
    to_bar: ToBar,
    bank: Annotated[
        list[str],  # read into tuples by _bank
        option("--bank", _bank, "A bank of the same gas; once for each. Or NAME:CAPACITY_L:3600psi.",
               "NAME:CAPACITY_L:BAR"),
    ],
    limit_bar: Limit = None,
    gas_c: Gas = REFERENCE_C,
    o2_pct: Oxygen = AIR_O2_PCT,
    he_pct: Helium = 0.0,
    ar_pct: Argon = None,
    rule_set: RuleSet = "uk",
    as_json: AsJson = False,
) -> None:  # fmt: skip
    """What several banks of one gas give, lowest first, and what is left in them."""
    from pipelines.cli.calculator_limit import GivenLimit
    from shared.filling import blending
    from shared.filling.permitted import above_permitted

    _target_within("--to-bar", to_bar, limit_bar)
    mix = _mix(o2_pct, he_pct, ar_pct)
    limit = GivenLimit(limit_bar, rule_set, mix)
    most = within_box("--limit-bar", lambda: limit.most_bar(gas_c))
    aim_bar = min(to_bar, most)
    banks = [blending.Bank(*text) for text in bank]  # type: ignore[misc]
    if len({one.name for one in banks}) < len(banks):
        raise refusal("--bank: two banks have the same name")
    real = within_box("--bank", lambda: blending.cascade(have_bar, capacity_l, aim_bar, banks, gas_c, mix))
    ideal = blending.ideal_cascade(have_bar, capacity_l, aim_bar, banks)
    higher = [one for one in banks if above_permitted(one.pressure_bar, most)]
    result = {
        "steps": [{"bank": step.bank, "to_bar": step.to_bar, "bank_bar": step.bank_bar} for step in real.steps],
        "final_bar": real.final_bar,
        "ideal_final_bar": ideal.final_bar,
        "short_bar": max(to_bar - real.final_bar, 0.0),
        "banks": [
            {"name": one.name, "capacity_l": one.water_capacity_l, "pressure_bar": one.pressure_bar}
            for one in real.banks
        ],
        "capped": limit.holds_back(to_bar, gas_c),
        "banks_above_limit": [one.name for one in higher],
        **limit.checked(have_bar, gas_c, "have"),
    }
    says = limit.held(to_bar, gas_c)
    says += [f"{step.bank} to {bar(step.to_bar)} (bank then {bar(step.bank_bar)})" for step in real.steps] or [
        "Nothing to add." if have_bar >= aim_bar else "No bank is above the cylinder."
    ]
    says.append(f"Final {bar(real.final_bar)} (ideal gas: {bar(ideal.final_bar)})")
    if real.final_bar < aim_bar:
        says.append(f"{bar(aim_bar - real.final_bar)} short: the banks give no more.")
    cautions = [SETTLED, ADVICE] if limit_bar is not None else [NOT_CHECKED, SETTLED, ADVICE]
    if higher:
        cautions.append(
            f"{', '.join(one.name for one in higher)} can fill the cylinder above the limit: stay at the valve, and "
            f"close it at {bar(aim_bar)}."
        )
    cautions = [*limit.warning(have_bar, gas_c), *cautions]
    highest = max(one.pressure_bar for one in banks)
    answer(result, [*cautions, *_notes(max(have_bar, highest, to_bar), mix)], says, as_json)


def _mix(o2_pct: float, he_pct: float, ar_pct: float | None = None, prefix: str = "--") -> Any:
    from shared.gas.mix import Mix

    parts = {"oxygen": o2_pct, "helium": he_pct, **({} if ar_pct is None else {"argon": ar_pct})}
    if sum(parts.values()) > 100.0 + 1e-9:
        named = ", ".join(f"{name} {share:g} %" for name, share in parts.items() if share)
        last = "he-pct" if ar_pct is None else "ar-pct"
        more = "; give --o2-pct too" if ar_pct is not None and o2_pct == AIR_O2_PCT else ""
        raise refusal(f"{prefix}{last}: {named} are more than 100 % together{more}")
    return Mix(o2_pct, he_pct, ar_pct)


def _target_within(name: str, target_bar: float, limit_bar: float | None) -> None:
    from shared.filling.permitted import above_permitted

    if limit_bar is not None and above_permitted(target_bar, limit_bar):
        raise refusal(f"{name}: {bar(target_bar)} is above --limit-bar {bar(limit_bar)}")


def _notes(highest_bar: float, mix: Any) -> list[str]:
    notes = [EXTENDED] if absolute(highest_bar) > NORMAL_MOST_BAR_ABS else []
    if not mix.breathable:
        notes.append(SUIT_GAS)
    elif mix.o2_pct < 18.0:
        notes.append(HYPOXIC)
    return notes


if __name__ == "__main__":
    app()
