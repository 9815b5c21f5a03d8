"""Figures as people type them into a form: '60', '60,5', '5.25'; never one that could be two."""

import math
import re

_WIDE = str.maketrans("０１２３４５６７８９．，－＋−", "0123456789.,-+-")
_PLAIN = re.compile(r"[+-]?(?:\d+[.,]?\d*|[.,]\d+)", re.ASCII)
_BEFORE_THREE_DIGITS = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
_PARTED = re.compile(r"[+-]?[0-9]{1,3}(?:[.,'’\s][0-9]{3})+(?:[.,][0-9]+)?")
_WITH_UNIT = re.compile(r"([+-]?[\d.,]*\d)\s*([^\W\d_]|[%°]).*", re.DOTALL)
_NO_MARK = "Thousands take no mark"


class NotANumber(ValueError):
    """What was typed is no figure, or could be two; the message says what to do."""


def typed_number(text: str | None, unit: str = "", most: float | None = None, *, coarse: bool = False) -> float | None:
    """The figure that was typed; None where nothing was.

    Parameters
    ----------
    text : str or None
    unit : str
        What the field asks for, to say so where another stands behind the figure.
    most : float or None
        More than this cannot be: a point before three digits parts no thousands beyond it.
    coarse : bool
        Nobody reads it to a thousandth (a gauge): three digits behind any mark are asked about.

    Raises
    ------
    NotANumber
        It is none, or could be two.
    """
    said = (text or "").strip()
    plain = said.translate(_WIDE)
    if not plain:
        return None
    if _PLAIN.fullmatch(plain):
        value = float(plain.replace(",", "."))
        if not math.isfinite(value):
            raise NotANumber(f"{said[:20]}… is no figure that can be.")
        if _BEFORE_THREE_DIGITS.fullmatch(plain) and (
            coarse or "," in plain or most is None or 1000.0 * abs(value) <= most
        ):
            mark = "comma" if "," in plain else "point"
            whole = re.sub(r"[+,.]", "", plain)
            raise NotANumber(f"{said}: a decimal {mark} or thousands? {_NO_MARK}: write {whole}, or {value:g}.")
        return value
    if _PARTED.fullmatch(plain):
        raise NotANumber(f"{said}: {_NO_MARK.lower()}.")
    if _WITH_UNIT.fullmatch(plain):
        raise NotANumber(f"{said}: type the figure alone{f', in {unit}' if unit else ''}.")
    raise NotANumber(f"{said} is not a number: digits, and a point or a comma before decimals.")


def as_typed(value: float | None) -> str | None:
    """A figure as a field is begun with it."""
    if value is None or value != value:
        return None
    return f"{value + 0.0:.2f}".rstrip("0").rstrip(".")
