"""Figures of dives and divers: pure functions, frames in, a Plotly figure out. The hand is that of charts.py."""

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboard import gas_left
from dashboard.charts import GRID, INDIGO, INK, PAPER, PLUM, SKY, blank, whiskers_of
from dashboard.rows import Row, said_yes
from schemas import words
from schemas.reading_units import long, shown, text


def season_rmv(consumption: pd.DataFrame, trend: pd.DataFrame) -> go.Figure:
    """A member's rate over the season: with cooling taken out, uncorrected, the level's band, the 90th percentile."""
    figure = blank(420)
    rate = shown("L/min")
    trend = trend.sort_values("started_at")
    at = trend["started_at"].to_numpy()
    figure.add_scatter(
        x=at,
        y=rate.of(trend["level_high_l_min"]).to_numpy(),
        mode="lines",
        line={"width": 0},
        showlegend=False,
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=at,
        y=rate.of(trend["level_low_l_min"]).to_numpy(),
        mode="lines",
        line={"width": 0},
        fill="tonexty",
        fillcolor="rgba(90,134,181,.28)",
        name="level, 80 % band",
        hoverinfo="skip",
    )
    figure.add_scatter(
        x=at,
        y=rate.of(trend["level_rmv_l_min"]).to_numpy(),
        mode="lines",
        line={"color": INDIGO, "width": 3},
        name="level at own usual conditions",
        hovertemplate=f"%{{x|%-d %b %Y}}: level {rate.hover(1)}<extra></extra>",
    )
    figure.add_scatter(
        x=at,
        y=rate.of(trend["planning_rmv_l_min"]).to_numpy(),
        mode="lines",
        line={"color": PLUM, "width": 2, "dash": "dash"},
        name="90th-percentile rate of the next dive",
        hovertemplate=f"%{{x|%-d %b %Y}}: {rate.hover(1)}<extra></extra>",
    )
    dives = consumption.dropna(subset=["rmv_l_min"]).sort_values("started_at")
    figure.add_scatter(
        x=dives["started_at"].to_numpy(),
        y=rate.of(dives["ideal_rmv_l_min"]).to_numpy(),
        mode="markers",
        name="uncorrected (ideal gas, no temperature)",
        marker={"symbol": "circle-open", "size": 8, "color": PLUM, "line": {"width": 1.5}},
        hovertemplate=f"%{{x|%-d %b %Y}}: uncorrected {rate.hover(1)}<extra></extra>",
    )
    figure.add_scatter(
        x=dives["started_at"].to_numpy(),
        y=rate.of(dives["rmv_l_min"]).to_numpy(),
        mode="markers",
        name="cooling taken out, 80 % interval",
        marker={"symbol": "circle", "size": 8, "color": INDIGO},
        error_y=whiskers_of(dives, "rmv{}_l_min", rate, INDIGO) | {"thickness": 1.2, "width": 2},
        hovertemplate=f"%{{x|%-d %b %Y}}: {rate.hover(1)}<extra></extra>",
    )
    figure.update_yaxes(title=f"RMV, {rate.unit}")
    figure.update_layout(margin={"t": 96})
    return figure


def dive_gas(profile: pd.DataFrame, reserve: Row | None) -> go.Figure:
    """One dive: gas above the unusable pressure against the gas needed, the depth beneath, the least margin marked."""
    figure = blank(520)
    litres, metres = shown("L"), shown("m")
    profile = profile.sort_values("t_s")
    minutes = profile["t_s"].to_numpy(float) / 60.0
    figure.add_scatter(
        x=minutes,
        y=litres.of(gas_left.above_unusable(profile)).to_numpy(),
        mode="lines",
        name="gas left above the unusable pressure",
        line={"color": INDIGO, "width": 3},
        hovertemplate=f"%{{x:.0f}} min: {litres.hover(0)} left<extra></extra>",
    )
    figure.add_scatter(
        x=minutes,
        y=litres.of(profile["required_free_l"]).to_numpy(),
        mode="lines",
        name="gas needed by policy to bring the team up",
        line={"color": PLUM, "width": 3, "dash": "dash"},
        hovertemplate=f"%{{x:.0f}} min: {litres.hover(0)} needed<extra></extra>",
    )
    figure.add_scatter(
        x=minutes,
        y=metres.of(profile["depth_m"]).to_numpy(),
        mode="lines",
        name="depth",
        yaxis="y2",
        line={"color": SKY, "width": 2},
        fill="tozeroy",
        fillcolor="rgba(90,134,181,.18)",
        hovertemplate=f"%{{x:.0f}} min: {metres.hover(1)}<extra></extra>",
    )
    marked = reserve is not None and words.known(reserve["least_margin_at_s"])
    if reserve is not None and marked and not gas_left.cannot_have_been(reserve):
        at = float(reserve["least_margin_at_s"]) / 60.0
        needed = litres.of(float(reserve["required_free_l_there"]))
        here = needed + litres.of(float(reserve["least_margin_free_l"]))
        least = f"least margin {words.number(reserve['least_margin_free_l'], 0, 'L')}"
        figure.add_scatter(
            x=[at, at],
            y=[needed, here],
            mode="lines+markers",
            name="least margin",
            line={"color": INK, "width": 4},
            marker={"size": 9, "symbol": "diamond", "color": INK},
            hovertemplate=f"{least}<extra></extra>",
        )
        figure.add_annotation(
            x=at,
            y=max(needed, here),
            text=least,
            showarrow=True,
            arrowhead=0,
            ax=0,
            ay=-34,
            bgcolor=PAPER,
            bordercolor=INK,
            font={"size": 14},
        )
    figure.update_layout(
        yaxis={"domain": [0.36, 1.0], "title": f"free {long('L')}", "rangemode": "tozero", "gridcolor": GRID},
        yaxis2={
            "domain": [0.0, 0.28],
            "title": f"depth, {metres.unit}",
            "autorange": "reversed",
            "gridcolor": GRID,
            "rangemode": "tozero",
            "automargin": True,
        },
        margin={"t": 74},
    )
    figure.update_xaxes(title="minutes into the dive", anchor="y2")
    return figure


def cause_shares(shares: dict) -> go.Figure:
    """What share of the deficit each cause had; they add to one."""
    names = list(words.CAUSES)[:-1]
    values = np.array([100.0 * float(shares.get(n) or 0.0) for n in names])
    figure = blank(230, showlegend=False)
    figure.add_bar(
        y=[words.CAUSES[n] for n in names],
        x=values,
        orientation="h",
        width=0.6,
        marker={"color": SKY, "line": {"color": INDIGO, "width": 1}},
        text=[f"{v:.0f} %" for v in values],
        textposition="outside",
        cliponaxis=False,
        hovertemplate="%{y}: %{x:.0f} %<extra></extra>",
    )
    figure.update_yaxes(autorange="reversed", showgrid=False)
    figure.update_xaxes(
        title="share of the deficit, %", range=[min(0.0, values.min() * 1.2), max(100.0, values.max()) * 1.15]
    )
    return figure


def margins(reserve: pd.DataFrame, started_at: pd.Series) -> go.Figure:
    """Least margin of each dive over the season, dives below policy marked."""
    rows = (
        reserve.assign(started_at=started_at.to_numpy())[~gas_left.cannot_be(reserve).to_numpy()]
        .dropna(subset=["least_margin_free_l"])
        .sort_values("started_at")
    )
    below = said_yes(rows["below_policy"]).to_numpy()
    open_answer = rows["below_policy"].isna().to_numpy()
    figure = blank(330)
    litres = shown("L")
    for mask, name, symbol, color in (
        (~below & ~open_answer, "above this policy", "circle", INDIGO),
        (below, "below this policy", "x", PLUM),
        (open_answer, "not assessed: no direct ascent", "circle-open", SKY),
    ):
        if mask.any():
            figure.add_scatter(
                x=rows["started_at"].to_numpy()[mask],
                y=litres.of(rows["least_margin_free_l"]).to_numpy()[mask],
                mode="markers",
                name=name,
                marker={"symbol": symbol, "size": 9, "color": color, "line": {"width": 1.5, "color": color}},
                hovertemplate=f"%{{x|%-d %b %Y}}: {litres.hover(0)}<extra></extra>",
            )
    figure.add_hline(y=0, line={"color": INK, "width": 2})
    figure.update_yaxes(title=f"least margin, free {long('L')}")
    return figure


def surfacing(reserve: pd.DataFrame, started_at: pd.Series, least_bar: float) -> go.Figure:
    """Pressure at the surface of each dive over the season, those below the least marked."""
    rows = (
        reserve.assign(started_at=started_at.to_numpy())[~gas_left.cannot_be(reserve).to_numpy()]
        .dropna(subset=["surfaced_bar"])
        .sort_values("started_at")
    )
    low = said_yes(rows["below_surfacing_min"]).to_numpy()
    figure = blank(300)
    bar = shown("bar")
    for mask, name, symbol, color in (
        (~low, "surfaced with", "circle", INDIGO),
        (low, f"surfaced below {words.number(least_bar, 0, 'bar')}", "x", PLUM),
    ):
        if mask.any():
            figure.add_scatter(
                x=rows["started_at"].to_numpy()[mask],
                y=bar.of(rows["surfaced_bar"]).to_numpy()[mask],
                mode="markers",
                name=name,
                marker={"symbol": symbol, "size": 9, "color": color, "line": {"width": 1.5, "color": color}},
                hovertemplate=f"%{{x|%-d %b %Y}}: {bar.hover(0)}<extra></extra>",
            )
    figure.add_hline(y=bar.of(least_bar), line={"color": INK, "width": 2, "dash": "dash"})
    figure.update_yaxes(title=f"pressure at the surface, {bar.unit}", rangemode="tozero")
    return figure


def reliability(rows: pd.DataFrame) -> go.Figure:
    """Whether dives given a chance were below policy as often as said; on the line is honest."""
    rows = rows[rows["dives"] > 0]
    middle = (rows["chance_from"] + rows["chance_to"]) / 2
    said = rows["mean_chance"].astype(float).fillna(middle) if "mean_chance" in rows else middle
    size = 8 + 4 * np.sqrt(rows["dives"].astype(float).to_numpy())
    figure = blank(340)
    figure.add_scatter(
        x=[0, 1], y=[0, 1], mode="lines", line={"color": INK, "dash": "dot"}, name="as said", hoverinfo="skip"
    )
    figure.add_scatter(
        x=said.to_numpy(),
        y=rows["share_below"].to_numpy(),
        mode="markers",
        name="what came (larger: more dives)",
        marker={"size": np.minimum(size, 40), "color": SKY, "line": {"color": INDIGO, "width": 2}},
        customdata=rows["dives"].astype(float).to_numpy(),
        hovertemplate="said %{x:.0%}, came %{y:.0%} of %{customdata:.0f} dives<extra></extra>",
    )
    figure.update_xaxes(title="chance given before the dive", tickformat=".0%", range=[-0.03, 1.03])
    figure.update_yaxes(title="share of them below policy", tickformat=".0%", range=[-0.05, 1.05])
    return figure


def kit_margins(kit: pd.DataFrame, started_at: pd.Series) -> go.Figure:
    """Lift left with the suit's buoyancy lost, and weight left at 5 m, over the season."""
    rows = kit.assign(started_at=started_at.to_numpy(), end_margin_kg=-kit["net_end_kg"]).sort_values("started_at")
    figure = blank(320)
    kilograms = shown("kg")
    for column, name, symbol, color in (
        ("lift_margin_kg", "lift left at the start, suit's buoyancy lost", "circle", INDIGO),
        ("end_margin_kg", text("weight left at 5 m with the gas it ended with"), "diamond-open", SKY),
        ("ballast_margin_kg", text("weight left at 5 m at the unusable pressure"), "square-open", PLUM),
    ):
        figure.add_scatter(
            x=rows["started_at"].to_numpy(),
            y=kilograms.of(rows[column]).to_numpy(),
            mode="markers",
            name=name,
            marker={"symbol": symbol, "size": 9, "color": color, "line": {"width": 2}},
            hovertemplate=f"%{{x|%-d %b %Y}}: {kilograms.hover(1)}<extra></extra>",
        )
    figure.add_hline(y=0, line={"color": INK, "width": 2})
    figure.update_yaxes(title=f"margin, {kilograms.unit}")
    return figure
