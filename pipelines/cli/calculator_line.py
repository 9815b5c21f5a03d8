"""The calculator's command line: figures with bounds, figures in psi or °F, one line for wrong usage, the answer.

An option for a pressure in bar has a twin in psi, one for °C a twin in °F; conversions are exact. Whoever asks in
psi or °F reads the answer in both.
"""

import json
import math
import re
from collections.abc import Callable, Iterable
from contextvars import ContextVar
from typing import Any

import typer
from typer.core import TyperCommand, TyperGroup

from shared.gas.units import bar_from_psi, c_from_f, f_from_c, psi_from_bar

#: ending of an option → ending of its twin, the twin's unit as typed, and its conversion
_TWINS: dict[str, tuple[str, str, Callable[[float], float]]] = {
    "-bar": ("-psi", "psi", bar_from_psi),
    "-c": ("-f", "°F", c_from_f),
}
_TYPED = {unit: convert for _, unit, convert in _TWINS.values()}
#: units besides ours that this line was asked in
_asked_in: ContextVar[frozenset[str]] = ContextVar("asked_in", default=frozenset())

#: a comma with one, two or more than three digits after it can only be a decimal one
_DECIMAL_COMMA = re.compile(r"^([+-]?\d+),(\d{1,2}|\d{4,})$")

_UsageError: Any = typer.BadParameter.__mro__[1]
"""What the command line's parser raises for any wrong usage."""


class OneLine(TyperCommand):
    """A command that answers wrong usage with one line that names the option as it was typed."""

    def make_context(self, info_name: Any, args: list[str], *rest: Any, **kwargs: Any) -> Any:
        args, typed = self._in_our_units(args)
        try:
            return super().make_context(info_name, args, *rest, **kwargs)
        except _UsageError as error:
            raise refusal(_named(error, typed)) from None

    def _in_our_units(self, args: list[str]) -> tuple[list[str], dict[str, str]]:
        """The arguments, each twin's figure handed with its unit to our own option; and which twins were typed."""
        own = {name for param in self.params for name in param.opts}
        twins = {
            name.removesuffix(ending) + twin: (name, unit)
            for name in own
            for ending, (twin, unit, _) in _TWINS.items()
            if name.endswith(ending)
        }  # a twin's name → our option and the twin's unit
        made: list[str] = []
        typed: dict[str, str] = {}
        figures = iter(args)
        given = {arg.partition("=")[0] for arg in args}
        for arg in figures:
            name, joined, value = arg.partition("=")
            if name not in twins:
                made.append(arg)
                continue
            ours, unit = twins[name]
            if ours in given:
                raise refusal(f"{name}: {ours} says the same; give one of them")
            typed[ours] = name
            figure = value if joined else next(figures, None)
            made += [ours] if figure is None else [ours, f"{figure} {unit}"]
        asked = {twins[name][1] for name in typed.values()}
        banks = {"psi"} if any(":" in arg and arg.lower().endswith("psi") for arg in args) else set()
        _asked_in.set(frozenset(asked | banks))
        return made, typed


class OneLineGroup(TyperGroup):
    """The same for a word that is no command."""

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        try:
            return super().resolve_command(ctx, args)
        except _UsageError:
            raise refusal(f"gas: no command {args[0]!r}; there are {', '.join(self.list_commands(ctx))}") from None


def _named(error: Any, typed: dict[str, str]) -> str:
    """One line for a usage error, beginning with the option it is about."""
    param = getattr(error, "param", None)
    if param is not None:
        ours = param.opts[0]
        if type(error).__name__.startswith("Missing"):
            twin = next((ours.removesuffix(e) + t[0] for e, t in _TWINS.items() if ours.endswith(e)), None)
            return f"{ours}: missing; give a value" + (f", or {twin}" if twin else "")
        return f"{typed.get(ours, ours)}: {error.message}"
    option = getattr(error, "option_name", None)
    message = " ".join(str(error.format_message()).split())
    return f"{typed.get(option, option)}: {message}" if option else message


def refusal(line: str) -> typer.Exit:
    """The end of a command for wrong input: one line, exit code 2."""
    typer.echo(line, err=True)
    return typer.Exit(2)


# --- figures ----------------------------------------------------------------------------------
def number(low: float, high: float, unit: str, *, above_low: bool = False) -> Callable[[str], float]:
    """A reader of finite numbers within bounds in our unit; its refusal says what was wrong, in the unit typed."""

    def read(text: str) -> float:
        text = str(text)  # a default comes as the figure it is
        plain, _, typed = text.strip().rpartition(" ")
        convert = _TYPED.get(typed)
        plain, shown = (plain, typed) if convert else (text, unit)
        try:
            figure = float(_DECIMAL_COMMA.sub(r"\1.\2", plain.strip()))
        except ValueError:
            fix = "; thousands take no mark, decimals a point or a comma" if "," in plain or "'" in plain else ""
            raise typer.BadParameter(f"{plain!r} is not a number{fix}") from None
        if not math.isfinite(figure):
            raise typer.BadParameter(f"{plain!r} is not a finite number")
        ours = convert(figure) if convert else figure
        back = _BACK.get(typed, lambda value: value) if convert else (lambda value: value)
        if above_low and ours <= low:
            raise typer.BadParameter(f"{figure:g} {shown} is not above {back(low):g} {shown}")
        if not low <= ours <= high:
            raise typer.BadParameter(f"{figure:g} {shown} is outside {back(low):.4g} to {back(high):.4g} {shown}")
        return ours

    return read


_BACK: dict[str, Callable[[float], float]] = {"psi": psi_from_bar, "°F": f_from_c}


def share_pct(text: str) -> float:
    """A reader of a part of a mix in per cent; a share of one is asked about."""
    figure = number(0.0, 100.0, "%")(text)
    if 0.0 < figure < 1.0:
        raise typer.BadParameter(f"{figure:g} % looks like a share of one: did you mean {100 * figure:g}?")
    return figure


def within_box(name: str, compute: Callable[[], Any]) -> Any:
    """What a computation gives; a state outside the gas engine's box ends the command, naming the option."""
    from shared.gas.mix import OutOfRange

    try:
        return compute()
    except OutOfRange as error:
        raise refusal(f"{name}: {error}") from None


def option(name: str, parser: Callable[[str], Any], says: str, metavar: str = "NUMBER") -> Any:
    """An option with its help; a pressure or temperature names its twin."""
    twin = next(((name.removesuffix(e) + t[0], t[1]) for e, t in _TWINS.items() if name.endswith(e)), None)
    help_ = f"{says} Or {twin[0]}, in {twin[1]}." if twin else says
    return typer.Option(name, parser=parser, help=help_, metavar=metavar)


# --- the answer -------------------------------------------------------------------------------
def bar(pressure_bar: float) -> str:
    """'232.0 bar', with psi beside it where it was asked in psi."""
    psi = f" ({psi_from_bar(pressure_bar):.0f} psi)" if "psi" in _asked_in.get() else ""
    return f"{pressure_bar:.1f} bar{psi}"


def degrees(temperature_c: float) -> str:
    """'15 °C', with °F beside it where it was asked in °F."""
    warm = f" ({f_from_c(temperature_c):.0f} °F)" if "°F" in _asked_in.get() else ""
    return f"{temperature_c:g} °C{warm}"


def answer(values: dict[str, Any], cautions: Iterable[str], says: Iterable[str], as_json: bool) -> None:
    """Print the caution, then the answer; or both as one object."""
    caution = " ".join(cautions)
    if as_json:
        typer.echo(json.dumps({**_rounded(values), "caution": caution}, ensure_ascii=False))
        return
    typer.echo(caution)
    for line in says:
        typer.echo(line)


def _rounded(value: Any) -> Any:
    """Plain numbers to a millionth: what is beyond is noise of the arithmetic. In psi too where asked in psi."""
    if isinstance(value, dict):
        made: dict[str, Any] = {}
        for key, part in value.items():
            made[key] = _rounded(part)
            if "psi" in _asked_in.get() and key.endswith("_bar") and isinstance(part, (int, float)):
                made[key.removesuffix("_bar") + "_psi"] = _rounded(psi_from_bar(float(part)))
        return made
    if isinstance(value, list):
        return [_rounded(part) for part in value]
    return round(float(value), 6) if isinstance(value, float) else value
