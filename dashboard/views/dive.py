"""One dive: gas against the gas needed, why it was thin, its tanks, and the fill it began with."""

import pandas as pd

from dashboard import charts_dives, gas_left, parts
from dashboard.access import may_see
from dashboard.data import Snapshot
from dashboard.rows import Row, each, only
from schemas import words
from schemas.codes import sentence
from schemas.reading_units import figure, text


def shares_in_words(shares) -> str:
    """'cooling after the fill 60 %, the dive itself 40 %'."""
    causes = [
        (words.CAUSES[c], float(v))
        for c, v in (shares or {}).items()
        if c in words.CAUSES and v is not None and abs(float(v)) >= 0.005
    ]
    return ", ".join(f"{name[0].lower()}{name[1:]} {words.share(v)}" for name, v in sorted(causes, key=lambda t: -t[1]))


def show(snapshot: Snapshot, member_id: str, dive_id: str, key: str) -> None:
    """Everything of one dive."""
    row = only(snapshot.table("dive_consumption", member_id=member_id, dive_id=dive_id))
    reserve = only(snapshot.table("dive_reserve", member_id=member_id, dive_id=dive_id))
    fill = _fill(snapshot, row)
    if reserve is None:
        parts.show(parts.bar("Gas left: not known", 3, "No end pressure is recorded for this dive."))
    elif not words.known(reserve["least_margin_free_l"]):
        _surfacing_alone(snapshot, reserve)
    else:
        _reserve(snapshot, member_id, dive_id, reserve, fill, key)
        _shares(reserve, key)
    if row is not None:
        rate, cooled = words.number(row["rmv_l_min"], 1, "L/min"), words.number(row["cooling_bar"], 0, "bar")
        title = f"What was breathed: {rate}, {cooled} of the fall only cooled"
        parts.opens(title, f"{key}_breathed_{dive_id}", lambda: _breathed(snapshot, member_id, dive_id, row))
        settled = "" if fill is None else f": settled at {words.number(fill['settled_pressure_bar_15c'], 0, 'bar')}"
        title = f"The fill it began with{settled}"
        parts.opens(title, f"{key}_fill_{dive_id}", lambda: _its_fill(snapshot, row, fill))


def thinnest(reserve: pd.DataFrame) -> str:
    """The dive to look at first: with the least margin, else with the lowest pressure at the surface."""
    return str(reserve.sort_values(["least_margin_free_l", "surfaced_bar"], na_position="last")["dive_id"].iloc[0])


def over_the_season(snapshot: Snapshot, rows: pd.DataFrame, key: str) -> None:
    """Least margin and surfacing pressure of each dive, as far as they are known; the second opens where both are."""
    margins = rows["least_margin_free_l"].notna().any()
    if margins:
        parts.figure(
            charts_dives.margins(rows, rows["started_at"]),
            "Least margin of each dive over the season.",
            f"{key}margins",
        )
    if rows["surfaced_bar"].notna().any():
        least = float(snapshot.policy("reserve", "surfacing_min_bar"))
        parts.opens(
            "Pressure at the surface of each, drawn",
            f"{key}surfacing_opens",
            lambda: parts.figure(
                charts_dives.surfacing(rows, rows["started_at"], least),
                f"Pressure at the surface of each dive, against {least:g} bar.",
                f"{key}surfacing",
            ),
            expanded=not margins,
        )


def surfaced_with(snapshot: Snapshot, reserve: Row) -> str:
    """The pressure at the surface; one below the least reads below it."""
    low = words.known(reserve["below_surfacing_min"]) and reserve["below_surfacing_min"]
    if low and words.known(reserve["surfaced_bar"]) and reserve["surfaced_bar"] >= 0:
        return words.under(reserve["surfaced_bar"], snapshot.policy("reserve", "surfacing_min_bar"), "bar")
    return gas_left.number(reserve["surfaced_bar"], "bar")


def _surfacing_alone(snapshot: Snapshot, reserve: Row) -> None:
    """A dive of which only the end is known."""
    least = words.number(snapshot.policy("reserve", "surfacing_min_bar"), 0, "bar")
    low = words.known(reserve["below_surfacing_min"]) and reserve["below_surfacing_min"]
    lines = parts.lines(*(sentence(c, reserve.to_dict()) for c in words.listed(reserve["flags"])))
    if low:
        known = words.known(reserve["surfaced_bar"])
        with_ = f"Surfaced with {surfaced_with(snapshot, reserve)}: " if known else "Surfaced "
        parts.show(parts.bar(f"{with_}below the policy's {least}", 4, lines))
    else:
        parts.show(parts.bar("Margin not known", 3, lines))
    parts.show(parts.note(words.NOT_A_PLAN))
    parts.show(parts.facts([("Surfaced with", surfaced_with(snapshot, reserve), _left(snapshot, reserve))]))


def _left(snapshot: Snapshot, reserve: Row) -> parts.Markup:
    """What was left at the surface, and whether that is below the least pressure."""
    least = snapshot.policy("reserve", "surfacing_min_bar")
    low = words.known(reserve["below_surfacing_min"]) and reserve["below_surfacing_min"]
    return parts.lines(
        gas_left.number(reserve["surfaced_free_l"]) if words.known(reserve["surfaced_free_l"]) else "",
        f"below the policy's {words.number(least, 0, 'bar')} (common practice)" if low else "",
    )


def _fill(snapshot: Snapshot, row: Row | None) -> Row:
    if row is None or not words.known(row["fill_id"]):
        return None
    return only(snapshot.table("fill_quality", fill_id=row["fill_id"]))


def _reserve(snapshot: Snapshot, member_id: str, dive_id: str, reserve: Row, fill: Row | None, key: str) -> None:
    below, margin = reserve["below_policy"], reserve["least_margin_free_l"]
    when = (
        f"{words.minutes(reserve['least_margin_at_s'])} into the dive, at "
        f"{words.number(reserve['least_margin_depth_m'], 0, 'm')}"
    )
    known = not gas_left.cannot_have_been(reserve)
    if not known:
        parts.show(parts.bar("Gas left: not known", 3, gas_left.WHY))
    elif words.known(below) and below:
        parts.show(
            parts.bar(
                f"Below this policy by {words.number(-margin, 0, 'L') if margin <= -0.5 else text('under 1 L')}",
                4,
                parts.lines(f"Least margin {when}.", *why(reserve, fill)),
            )
        )
    elif not words.known(below):
        parts.show(
            parts.bar(
                "Not assessed",
                3,
                parts.lines(
                    *(sentence(c, reserve.to_dict()) for c in words.listed(reserve["flags"])),
                    f"Floor of the least margin: {words.number(margin, 0, 'L')}, {when}.",
                ),
            )
        )
    else:
        parts.show(
            parts.bar(f"Above this policy, by {words.number(margin, 0, 'L')} at the least", 1, f"Least margin {when}.")
        )
    parts.show(parts.note(words.NOT_A_PLAN))
    profile = snapshot.table("dive_profile", member_id=member_id, dive_id=dive_id)
    if len(profile):
        parts.figure(
            charts_dives.dive_gas(profile, reserve),
            "Gas left against gas needed over the dive"
            + (f"; least margin {words.number(margin, 0, 'L')} {when}." if known else "; gaps where it is not known."),
            f"{key}_gas",
        )
    thirds = reserve["thirds_margin_free_l"]
    parts.show(
        parts.facts(
            [
                (
                    "Surfaced with",
                    surfaced_with(snapshot, reserve),
                    _left(snapshot, reserve),
                ),
                ("Needed at that moment", words.number(reserve["required_free_l_there"], 0, "L"), _policy(snapshot)),
                *(
                    [
                        (
                            "Least margin, lesser side alone",
                            words.number(reserve["least_margin_one_side_free_l"], 0, "L"),
                            "if one side were lost",
                        )
                    ]
                    if known and words.known(reserve["least_margin_one_side_free_l"])
                    else []
                ),
                *([("Over a third kept", words.number(thirds, 0, "L"))] if known and words.known(thirds) else []),
            ]
        )
    )


def _shares(reserve: Row, key: str) -> None:
    """What share of a deficit each cause took, drawn; the words stand above."""
    below = reserve["below_policy"]
    if words.known(below) and below and reserve["cause_shares"] and not gas_left.cannot_have_been(reserve):
        parts.opens(
            "Each cause's share of the deficit, drawn",
            f"{key}_shares_opens",
            lambda: parts.figure(
                charts_dives.cause_shares(reserve["cause_shares"]),
                f"Shares of the deficit: {shares_in_words(reserve['cause_shares'])}.",
                f"{key}_shares",
            ),
        )


def _policy(snapshot: Snapshot) -> str:
    policy = snapshot.station.get("policy", {}).get("reserve", {})
    if not policy:
        return "by the station's policy"
    return (
        f"{policy.get('team_size', 2)} divers at {figure(policy.get('stressed_rmv_l_min', 30), 'L/min')}, "
        f"{policy.get('minutes_before_ascent', 1):g} min, then up at "
        f"{figure(policy.get('ascent_m_min', 9), 'm/min')}, {policy.get('stop_min', 3):g} min at "
        f"{figure(policy.get('stop_depth_m', 5), 'm')}, "
        f"{figure(policy.get('unusable_bar', 10), 'bar')} left"
    )


def why(reserve: Row, fill: Row | None) -> list[str]:
    """In words why a margin was thin, and what would have fixed it."""
    sentences = [
        f"Mainly: {words.CAUSES.get(reserve['cause'], words.UNKNOWN).lower()} "
        f"({shares_in_words(reserve['cause_shares'])})."
    ]
    if fill is not None and words.known(fill["settled_pressure_bar_15c"]) and words.known(fill["target_pressure_bar"]):
        low = fill["target_pressure_bar"] - fill["settled_pressure_bar_15c"]
        if low >= 1:
            sentences.append(
                f"The fill: settled {words.number(low, 0, 'bar')} under its target of "
                f"{words.number(fill['target_pressure_bar'], 0, 'bar')}."
            )
    sentences += [sentence(c, reserve.to_dict()) for c in words.listed(reserve["flags"])]
    return sentences


def _breathed(snapshot: Snapshot, member_id: str, dive_id: str, row: Row) -> None:
    gap = row["second_gauge_gap_bar"]
    parts.show(
        parts.facts(
            [
                (
                    "RMV, cooling taken out",
                    words.with_interval(row["rmv_l_min"], row["rmv_low_l_min"], row["rmv_high_l_min"], 1, "L/min"),
                    f"80 % interval; from {words.METHODS.get(row['method'], words.UNKNOWN)}",
                ),
                ("Uncorrected", words.number(row["ideal_rmv_l_min"], 1, "L/min"), "ideal gas, no temperature"),
                ("Of the gauge's fall, cooling", words.number(row["cooling_bar"], 0, "bar")),
                (
                    "Gas used",
                    words.with_interval(
                        row["gas_used_free_l"], row["gas_used_low_free_l"], row["gas_used_high_free_l"], 0, "L"
                    ),
                    f"suit gas apart: {words.number(row['suit_gas_free_l'], 0, 'L')}"
                    if words.known(row["suit_gas_free_l"])
                    else "",
                ),
                (
                    "Depth",
                    f"{words.number(row['max_depth_m'], 0, 'm')}",
                    f"mean {words.number(row['mean_depth_m'], 1, 'm')}, {words.number(row['duration_min'], 0, 'min')}",
                ),
                *([("Second gauge less first", words.number(gap, 0, "bar"), "at the end")] if words.known(gap) else []),
            ]
        )
    )
    flags = [sentence(c, row.to_dict()) for c in words.listed(row["flags"])]
    if flags:
        parts.show(parts.items(flags))
    tanks = snapshot.table("dive_tank_use", member_id=member_id, dive_id=dive_id).sort_values("tank_no")
    if len(tanks):
        parts.show(
            parts.table(
                ["Cylinder", "Use", "Mix", "Start", "End", "Gas used"],
                [
                    (
                        t.unit_id if words.known(t.unit_id) else f"tank {t.tank_no}",
                        t.role,
                        words.mix(t.o2_pct, t.he_pct),
                        words.number(t.start_pressure_bar, 0, "bar"),
                        gas_left.number(t.end_pressure_bar, "bar"),
                        words.with_interval(t.gas_used_free_l, t.gas_used_low_free_l, t.gas_used_high_free_l, 0, "L"),
                    )
                    for t in each(tanks)
                ],
                figures=(3, 4, 5),
                says="Cylinders of the dive",
            )
        )


def _its_fill(snapshot: Snapshot, row: Row, fill: Row | None) -> None:
    if fill is None:
        no_fill = "No fill is known for this dive." if may_see(snapshot.viewer, "fill_quality") else ""
        parts.show(parts.plain(no_fill))
        return
    parts.show(
        parts.facts(
            [
                ("Filled", words.clock(fill["filled_at"], snapshot.zone), fill["unit_id"]),
                (
                    f"Settled at {words.number(15, 0, '°C')}",
                    words.with_interval(
                        fill["settled_pressure_bar_15c"],
                        fill["settled_low_bar_15c"],
                        fill["settled_high_bar_15c"],
                        0,
                        "bar",
                    ),
                    f"target {words.number(fill['target_pressure_bar'], 0, 'bar')}",
                ),
                (
                    "Mix asked for" if fill["mix_verdict"] == "not_analysed" else "Mix analysed",
                    words.mix(fill["o2_pct"], fill["he_pct"]),
                    words.MIX_VERDICTS.get(fill["mix_verdict"], ""),
                ),
                (
                    "Maximum operating depth",
                    words.depth_down(fill["max_operating_depth_m"]),
                    f"this dive reached {words.number(row['max_depth_m'], 1, 'm')}",
                ),
                (
                    "Verdict at hand-over",
                    words.VERDICTS.get(fill["handed_over_verdict"], words.UNKNOWN),
                    f"today's: {words.VERDICTS.get(fill['verdict'], words.UNKNOWN)}"
                    if fill["verdict"] != fill["handed_over_verdict"]
                    else "",
                ),
            ]
        )
    )
