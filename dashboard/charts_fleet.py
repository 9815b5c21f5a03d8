"""Figures of cylinders and compressors: frames in, a Plotly figure out. The hand is that of charts.py."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard.charts import INDIGO, INK, PALE, PAPER, PLUM, SKY, blank, said, whiskers_of
from dashboard.rows import said_yes
from schemas import words
from schemas.reading_units import shown, text


def leak_rates(health: pd.DataFrame, flag_bar_per_day: float, most: int = 25) -> go.Figure:
    """The largest pooled leak rates with their intervals, flagged ones marked."""
    rows = health.dropna(subset=["leak_bar_per_day"]).sort_values("leak_bar_per_day", ascending=False).head(most)
    names = np.array(said(rows["cylinder_id"]))
    flagged = said_yes(rows["leak_flag"]).to_numpy()
    figure = blank(120 + 26 * len(rows))
    rate = shown("bar/day")
    for mask, name, symbol, color in (
        (flagged, "flagged: leaks", "x", PLUM),
        (~flagged, "not flagged", "circle", INDIGO),
    ):
        if mask.any():
            part = rows[mask]
            figure.add_scatter(
                y=names[mask],
                x=rate.of(part["leak_bar_per_day"]).to_numpy(),
                mode="markers",
                name=name,
                marker={"symbol": symbol, "size": 10, "color": color},
                error_x=whiskers_of(part, "leak{}_bar_per_day", rate, color),
                hovertemplate=f"%{{y}}: {rate.hover(2, 'x')}<extra></extra>",
            )
    figure.add_vline(
        x=rate.of(flag_bar_per_day),
        line={"color": INK, "dash": "dash"},
        annotation_text=f"flagged only above {rate.of(flag_bar_per_day):.3g}",
        annotation_position="top right",
    )
    figure.update_yaxes(categoryorder="array", categoryarray=names[::-1], type="category")
    figure.update_xaxes(title=f"{rate.unit.replace('/', ' per ')}, 80 % interval")
    figure.update_layout(margin={"t": 60})
    return figure


def life(events: pd.DataFrame) -> go.Figure:
    """One cylinder's life: what it read at arrival and settled at when filled, and every other event beneath."""
    rows = events.dropna(subset=["at"]).sort_values("at")
    read = rows["event"].isin(["arrived", "filled"]) & rows["value"].notna()
    others = rows[~read]
    if read.any():  # the years before the first reading hold a date or two, which the table names
        others = others[others["at"] >= rows.loc[read, "at"].min() - pd.Timedelta(days=60)]
    kinds = [str(k).removeprefix("inspected_").replace("_", " ") for k in others["event"]]
    count = len(dict.fromkeys(kinds))
    figure = blank(300 + 26 * count)
    bar = shown("bar")
    for event, name, symbol, color in (
        ("filled", text("filled, settled at 15 °C"), "triangle-up", INDIGO),
        ("arrived", "arrived with", "triangle-down-open", PLUM),
    ):
        part = rows[read & (rows["event"] == event)]
        figure.add_scatter(
            x=part["at"].to_numpy(),
            y=bar.of(part["value"]).to_numpy(),
            mode="markers",
            name=name,
            marker={"symbol": symbol, "size": 8, "color": color},
            hovertemplate=f"%{{x|%-d %b %Y}}: {bar.hover(0)}<extra></extra>",
        )
    figure.add_scatter(
        x=others["at"].to_numpy(),
        y=kinds,
        mode="markers",
        yaxis="y2",
        showlegend=False,
        marker={"symbol": "line-ns", "size": 14, "line": {"width": 2, "color": INK}},
        customdata=np.array(said(others["code"])),
        hovertemplate="%{x|%-d %b %Y}: %{y} %{customdata}<extra></extra>",
    )
    low = min(0.6, 0.1 + 0.06 * count)
    figure.update_layout(
        yaxis={"domain": [low + 0.06, 1.0], "title": bar.unit, "rangemode": "tozero"},
        yaxis2={"domain": [0.0, low], "automargin": True, "gridcolor": PALE, "type": "category"},
    )
    figure.update_xaxes(anchor="y2")
    return figure


def booking_cover(cover: pd.DataFrame) -> go.Figure:
    """Cylinders needed and in service for each booking."""
    rows = cover.sort_values("starts_on")
    names = [f"{a.day} {a:%b} to {b.day} {b:%b}" for a, b in zip(rows["starts_on"], rows["ends_on"], strict=True)]
    places = np.arange(len(rows))
    figure = blank(110 + 34 * len(rows))
    figure.add_bar(
        y=places,
        x=rows["available"].astype(float).to_numpy(),
        orientation="h",
        name="in service",
        width=0.55,
        marker={"color": SKY, "line": {"color": INDIGO, "width": 1}},
        hovertemplate="%{x} in service<extra></extra>",
    )
    figure.add_scatter(
        y=places,
        x=rows["needed"].astype(float).to_numpy(),
        mode="markers",
        name="needed",
        marker={"symbol": "line-ns", "size": 20, "line": {"color": PLUM, "width": 4}},
        hovertemplate="%{x} needed<extra></extra>",
    )
    figure.update_yaxes(tickvals=places, ticktext=names, autorange="reversed", showgrid=False)
    figure.update_xaxes(title="cylinders", rangemode="tozero")
    return figure


def air_against_limits(tests: pd.DataFrame) -> go.Figure:
    """Each measured quantity as a share of its limit, latest test of a compressor."""
    rows = tests.dropna(subset=["value", "limit"])
    rows = rows[(rows["limit"] > 0) & (rows["quantity"] != "o2_pct")]  # oxygen has a band, not a limit
    ratio = (100.0 * rows["value"] / rows["limit"]).to_numpy()
    failed = (rows["verdict"] == "fail").to_numpy()
    names = np.array([words.quantity(q) for q in rows["quantity"]])
    figure = blank(120 + 34 * len(rows))
    for mask, name, color, shape in ((~failed, "within its limit", SKY, ""), (failed, "over its limit", PLUM, "/")):
        if mask.any():
            figure.add_bar(
                y=names[mask],
                x=ratio[mask],
                orientation="h",
                name=name,
                width=0.55,
                marker={
                    "color": color,
                    "line": {"color": INDIGO, "width": 1},
                    "pattern": {"shape": shape, "fgcolor": PAPER, "fillmode": "overlay", "solidity": 0.25},
                },
                hovertemplate="%{y}: %{x:.0f} % of its limit<extra></extra>",
            )
    figure.add_vline(x=100, line={"color": INK, "width": 2})
    figure.update_yaxes(categoryorder="array", categoryarray=names[::-1])
    figure.update_xaxes(title="per cent of the limit", rangemode="tozero")
    return figure
