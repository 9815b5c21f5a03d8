"""Codes of dives: what stands beside a dive's consumption, and why one is missing."""

from schemas.codes import Code, note

#: what speaks for a unit as the tank of a dive that no unit is known for
_OF_TANKS = [
    note("tank_on_loan", "It was lent to this member then.", speaks_for_unit=True, says_whose=True),
    note("tank_owned", "It is this member's own.", speaks_for_unit=True, says_whose=True),
    note(
        "tank_filled_for", "Its last fill before the dive was for this member.", speaks_for_unit=True, says_whose=True
    ),
    note("tank_size_fits", "Its size is the one that the dive states.", speaks_for_unit=True),
    note(
        "tank_filled_before",
        "It was filled in the two weeks before; nobody is known to have dived it since.",
        speaks_for_unit=True,
    ),
    note("tank_mix_fits", "The mix is that of its last fill.", speaks_for_unit=True),
    note("tank_pressure_fits", "The pressure at the start is that of its last fill.", speaks_for_unit=True),
]

CODES: list[Code] = [
    *_OF_TANKS,
    note(
        "start_temperature_assumed",
        "No air temperature is known: the gas was taken to start at 15 °C, give or take 8 °C.",
        "Log air_c with the dive, or ambient_c with the fill.",
    ),
    note(
        "air_of_other_days",
        "No air temperature is known for this day: that of the station's nearest days, or the month's usual one, "
        "was taken.",
        "Log air_c with the dive, or ambient_c with the fill.",
    ),
    note(
        "may_have_run_empty",
        "By its rate a cylinder would have been empty before the dive's end: what was left, or what was breathed "
        "after that, is not known. A rate stated here is too low rather than too high.",
        "Check its pressures, and whether gas came from a cylinder that is not recorded.",
    ),
    note(
        "water_temperature_assumed",
        "No water temperature was recorded: that month's usual one was taken, give or take 4 °C.",
        "Log water_c with the dive.",
    ),
    note("surface_tail_cut", "The record ran on at the surface; what came after surfacing was left out."),
    note(
        "surfaced_midway",
        "The dive came to the surface for minutes and went down again; if other air was breathed there, "
        "the rate is understated.",
    ),
    note(
        "capacity_differs",
        "The dive file's cylinder size is not the register's; the register's was taken.",
        "Check which cylinder was dived and fix the link or the dive computer's setting.",
    ),
    note(
        "gas_missing",
        "A cylinder that was breathed lacks its start, end or size: no rate is stated, it would be too low.",
        "Add the missing pressures or the size.",
        out_of_trend=True,
        no_margin=True,
    ),
    note(
        "no_tanks", "No cylinder is recorded with this dive.", "Add its cylinders.", out_of_trend=True, no_margin=True
    ),
    note("gas_shared", "Gas was shared on this dive; it is left out of the trend.", out_of_trend=True),
    note(
        "not_open_circuit",
        "Not an open-circuit dive: consumption is not computed.",
        out_of_trend=True,
        no_margin=True,
        closed_loop=True,
    ),
    note(
        "loop_tanks_recorded",
        "Oxygen or diluent is recorded on a dive that is not marked as closed circuit: consumption is not computed.",
        "Set the dive's mode.",
        out_of_trend=True,
        no_margin=True,
        closed_loop=True,
    ),
    note(
        "mean_depth_missing", "Neither samples nor a mean depth and duration: no rate can be stated.", out_of_trend=True
    ),
    note(
        "rate_doubtful",
        "No diver breathes at such a rate over a whole dive: duration, pressures or size are wrong, or gas was lost. "
        "It is left out of the trend.",
        "Correct the record.",
        out_of_trend=True,
    ),
    note(
        "cylinder_in_two_dives",
        "Another member's dive at the same time has this cylinder as back gas: unit or time of one of the two is "
        "wrong, and so may be the fill, the mix and the size.",
        "Correct the one that is wrong.",
    ),
    note(
        "depth_jumps",
        "Between two samples the depth changes faster than anybody moves: a sample is wrong, and so may be the "
        "greatest depth and the rate. It is left out of the trend, and no margin is stated.",
        "Correct the samples.",
        out_of_trend=True,
        no_margin=True,
    ),
    note(
        "no_depth",
        "Recorded at no depth, though gas was used: the depth is missing. It is left out of the trend, and no margin "
        "is stated.",
        "Correct the record.",
        out_of_trend=True,
        no_margin=True,
    ),
    note(
        "start_pressure_doubtful",
        "It began at more than one and a half times the working pressure: pressure, unit or cylinder is wrong. It is "
        "left out of the trend, and no margin is stated.",
        "Correct the record.",
        out_of_trend=True,
        no_margin=True,
    ),
    note(
        "clock_reset",
        "Dated to the days at which a computer's clock begins again, and far from this member's other dives: the date "
        "is not believed, and the dive is left out of the trend.",
        "Correct its date.",
        out_of_trend=True,
    ),
    note(
        "depths_contradict",
        "Its mean depth was written above its greatest: neither was taken.",
        "Correct the two.",
    ),
    note("mean_depth_only", "From the mean depth alone: a wider interval, and no margin."),
    note(
        "mix_assumed_air",
        "No mix is known for a cylinder: air was taken.",
        "Set the mix in the dive's file or log the fill's analysis.",
    ),
    note(
        "not_breathable",
        "A gas that must not be breathed (argon, or under 5 % oxygen) is recorded as breathed: no rate is stated.",
        "Check the mix and the cylinder's role.",
        out_of_trend=True,
    ),
    note("set_side_named", "The dive names one cylinder of a joined set; the whole set was taken."),
    note(
        "sides_not_joined",
        "The two sides of the set emptied apart: the isolator was shut or nearly. Only the breathed side was counted.",
        "Check the isolator before every dive.",
    ),
    note(
        "set_mix_differs",
        "The computer was set to another mix than was analysed.",
        "Analyse before the dive and set the computer to the analysis.",
    ),
    note("beyond_mod", "Deeper than the maximum operating depth of the gas breathed."),
    note("filled_out_of_test", "The cylinder had been filled out of test, or without a known test date."),
    note(
        "trace_starts_late",
        "The transmitter joined late; the start comes from the record's pressure or the rate after it.",
    ),
    note(
        "trace_ends_early",
        "The transmitter was lost before the end; the end comes from the record's pressure or the rate before it.",
    ),
    note("trace_not_usable", "The pressures over time do not hang together; only start and end were used."),
    note("pressure_rose", "A cylinder's pressure rose under water by more than warming explains."),
    note("transmitters_swapped", "Two transmitters were taken for one another; their pressures were put back."),
    note(
        "end_above_start",
        "A cylinder ends above its start by more than warming explains: no rate is stated.",
        out_of_trend=True,
        no_margin=True,
    ),
    note("recorded_twice", "Two records of this dive were found; the fuller one was kept."),
    note(
        "duplicate_dive",
        "The same dive as another record of this member, by time and profile; the other, fuller one counts.",
        "Nothing to do, unless they were two dives: then fix the clock of one.",
        out_of_trend=True,
    ),
    note(
        "duplicate_dive_other_clock",
        "To the letter another record of this member, whole hours apart: a re-export in another time zone.",
        "Nothing to do, unless they were two dives.",
    ),
    note(
        "overlaps_another_dive",
        "The times overlap another dive of this member with another profile or other cylinders: a clock may be wrong.",
        "Fix the clock; if two computers recorded a cylinder each, put both into one record.",
    ),
    note(
        "looks_like_another_dive",
        "Profile and pressures equal those of another dive of this member: perhaps one dive with a wrong clock. "
        "Both count.",
        "If it is one dive, take one record out.",
    ),
]
