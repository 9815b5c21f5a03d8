"""`coldfill gas`: the calculator at the compressor. No station needed, no table built, no pandas.

Every answer carries its caution, and in plain text the caution comes first. Wrong input ends with exit
code 2 and one line that names the option.
"""

import json
import math
from collections.abc import Callable, Iterable
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from shared.constants import AIR_O2_PCT, LEAST_K, MOST_BAR_ABS, MOST_K, NORMAL_MOST_BAR_ABS, REFERENCE_C
from shared.units import absolute, celsius, gauge, kelvin

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


_UsageError: Any = typer.BadParameter.__mro__[1]
"""What the command line's parser raises for any wrong usage."""


class OneLine(TyperCommand):
    """A command that answers wrong usage with one line that names the option."""

    def make_context(self, *args: Any, **kwargs: Any) -> Any:
        try:
            return super().make_context(*args, **kwargs)
        except _UsageError as error:
            raise _refusal(_named(error)) from None


class OneLineGroup(TyperGroup):
    """The same for a word that is no command."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        try:
            return super().resolve_command(ctx, args)
        except _UsageError:
            raise _refusal(f"gas: no command {args[0]!r}; there are {', '.join(self.list_commands(ctx))}") from None


def _named(error: Any) -> str:
    """One line for a usage error, beginning with the option it is about."""
    param = getattr(error, "param", None)
    if param is not None:
        missing = type(error).__name__.startswith("Missing")
        return f"{param.opts[0]}: {'missing; give a value' if missing else error.message}"
    option = getattr(error, "option_name", None)
    message = " ".join(str(error.format_message()).split())
    return f"{option}: {message}" if option else message


def _refusal(line: str) -> typer.Exit:
    typer.echo(line, err=True)
    return typer.Exit(2)


def _number(low: float, high: float, unit: str, *, above_low: bool = False) -> Callable[[str], float]:
    """A reader of finite numbers within bounds; its refusal says what was wrong."""

    def read(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            mend = "; decimals take a point, thousands no mark" if "," in text else ""
            raise typer.BadParameter(f"{text!r} is not a number{mend}") from None
        if not math.isfinite(number):
            raise typer.BadParameter(f"{text!r} is not a finite number")
        if above_low and number <= low:
            raise typer.BadParameter(f"{number:g} {unit} is not above {low:g} {unit}")
        if not low <= number <= high:
            raise typer.BadParameter(f"{number:g} {unit} is outside {low:g} to {high:g} {unit}")
        return number

    return read


_pressure = _number(0.0, math.floor(gauge(MOST_BAR_ABS)), "bar")
_temperature = _number(round(celsius(LEAST_K), 2), round(celsius(MOST_K), 2), "°C")
_reference = _number(0.0, 40.0, "°C")
_share = _number(0.0, 100.0, "%")
_capacity = _number(0.0, 100_000.0, "L", above_low=True)


def _bank(text: str) -> tuple[str, float, float]:
    """A bank's name, capacity and pressure from NAME:CAPACITY_L:BAR."""
    parts = text.rsplit(":", 2)
    if len(parts) != 3 or not parts[0].strip():
        raise typer.BadParameter(f"{text!r} is not NAME:CAPACITY_L:BAR, for instance bank1:50:250")
    return parts[0].strip(), _capacity(parts[1]), _pressure(parts[2])


def _option(name: str, parser: Callable[[str], Any], says: str, metavar: str = "NUMBER") -> Any:
    return typer.Option(name, parser=parser, help=says, metavar=metavar)


Pressure = Annotated[float, _option("--pressure-bar", _pressure, "Gauge pressure, bar.")]
Gas = Annotated[float, _option("--gas-c", _temperature, "Temperature of the gas, °C.")]
Oxygen = Annotated[float, _option("--o2-pct", _share, "Oxygen, molar per cent.")]
Helium = Annotated[float, _option("--he-pct", _share, "Helium, molar per cent.")]
Capacity = Annotated[float, _option("--capacity-l", _capacity, "Water capacity, litres.")]
HaveBar = Annotated[float, _option("--have-bar", _pressure, "Settled gauge pressure now, bar.")]
ToBar = Annotated[float, _option("--to-bar", _pressure, "Settled gauge pressure wanted, bar.")]
Limit = Annotated[
    float | None,
    _option("--limit-bar", _pressure, "Permitted pressure: the lesser of cylinder and valve, bar."),
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
    from_c: Annotated[float, _option("--from-c", _temperature, "Temperature of the gas now, °C.")],
    to_c: Annotated[float, _option("--to-c", _temperature, "Temperature it comes to, °C.")],
    o2_pct: Oxygen = AIR_O2_PCT,
    he_pct: Helium = 0.0,
    as_json: AsJson = False,
) -> None:
    """What a closed cylinder will read once its gas has come to another temperature."""
    from shared import thermal

    mix = _mix(o2_pct, he_pct)
    result = _within_box(
        "--pressure-bar", lambda: thermal.settled_pressure_bar(pressure_bar, from_c, to_c, mix.o2_pct, mix.he_pct)
    )
    ideal = gauge(absolute(pressure_bar) * kelvin(to_c) / kelvin(from_c))
    _answer(
        {"pressure_bar": result, "ideal_pressure_bar": ideal},
        [ADVICE, NOT_CHECKED, *_notes(max(pressure_bar, result), mix)],
        [f"{result:.1f} bar at {to_c:g} °C", f"(ideal gas: {ideal:.1f} bar)"],
        as_json,
    )


@app.command(cls=OneLine)
def content(
    capacity_l: Capacity,
    pressure_bar: Pressure,
    gas_c: Gas = REFERENCE_C,
    o2_pct: Oxygen = AIR_O2_PCT,
    he_pct: Helium = 0.0,
    as_json: AsJson = False,
) -> None:
    """What a cylinder holds: free litres down to an empty gauge, and the mass of all gas in it."""
    from shared import thermal

    mix = _mix(o2_pct, he_pct)
    usable, density = _within_box(
        "--pressure-bar",
        lambda: (
            thermal.usable_free_l(capacity_l, pressure_bar, gas_c, mix.o2_pct, mix.he_pct),
            thermal.density_mol_l(pressure_bar, gas_c, mix.o2_pct, mix.he_pct),
        ),
    )
    nominal, mass = capacity_l * pressure_bar, capacity_l * density * mix.molar_mass_g_mol / 1000.0
    _answer(
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
    target_bar: Annotated[float, _option("--target-bar", _pressure, "What it should read once settled, bar.")],
    gas_c: Gas = REFERENCE_C,
    limit_bar: Limit = None,
    reference_c: Annotated[float, _option("--reference-c", _reference, "Temperature it settles to, °C.")] = REFERENCE_C,
    o2_pct: Oxygen = AIR_O2_PCT,
    he_pct: Helium = 0.0,
    as_json: AsJson = False,
) -> None:
    """Where the gauge should stand at stop, for a target once cool; never above the limit you give."""
    from shared import thermal

    if gas_c > HOTTEST_FILL_C:
        raise _refusal(f"--gas-c: gas at {gas_c:g} °C is above {HOTTEST_FILL_C:g} °C: stop and let it cool")
    _target_within("--target-bar", target_bar, limit_bar)
    mix = _mix(o2_pct, he_pct)
    shares = mix.o2_pct, mix.he_pct
    wanted = _within_box("--target-bar", lambda: thermal.stop_pressure_bar(target_bar, gas_c, reference_c, *shares))
    capped = bool(limit_bar is not None and wanted > limit_bar)
    advised = float(limit_bar) if capped and limit_bar is not None else wanted
    settles = thermal.settled_pressure_bar(advised, gas_c, reference_c, *shares) if capped else target_bar
    says = [
        f"Stop at {advised:.1f} bar with the gas at {gas_c:g} °C; settles to {settles:.1f} bar at {reference_c:g} °C"
    ]
    if capped:
        says.append(
            f"Held at the limit: {target_bar - settles:.1f} bar short once cool. A slower fill, or a top-up once it is "
            "cool, gains that."
        )
    cautions = [ADVICE] if limit_bar is not None else [NOT_CHECKED, ADVICE]
    if limit_bar is None and advised > target_bar:
        cautions.append(
            "This is above the target: give --limit-bar, the lesser of cylinder and valve, to be held to it."
        )
    _answer(
        {
            "stop_pressure_bar": advised,
            "capped": capped,
            "settles_to_bar": settles,
            "limit_checked": limit_bar is not None,
        },
        [*cautions, *_notes(advised, mix)],
        says,
        as_json,
    )


@app.command(cls=OneLine)
def topup(
    have_bar: HaveBar,
    have_o2_pct: Annotated[float, _option("--have-o2-pct", _share, "Oxygen inside, per cent.")],
    to_bar: ToBar,
    to_o2_pct: Annotated[float, _option("--to-o2-pct", _share, "Oxygen wanted, per cent.")],
    have_he_pct: Annotated[float, _option("--have-he-pct", _share, "Helium inside.")] = 0.0,
    to_he_pct: Annotated[float, _option("--to-he-pct", _share, "Helium wanted.")] = 0.0,
    gas_c: Gas = REFERENCE_C,
    order: Annotated[str, typer.Option("--order", help="Gases in the order they go in.")] = "helium,oxygen,air",
    oxygen_bank_bar: Annotated[
        float | None, _option("--oxygen-bank-bar", _pressure, "Pressure of the oxygen bank, bar.")
    ] = None,
    helium_bank_bar: Annotated[
        float | None, _option("--helium-bank-bar", _pressure, "Pressure of the helium bank, bar.")
    ] = None,
    as_json: AsJson = False,
) -> None:
    """Recipe from what is inside to a mix, adding helium, oxygen and air; the ideal one beside it."""
    from shared import blending

    gases = [name.strip().lower() for name in order.split(",")]
    if sorted(gases) != sorted(blending.GASES):
        raise _refusal(f"--order: {order!r} must name helium, oxygen and air, each once, joined by commas")
    have, to = _mix(have_o2_pct, have_he_pct, "--have-"), _mix(to_o2_pct, to_he_pct, "--to-")
    try:
        recipe = _within_box("--to-bar", lambda: blending.top_up(have_bar, have, to_bar, to, gas_c, gases))
    except blending.CannotBlend as error:
        raise _refusal(f"--to-o2-pct: {error}") from None
    banks = {"oxygen": oxygen_bank_bar, "helium": helium_bank_bar}
    too_low = [step.gas for step in recipe.steps if (bank := banks.get(step.gas)) is not None and bank < step.to_bar]
    drain = None if recipe.drain_to_bar is None else max(round(recipe.drain_to_bar, 4), 0.0) + 0.0
    answer: dict[str, Any] = {
        "steps": [{"gas": step.gas, "to_bar": step.to_bar} for step in recipe.steps],
        "final_o2_pct": recipe.final.o2_pct,
        "final_he_pct": recipe.final.he_pct,
        "ideal_steps": [{"gas": step.gas, "to_bar": step.to_bar} for step in recipe.ideal_steps],
        "ideal_gives_o2_pct": recipe.ideal_gives.o2_pct,
        "ideal_gives_he_pct": recipe.ideal_gives.he_pct,
        "needs_booster": bool(too_low),
        "booster_for": too_low,
    }
    says = []
    if drain is not None:
        answer["drain_to_bar"] = drain
        says.append(f"First drain to {drain:.1f} bar.")
    says += [f"{step.gas} to {step.to_bar:.1f} bar" for step in recipe.steps] or ["Nothing to add."]
    says.append(f"Gives {recipe.final.o2_pct:.1f} % oxygen, {recipe.final.he_pct:.1f} % helium.")
    ideal = ", ".join(f"{step.gas} to {step.to_bar:.1f}" for step in recipe.ideal_steps)
    if ideal:
        says.append(
            f"(ideal gas: {ideal} bar; it would give {recipe.ideal_gives.o2_pct:.1f} % oxygen, "
            f"{recipe.ideal_gives.he_pct:.1f} % helium)"
        )
    says += [f"The {name} bank is too low for its step: needs a booster." for name in too_low]
    _answer(answer, [OXYGEN, SETTLED, NOT_CHECKED, ADVICE, *_notes(to_bar, recipe.final)], says, as_json)


@app.command(cls=OneLine)
def cascade(
    have_bar: HaveBar,
    capacity_l: Capacity,
    to_bar: ToBar,
    bank: Annotated[
        list[str],  # read into tuples by _bank
        _option("--bank", _bank, "A bank of the same gas; once for each.", "NAME:CAPACITY_L:BAR"),
    ],
    limit_bar: Limit = None,
    gas_c: Gas = REFERENCE_C,
    o2_pct: Oxygen = AIR_O2_PCT,
    he_pct: Helium = 0.0,
    as_json: AsJson = False,
) -> None:
    """What several banks of one gas give, lowest first, and what is left in them."""
    from shared import blending

    _target_within("--to-bar", to_bar, limit_bar)
    mix = _mix(o2_pct, he_pct)
    banks = [blending.Bank(*text) for text in bank]  # type: ignore[misc]
    if len({one.name for one in banks}) < len(banks):
        raise _refusal("--bank: two banks have the same name")
    real = _within_box("--bank", lambda: blending.cascade(have_bar, capacity_l, to_bar, banks, gas_c, mix))
    ideal = blending.ideal_cascade(have_bar, capacity_l, to_bar, banks)
    answer = {
        "steps": [{"bank": step.bank, "to_bar": step.to_bar, "bank_bar": step.bank_bar} for step in real.steps],
        "final_bar": real.final_bar,
        "ideal_final_bar": ideal.final_bar,
        "short_bar": max(to_bar - real.final_bar, 0.0),
        "banks": [
            {"name": one.name, "capacity_l": one.water_capacity_l, "pressure_bar": one.pressure_bar}
            for one in real.banks
        ],
        "limit_checked": limit_bar is not None,
    }
    says = [f"{step.bank} to {step.to_bar:.1f} bar (bank then {step.bank_bar:.1f})" for step in real.steps]
    says = says or ["Nothing to add." if have_bar >= to_bar else "No bank is above the cylinder."]
    says.append(f"Final {real.final_bar:.1f} bar (ideal gas: {ideal.final_bar:.1f} bar)")
    if real.final_bar < to_bar:
        says.append(f"{to_bar - real.final_bar:.1f} bar short: the banks give no more.")
    cautions = [SETTLED, ADVICE] if limit_bar is not None else [NOT_CHECKED, SETTLED, ADVICE]
    highest = max(one.pressure_bar for one in banks)
    _answer(answer, [*cautions, *_notes(max(have_bar, highest, to_bar), mix)], says, as_json)


def _mix(o2_pct: float, he_pct: float, prefix: str = "--") -> Any:
    from shared.gas import Mix

    if o2_pct + he_pct > 100.0:
        raise _refusal(f"{prefix}he-pct: oxygen {o2_pct:g} % and helium {he_pct:g} % are more than 100 % together")
    return Mix(o2_pct, he_pct)


def _target_within(option: str, target_bar: float, limit_bar: float | None) -> None:
    if limit_bar is not None and target_bar > limit_bar:
        raise _refusal(f"{option}: {target_bar:g} bar is above --limit-bar {limit_bar:g} bar")


def _within_box(option: str, compute: Any) -> Any:
    from shared.gas import OutOfRange

    try:
        return compute()
    except OutOfRange as error:
        raise _refusal(f"{option}: {error}") from None


def _notes(highest_bar: float, mix: Any) -> list[str]:
    notes = [EXTENDED] if absolute(highest_bar) > NORMAL_MOST_BAR_ABS else []
    if not mix.breathable:
        notes.append(SUIT_GAS)
    elif mix.o2_pct < 18.0:
        notes.append(HYPOXIC)
    return notes


def _answer(values: dict[str, Any], cautions: Iterable[str], says: Iterable[str], as_json: bool) -> None:
    caution = " ".join(cautions)
    if as_json:
        typer.echo(json.dumps({**_rounded(values), "caution": caution}, ensure_ascii=False))
        return
    typer.echo(caution)
    for line in says:
        typer.echo(line)


def _rounded(value: Any) -> Any:
    """Plain numbers to a millionth: what is beyond is noise of the arithmetic."""
    if isinstance(value, dict):
        return {key: _rounded(part) for key, part in value.items()}
    if isinstance(value, list):
        return [_rounded(part) for part in value]
    return round(float(value), 6) if isinstance(value, float) else value


if __name__ == "__main__":
    app()
