"""Figures of fills and gauges: pure functions, frames in, a Plotly figure out.

One palette, distinct by lightness and by dash or marker too, so that it holds without colour vision and in
print. No green, yellow, brown, red or grey fields that could be taken for a cylinder's shoulder or a band.
"""

import html
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.rows import Row, said_yes
from schemas import words
from schemas.reading_units import Shown, long, shown

INK, INDIGO, PLUM, SKY, PALE = "#14162b", "#2b2670", "#a23b72", "#5a86b5", "#d9dbea"
GRID = "#d5d6e0"
PAPER = "#ffffff"
#: the same in the dark: by lightness as far apart from the paper and from each other
IN_DARK = {
    PAPER: "#12131f",
    INK: "#eceef8",
    INDIGO: "#c9c5fb",
    PLUM: "#f08fc0",
    SKY: "#436a98",
    PALE: "#34374f",
    GRID: "#34374f",
}
FONT = "Source Sans, Source Sans Pro, Helvetica, Arial, sans-serif"


def blank(height: int = 360, **layout) -> go.Figure:
    """A figure in the pages' hand: ink on paper, legend above, room for thumbs below."""
    axis = {"automargin": True, "gridcolor": GRID, "zeroline": False, "linecolor": INK, "ticks": "outside"}
    # all at once: each update of a figure takes the library some milliseconds
    figure = go.Figure(
        layout={
            "height": height,
            "margin": {"l": 8, "r": 8, "t": 34, "b": 8},
            "paper_bgcolor": PAPER,
            "plot_bgcolor": PAPER,
            "font": {"family": FONT, "size": 14, "color": INK},
            "hoverlabel": {"font": {"family": FONT, "size": 14}},
            "legend": {"orientation": "h", "yanchor": "bottom", "y": 1.0, "x": 0, "font": {"size": 13}},
            "dragmode": False,
            "showlegend": True,
            "separators": ".\u202f",
            "xaxis": axis,
            "yaxis": axis,
        }
    )
    if layout:
        figure.update_layout(**layout)
    return figure


def in_dark(figure: go.Figure) -> go.Figure:
    """The same figure, paper on ink: each colour of the palette by its counterpart."""
    return go.Figure(_recoloured(figure.to_dict()), skip_invalid=False)


def _recoloured(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _recoloured(inside) for name, inside in value.items()}
    if isinstance(value, list | tuple):
        return [_recoloured(inside) for inside in value]
    return IN_DARK.get(value, value) if isinstance(value, str) else value


def said(values) -> list[str]:
    """Labels in which markup of the data stays text."""
    return [html.escape(str(v)) if words.known(v) else "" for v in values]


def whiskers(middle: pd.Series, low: pd.Series, high: pd.Series, axis_color: str = INK) -> dict:
    """Error bars from an interval; no whisker where there is none."""
    up = (high - middle).clip(lower=0).fillna(0).to_numpy()
    down = (middle - low).clip(lower=0).fillna(0).to_numpy()
    return {
        "type": "data",
        "symmetric": False,
        "array": up,
        "arrayminus": down,
        "color": axis_color,
        "thickness": 2,
        "width": 5,
    }


def whiskers_of(rows: pd.DataFrame, columns: str, how: Shown, axis_color: str = INK) -> dict:
    """The same of a column and its ends, named as 'rmv{}_l_min', in the reader's unit."""
    middle, low, high = (how.of(rows[columns.format(end)]) for end in ("", "_low", "_high"))
    return whiskers(middle, low, high, axis_color)


def contents_of_fills(fills: pd.DataFrame, zone: str) -> go.Figure:
    """Usable content with its interval beside the nominal content, a row a fill."""
    names = said(
        f"{u}, {t:%H:%M}" for u, t in zip(fills["unit_id"], fills["filled_at"].dt.tz_convert(zone), strict=True)
    )
    rows = np.arange(len(fills))
    litres = shown("L")
    figure = blank(150 + 34 * len(fills))
    figure.add_bar(
        y=rows,
        x=litres.of(fills["real_free_l"]).to_numpy(),
        orientation="h",
        name="usable, with its 80 % interval",
        marker={"color": SKY, "line": {"color": INDIGO, "width": 1}},
        width=0.55,
        error_x=whiskers_of(fills, "real{}_free_l", litres),
        customdata=np.array(names),
        hovertemplate=f"%{{customdata}}<br>usable {litres.hover(0, 'x')}<extra></extra>",
    )
    figure.add_scatter(
        y=rows,
        x=litres.of(fills["nominal_free_l"]).to_numpy(),
        mode="markers",
        name="nominal: capacity × target",
        marker={"symbol": "line-ns", "size": 20, "line": {"color": PLUM, "width": 4}},
        customdata=np.array(names),
        hovertemplate=f"%{{customdata}}<br>nominal {litres.hover(0, 'x')}<extra></extra>",
    )
    figure.update_yaxes(tickvals=rows, ticktext=names, autorange="reversed", showgrid=False)
    figure.update_xaxes(title=f"free {long('L')}", rangemode="tozero")
    return figure


def shortfall_waterfall(fill: Row) -> go.Figure:
    """From nominal to usable: stopped early, cooling, compressibility."""
    early = "Stopped above target" if fill["stopped_early_free_l"] < 0 else "Stopped early"
    names = ["Nominal", early, "Cooling", "Compressibility", "Usable"]
    parts = np.array([fill["stopped_early_free_l"], fill["cooling_free_l"], fill["compressibility_free_l"]], float)
    if not np.isfinite(parts).all():
        return blank(
            300, annotations=[{"text": "Not known for this fill", "showarrow": False, "xref": "paper", "yref": "paper"}]
        )
    top = float(fill["nominal_free_l"])
    left = top - np.cumsum(parts)
    base = np.minimum(left, left + parts)
    figure = blank(330, showlegend=False)
    lengths = np.concatenate([[top], np.abs(parts), [float(fill["real_free_l"])]])
    bases = np.concatenate([[0.0], base, [0.0]])
    signs = [words.number(v, 0, "L") for v in lengths]
    for i, part in enumerate(parts, start=1):
        sign = "" if abs(part) < 0.5 else "\u2212" if part >= 0 else "+"
        signs[i] = sign + words.number(abs(part), 0, "L")
    litres = shown("L")
    figure.add_bar(
        y=names,
        x=litres.of(lengths),
        base=litres.of(bases),
        orientation="h",
        width=0.6,
        text=signs,
        textposition=["outside"] * 4 + ["inside"],
        insidetextanchor="middle",
        cliponaxis=False,
        marker={
            "color": [PALE, PLUM, PLUM, PLUM, SKY],
            "line": {"color": INDIGO, "width": 1},
            "pattern": {
                "shape": ["", "/", "/", "/", ""],
                "fgcolor": PAPER,
                "fillmode": "overlay",
                "size": 7,
                "solidity": 0.25,
            },
        },
        hovertemplate="%{y}: %{text}<extra></extra>",
        textfont={"size": 14, "color": INK},
    )
    low, high = fill["real_low_free_l"], fill["real_high_free_l"]
    if words.known(low) and words.known(high):
        figure.add_scatter(
            x=[litres.of(low), litres.of(high)],
            y=["Usable", "Usable"],
            mode="lines+markers",
            line={"color": INK, "width": 2},
            marker={"symbol": "line-ns", "size": 12, "line": {"color": INK, "width": 2}},
            hovertemplate=f"80 % interval: {litres.hover(0, 'x')}<extra></extra>",
        )
    figure.update_yaxes(autorange="reversed", showgrid=False)
    # the figure beside the longest bar needs a third of a narrow screen
    figure.update_xaxes(title=f"free {long('L')}", range=[0, litres.of(top * 1.5)])
    return figure


def predicted_against_settled(check: pd.DataFrame) -> go.Figure:
    """What was predicted before each settled reading, less what was read; inside the whisker is as promised."""
    checked = check.dropna(subset=["predicted_bar", "measured_bar"]).sort_values("settled_fills_before")
    order = checked["settled_fills_before"].astype(float).to_numpy()
    bar = shown("bar")
    miss = bar.of(checked["predicted_bar"] - checked["measured_bar"]).to_numpy()
    held = checked["measured_bar"].between(checked["predicted_low_bar"], checked["predicted_high_bar"]).to_numpy()
    figure = blank(330)
    for inside, name, symbol, color in (
        (True, "reading inside the interval", "circle", INDIGO),
        (False, "reading outside it", "x", PLUM),
    ):
        rows = held == inside
        figure.add_scatter(
            x=order[rows],
            y=miss[rows],
            mode="markers",
            name=name,
            marker={"symbol": symbol, "size": 8, "color": color},
            error_y=whiskers_of(checked[rows], "predicted{}_bar", bar, SKY),
            customdata=np.array(said(checked["fill_id"]))[rows],
            hovertemplate=f"fill %{{customdata}}: {bar.hover(1, sign='+')}<extra></extra>",
        )
    figure.add_hline(y=0, line={"color": INK, "width": 1.5})
    figure.update_xaxes(title="settled readings known before")
    figure.update_yaxes(title=f"predicted less read, {bar.unit}")
    return figure


def gauge_offsets(check: pd.DataFrame) -> go.Figure:
    """Each gauge's estimated offset by month, with its interval."""
    figure = blank(330)
    bar = shown("bar")
    looks = (
        (INDIGO, "circle", "solid"),
        (PLUM, "square", "dash"),
        (SKY, "diamond", "dot"),
        (INK, "triangle-up", "dashdot"),
    )
    for i, (gauge, rows) in enumerate(check.sort_values("month_on").groupby("gauge_id", sort=True)):
        color, symbol, dash = looks[i % len(looks)]
        drifts = said_yes(rows["drifting"]).any()
        figure.add_scatter(
            x=rows["month_on"].to_numpy(),
            y=bar.of(rows["offset_bar"]).to_numpy(),
            mode="lines+markers",
            name=html.escape(str(gauge)) + (" (drifting)" if drifts else ""),
            line={"color": color, "dash": dash},
            marker={"symbol": symbol, "size": 9},
            error_y=whiskers_of(rows, "offset{}_bar", bar, color),
            hovertemplate=f"%{{x|%b %Y}}: {bar.hover(1, sign='+')}<extra></extra>",
        )
    figure.add_hline(y=0, line={"color": INK, "width": 1.5})
    figure.update_yaxes(title=f"reads too high by, {bar.unit}")
    return figure


def short_shares(rows: pd.DataFrame, of: str) -> go.Figure:
    """Count of fills that settled short, of all fills, by whom or what (columns: name, fills, short)."""
    rows = rows.sort_values("fills")
    names = said(rows["name"])
    figure = blank(130 + 30 * len(rows), barmode="overlay")
    figure.add_bar(
        y=names,
        x=rows["fills"].to_numpy(),
        orientation="h",
        name="fills",
        width=0.6,
        marker={"color": PALE, "line": {"color": INDIGO, "width": 1}},
        hovertemplate="%{y}: %{x} fills<extra></extra>",
    )
    figure.add_bar(
        y=names,
        x=rows["short"].to_numpy(),
        orientation="h",
        name="of these short",
        width=0.6,
        marker={
            "color": PLUM,
            "pattern": {"shape": "/", "fgcolor": PAPER, "fillmode": "overlay", "size": 7, "solidity": 0.25},
        },
        hovertemplate="%{y}: %{x} short<extra></extra>",
    )
    figure.update_yaxes(title=of, showgrid=False, type="category")
    figure.update_xaxes(title="fills", rangemode="tozero")
    return figure


def analysed_against_expected(fills: pd.DataFrame, tolerance_pct: float) -> go.Figure:
    """Oxygen analysed less what residue and additions should have made, by day; off target marked."""
    rows = fills.sort_values("filled_at")
    off = (rows["mix_verdict"] == "out_of_tolerance").to_numpy()
    figure = blank(320)
    for mask, name, symbol, color in (
        (~off, "within tolerance of its target", "circle", INDIGO),
        (off, "off its target", "x", PLUM),
    ):
        if mask.any():
            part = rows[mask]
            figure.add_scatter(
                x=part["filled_at"].to_numpy(),
                y=(part["o2_pct"] - part["expected_o2_pct"]).to_numpy(),
                mode="markers",
                name=name,
                marker={"symbol": symbol, "size": 8, "color": color},
                customdata=np.array(said(part["unit_id"])),
                hovertemplate="%{customdata}, %{x|%-d %b %Y}: %{y:+.1f} points<extra></extra>",
            )
    for at in (-tolerance_pct, tolerance_pct):
        figure.add_hline(y=at, line={"color": INK, "dash": "dot", "width": 1})
    figure.add_hline(y=0, line={"color": INK, "width": 1.5})
    figure.update_yaxes(title="O₂ analysed less expected, points")
    return figure


def gas_by_month(given: pd.DataFrame) -> go.Figure:
    """Gas added by month over all sources and members, and the oxygen and helium among it."""
    rows = given.groupby("month_on")[["added_free_l", "oxygen_free_l", "helium_free_l"]].sum().reset_index()
    figure = blank(340, barmode="group")
    litres = shown("L")
    for column, name, color, shape in (
        ("added_free_l", "all gas", SKY, ""),
        ("oxygen_free_l", "oxygen", INDIGO, "/"),
        ("helium_free_l", "helium", PLUM, "x"),
    ):
        if column == "added_free_l" or (rows[column] > 0).any():
            figure.add_bar(
                x=rows["month_on"].to_numpy(),
                y=litres.of(rows[column]).to_numpy(),
                name=name,
                marker={
                    "color": color,
                    "line": {"color": INDIGO, "width": 1},
                    "pattern": {"shape": shape, "fgcolor": PAPER, "fillmode": "overlay", "solidity": 0.2},
                },
                hovertemplate=f"%{{x|%b %Y}}: {litres.hover(0)}<extra>{name}</extra>",
            )
    figure.update_yaxes(title=f"free {long('L')} added", tickformat=",d")
    figure.update_xaxes(dtick="M1", tickformat="%b")
    return figure
