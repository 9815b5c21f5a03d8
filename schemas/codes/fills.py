"""Codes of fills: why one may not be handed over, and what is to be known about its figures."""

from schemas.codes import Code, attention, note, short, stop

#: how the air behind a fill stood, worst first
AIR_STATES = (
    "failed",
    "failed_later",
    "source_unknown",
    "overdue",
    "never_tested",
    "partly_tested",
    "passed",
    "not_traced",
)
#: of these, the ones for which a fill is called back
AIR_IN_DOUBT = ("failed", "failed_later", "source_unknown")

CODES: list[Code] = [
    # hold: do not hand over
    stop(
        "not_in_test",
        "On the day of the fill the unit was not in test, or nobody knows.",
        "Do not hand it over: drain it and send it to inspection, or enter the missing inspection.",
        of_inspections=True,
    ),
    stop(
        "other_side_not_in_test",
        "It is one side of a joined set, whose other side was not in test on the day of the fill, or nobody knows.",
        "Do not hand it over: drain the set and send the other side to inspection, or enter what is missing.",
        of_inspections=True,
    ),
    stop(
        "unit_condemned",
        "A condemned cylinder was filled.",
        "Vent it in a safe place and take it out of service for good.",
    ),
    stop(
        "unit_withdrawn",
        "A withdrawn cylinder was filled.",
        "Drain it and find out why it was withdrawn.",
        of_inspections=True,
    ),
    stop(
        "settled_above_permitted",
        "Cold, it will hold more than the permitted {permitted_bar:.4g} bar.",
        "Bleed it slowly, let it cool, read it again.",
        "Cold, it will hold more than the permitted pressure.",
        found_by="settled_reading",
    ),
    stop(
        "likely_above_permitted",
        "Cold, it more likely than not holds more than the permitted {permitted_bar:.4g} bar.",
        "Let it cool, read it again, and bleed it slowly if it does.",
        "Cold, it more likely than not holds more than the permitted pressure.",
        found_by="settled_reading",
    ),
    stop(
        "mix_out_of_tolerance",
        "The analysis is off the mix asked for by more than the tolerance.",
        "Mix again or relabel to what was analysed; analyse once more.",
        found_by="analysis",
    ),
    stop(
        "mix_not_analysed",
        "Other than air may be inside and no analysis is known.",
        "Analyse it, and log who did and when.",
        asks_analysis=True,
    ),
    note(
        "residue_unknown",
        "What was inside before is not known: no fill before it is on record, or it held more than the last one left.",
        "Analyse it: it may be any gas.",
    ),
    attention(
        "helium_not_analysed",
        "Helium may be inside and was not analysed: oxygen alone does not tell.",
        "Analyse helium as well.",
        asks_analysis=True,
    ),
    attention(
        "analysis_unlike_expected",
        "Residue and source make about {expected_o2_pct:.1f} % oxygen; that is not what was analysed.",
        "Calibrate the analyser and analyse again; check start pressure and source as they were logged.",
        "The analysis is not what residue and source can have made.",
        found_by="analysis",
    ),
    stop(
        "sides_analysed_apart",
        "The sides differ; was the isolator shut? Do not dive it and do not simply open the isolator: "
        "that makes a third mix.",
        "Equalise, wait, analyse both sides again, or drain and refill.",
        found_by="analysis",
    ),
    stop(
        "oxygen_into_unclean_unit",
        "Oxygen, or gas above the limit, was decanted into a unit that is not clean for oxygen.",
        "Risk of fire: leave it alone, keep away from oil and grease, have it cleaned for oxygen "
        "before its next rich fill.",
    ),
    stop(
        "co_above_limit",
        "Carbon monoxide was measured above the limit: {co_ppm:.3g} ppm.",
        "Do not breathe it. Stop the compressor, drain the cylinder, find the cause.",
        "Carbon monoxide was measured above the limit.",
        called_back=True,
        found_by="co_reading",
    ),
    stop(
        "co_in_residue",
        "It was filled on top of gas in which so much carbon monoxide was measured that it is still above the limit.",
        "Do not breathe it: drain it and fill it from a source whose air has passed.",
        called_back=True,
    ),
    stop(
        "air_test_failed",
        "The air behind its source failed a test, and what failed had not been found good again.",
        "Stop filling, keep back what was filled since the last good test, call the laboratory.",
        called_back=True,
        found_by="air_test",
    ),
    stop(
        "residue_on_recall",
        "It was filled on top of gas that is called back for its air.",
        "Do not breathe it: drain it and fill it from a source whose air has passed.",
        called_back=True,
    ),
    # check first
    stop(
        "air_test_failed_later",
        "The next air test after this fill failed: what was filled since the last good one is in doubt.",
        "Do not breathe it before the laboratory has said what was found.",
        called_back=True,
        found_by="air_test",
    ),
    attention(
        "may_settle_above_permitted",
        "Cold, it may hold more than the permitted {permitted_bar:.4g} bar.",
        "Read it again once cold.",
        "Cold, it may hold more than the permitted pressure.",
    ),
    attention(
        "mix_above_oxygen_limit",
        "The mix is above the oxygen-service limit and the unit is not clean for oxygen.",
        "Have it cleaned for oxygen, or follow the local code if it sets another limit.",
    ),
    attention(
        "beyond_qualification",
        "The mix is beyond what this member is known to be qualified for.",
        "Ask for the certificate.",
    ),
    attention(
        "side_gauges_differ",
        "The gauges of the two sides differ beyond their class; was the isolator shut? Do not simply open it: "
        "equalise, wait, analyse both.",
        "Equalise, wait, read and analyse both sides again.",
    ),
    attention("gauge_past_check", "The filling gauge is past its yearly check.", "Have the gauge checked."),
    attention(
        "gauge_drifting",
        "The filling gauge drifts, or is off by more than its class.",
        "Have the gauge checked; compare with another.",
    ),
    attention(
        "arrived_empty",
        "It arrived empty, at {start_pressure_bar:.1f} bar: water may be inside.",
        "Look inside before the next fill.",
        "It arrived empty: water may be inside.",
    ),
    attention(
        "source_unknown_air_failed",
        "Nobody logged where its gas came from, and a compressor of the station had failed its air test, or failed the "
        "next one.",
        "Find out what it was filled from and log it; until then treat it as called back.",
        source_unknown=True,
        found_by="air_test",
    ),
    attention(
        "residue_of_unknown_source",
        "It was filled on top of gas of unknown source from days on which a compressor's air stood failed.",
        "Find out where that gas came from, or drain it.",
        source_unknown=True,
    ),
    attention("air_test_overdue", "The air test behind this source was overdue.", "Have the air tested."),
    attention(
        "carbon_monoxide_untested",
        "No test of the air behind its source has measured carbon monoxide.",
        "Have the air tested for it.",
    ),
    note("air_partly_tested", "The tests of the air behind its source have not measured all that the limits name."),
    attention("suit_gas_only", "Suit gas only, not breathable.", "Label it so, and keep it off any regulator."),
    attention(
        "permitted_pressure_unknown",
        "Neither working pressure nor valve rating is known.",
        "Read the marks on cylinder and valve.",
    ),
    attention(
        "settled_reading_doubtful",
        "The settled reading cannot belong to this fill; it was left out.",
        "Read it again: it may be of another unit or moment, or the cylinder lost gas.",
    ),
    attention(
        "settled_readings_apart",
        "Two settled readings of it lie farther apart than gauges and thermometers allow; the later one was taken.",
        "Read it again: a slip, another cylinder, or it leaks.",
        found_by="settled_reading",
    ),
    note(
        "wall_reading_doubtful",
        "The wall temperature cannot belong to this fill; it was left out.",
        "Check the wall reading.",
    ),
    attention(
        "settled_before_stop", "The settled reading is dated before the stop; it was left out.", "Correct its time."
    ),
    attention(
        "stop_below_start",
        "It stopped at {stop_pressure_bar:.4g} bar, below its start at {start_pressure_bar:.4g}: nothing was added, or "
        "the two were swapped.",
        "Correct the row; gas that was let out belongs in no fill.",
        "It stopped below its start: nothing was added, or the two were swapped.",
    ),
    attention(
        "filled_before_manufacture",
        "The fill is dated before the cylinder was made.",
        "Correct the fill's date or the register's manufactured_on: its inspections are due by that date.",
    ),
    attention(
        "filled_twice_at_once",
        "Another fill of this cylinder stands at the same moment: one was entered twice, or its time or unit is wrong.",
        "Correct the one that is wrong.",
    ),
    attention(
        "filled_during_dive",
        "The fill is dated into a dive with this cylinder: time, zone or unit of one of the two is wrong.",
        "Correct the one that is wrong.",
    ),
    attention(
        "analysed_before_stop",
        "The analysis is dated before the stop: it may be of another fill, or of the bank.",
        "Analyse what is in the cylinder, and log when.",
    ),
    note(
        "fill_rate_doubtful",
        "By its minutes it rose by {fill_rate_bar_min:.0f} bar a minute, which no panel does.",
        "Correct start, stop or minutes.",
        "By its minutes it rose faster than any panel fills.",
    ),
    note("settled_after_next_fill", "The settled reading came after the unit's next fill; it was left out."),
    note("settled_after_dive", "The settled reading came after a dive with this fill; it was left out."),
    attention(
        "outside_gas_table",
        "This state is outside the gas table or a figure is missing: nothing was computed.",
        "Check pressure, temperature, size and mix of this row.",
    ),
    attention("mix_impossible", "The shares of the mix add up to more than 100 %.", "Correct target or analysis."),
    # short, and why
    short(
        "short_fill",
        "Short: it settles at {settled_pressure_bar_15c:.0f} bar, asked for {target_pressure_bar:.0f}.",
        general="Short: it settles well below what was asked for.",
        minor=True,
    ),
    note(
        "asked_above_permitted",
        "Asked for {target_pressure_bar:.4g} bar, more than it may hold: {permitted_bar:.4g}.",
        "Ask for what cylinder and valve may hold.",
        "More was asked for than it may hold.",
    ),
    attention(
        "stopped_above_permitted",
        "Stopped at {stop_pressure_bar:.4g} bar, above the {permitted_bar:.4g} it may hold cold.",
        "Stop at the permitted pressure; top up once it has cooled.",
        "Stopped above the pressure it may hold cold.",
    ),
    attention(
        "stopped_above_by_offset",
        "Stopped at {stop_pressure_bar:.4g} bar on a gauge that reads low by its stated offset: more than the "
        "{permitted_bar:.4g} it may hold cold.",
        "Add a gauge's stated offset to what it reads; stop at the permitted pressure.",
        "Stopped above the pressure it may hold cold, by the stated offset of the gauge.",
    ),
    attention(
        "other_side_above_permitted",
        "The gauge of the other side stopped above the {permitted_bar:.4g} bar it may hold cold.",
        "Let it cool and read both sides again on one gauge; bleed it slowly where it is above.",
        "The gauge of the other side stopped above the pressure it may hold cold.",
    ),
    note(
        "hot_stop",
        "Stopped while hot: it will read {cooling_bar:.0f} bar less at 15 °C.",
        general="Stopped while hot: it will read less at 15 °C.",
        minor=True,
    ),
    note(
        "stopped_early",
        "Stopped at {stop_pressure_bar:.4g} bar, below the {target_pressure_bar:.4g} asked for.",
        general="Stopped below the pressure asked for.",
        minor=True,
    ),
    # how it was known
    note(
        "settled_early",
        "The settled reading was taken before the gas had cooled; the rest of the cooling was computed.",
        minor=True,
    ),
    note(
        "settled_time_assumed",
        "The settled reading has no time; it was taken to be late enough.",
        "Log its time.",
        minor=True,
    ),
    note(
        "settled_temperature_missing",
        "The settled reading has no temperature and was left out.",
        "Log the temperature beside it.",
        minor=True,
    ),
    note(
        "fill_minutes_assumed", "How long the fill took is not logged; the source's usual rate was taken.", minor=True
    ),
    note(
        "values_assumed",
        "Ambient or start pressure is stated for all fills by the settings, not logged: the interval is wider.",
        "Log it with the fill.",
    ),
    note(
        "wall_mass_estimated",
        "The empty mass is not known; it was estimated from material, size and working pressure.",
        minor=True,
    ),
    note(
        "wall_mass_doubtful",
        "The stamped empty mass is far from what such a cylinder weighs; an estimate was taken.",
        "Check the empty mass in the register.",
        minor=True,
    ),
    # may this unit be filled today
    stop("fill_condemned", "Condemned: it must never be filled again."),
    stop("fill_withdrawn", "Withdrawn from service: may not be filled."),
    stop("fill_test_unknown", "Nobody knows whether it is in test: may not be filled.", "Enter its last inspections."),
    stop("fill_out_of_test", "Out of date: may not be filled.", "Send it to inspection."),
    stop("fill_finding_open", "A failed inspection or a finding is still open: may not be filled."),
    stop("fill_arrived_empty", "Arrived empty: look inside before it is filled; water or corrosion may be there."),
    stop("fill_not_oxygen_clean", "Not clean for oxygen: this gas may not go into it."),
    stop("fill_air_failed", "The source's last air test failed: do not fill from it."),
    # where to stop
    note("permitted_pressure", "Capped at the permitted pressure."),
    note("settled_limit", "Capped so that even gas at the cool end settles at or below the permitted pressure."),
    note("developed_limit", "Capped by the pressure it would develop when warmed, as the rule set limits it."),
    note("relief_limit", "Capped 10 bar below the relief valve's setting."),
    note(
        "target_above_permitted",
        "More was asked for than cylinder and valve may hold: the permitted pressure counts.",
    ),
    note(
        "inside_above_permitted",
        "What is inside settles at {inside_settles_bar:.0f} bar at {reference_c:.0f} °C, above the permitted "
        "{permitted_bar:.4g}. At its present temperature it may read {most_now_bar:.0f} bar at most.",
        "Add nothing. Bleed it slowly, let it come to the room's temperature, read it again.",
        "What is inside settles above the permitted pressure.",
    ),
    note(
        "inside_holds_target",
        "What is inside settles at {inside_settles_bar:.0f} bar at {reference_c:.0f} °C: what was asked for is there.",
        general="What was asked for is there.",
    ),
    note(
        "gauge_at_limit",
        "While warm it reads as much as it may; it settles at {inside_settles_bar:.0f} bar at {reference_c:.0f} °C.",
        "Let it cool, read it again, and top it up then.",
        "While warm it reads as much as it may.",
    ),
    note(
        "no_room_left",
        "What is inside settles at {inside_settles_bar:.0f} bar at {reference_c:.0f} °C; with more it might settle "
        "above what is permitted.",
        "Let it come to the room's temperature and read it again.",
        "With more it might settle above what is permitted.",
    ),
    note("read_the_valve", "Read the valve: 232 or 300? Its rating is not known, so the working pressure counts."),
    note("too_few_settled_fills", "Too few settled fills for any hot overshoot: capped at the permitted pressure."),
    note("mark_unknown_no_overshoot", "A mark that limits a hot fill is not known: capped at the permitted pressure."),
    note("let_it_cool", "The gas would be above 65 °C: stop and let it cool."),
    note("nothing_learned_yet", "No settled reading is known yet: from the energy balance alone."),
]
