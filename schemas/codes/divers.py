"""Codes of trends, reserves and kits, and the sentence that stands beside their numbers."""

from schemas.codes import Code, note

LOOKS_BACK = "From past dives in their conditions. Not a gas plan; no allowance for stress, cold, a buddy or stops."
"""Stands beside every number of a dive that a diver might act on."""

CODES: list[Code] = [
    note(
        "outlier_dive",
        "Far from what was expected of this member: it weighs less in the trend.",
        "Check the pressures, the cylinder's size and whether gas was shared.",
    ),
    note(
        "no_direct_ascent",
        "A direct ascent was no option (stops, overhead, or a gas not breathable at the surface): "
        "the figure is a floor, not an answer.",
    ),
    note(
        "not_refilled",
        "Dived again without a fill since the last dive.",
        "Fill between dives, or log the fill that is missing here.",
    ),
    note(
        "start_target_unknown",
        "Neither the fill nor the cylinder's permitted pressure is known: what it should have "
        "started with cannot be said.",
        "Link the dive's cylinder to the register.",
    ),
    note("below_thirds", "Came back with less than a third of the gas it started with."),
    note(
        "margin_not_known",
        "Only what it surfaced with can be said: a margin needs depth over time and the pressures "
        "and sizes of every cylinder breathed.",
        "Hand in the dive computer's own file, or log what is missing.",
    ),
    note(
        "end_pressure_missing",
        "A back cylinder lacks its end pressure: what the dive surfaced with is not known.",
        "Add the end pressure.",
    ),
    note(
        "no_back_gas",
        "No cylinder is recorded as back gas: what the dive surfaced with is not known.",
        "Set the cylinders' roles.",
    ),
    note(
        "one_cylinder_low",
        "One of the cylinders alone came up below the least pressure.",
        "Change between the cylinders more often, or check what was shut.",
    ),
    note(
        "lift_short",
        "At the start, with the suit's buoyancy lost, the kit weighs more than the lift it has.",
        "Check lift, ballast and cylinders with somebody qualified before the next dive.",
    ),
    note(
        "ballast_short",
        "With the gas at the unusable pressure the kit floats at 5 m: a stop may not be held.",
        "Check the ballast in the water with nearly empty cylinders.",
    ),
    note(
        "empty_mass_unknown",
        "A cylinder's empty mass is not known: no balance is stated.",
        "Log empty_mass_kg from the stamp.",
    ),
    note("shell_density_unknown", "A composite cylinder: what its shell displaces is not known; no balance."),
    note("tank_size_unknown", "A cylinder's size or pressures are not known: no balance is stated."),
    note(
        "kit_incomplete",
        "Suit buoyancy, ballast or the rest of the kit is not logged: no balance is stated.",
        "Log a row in kits.",
    ),
]

WATCH_REASONS: dict[str, str] = {
    "none_seen": "No thin dive seen ({judged} dives).",
    "below": "{below} of {judged} judged dives went below this policy, mainly by {main_cause}.",
    "one_below": "1 of {judged} judged dives went below this policy, mainly by {main_cause}.",
    "surfaced_low": "{surfaced_low} of {surfaced_known} dives surfaced below {surfacing_min}, "
    "the lowest with {least_surfaced}.",
    "one_surfaced_low": "1 of {surfaced_known} dives surfaced below {surfacing_min}, with {least_surfaced}.",
    "none_surfaced_low": "None of {surfaced_known} dives surfaced below {surfacing_min}; "
    "the lowest with {least_surfaced}.",
    "short_fills": "Fixing the fill would help first: these dives started {short_bar} low at the median.",
    "too_few": "A margin is known of {known} of the last {considered} dives; 5 are needed to say what share to expect.",
    "chance": "If dives stay like these, {chance} go below this policy.",
    "chance_alone": "None went below this policy yet, but their margins are narrow: if dives stay like these, "
    "{chance} will.",
    "for_what_is_not_known": "To be watched for what is not known: {not_assessed} of {considered} dives could not be "
    "assessed, a floor or nothing is known of them. If dives like the others follow, {chance} go below this policy.",
    "for_what_was_seen": "To be watched for what was seen, not for what is to be expected: if dives stay like these, "
    "{chance} go below this policy.",
    "not_assessed": "{not_assessed} of {considered} dives could not be assessed: a floor or nothing is known of them.",
}
"""Sentences of `reserve_watch.reason`. None of them calls a dive safe."""

CAUSE_WORDS: dict[str, str] = {
    "started_short": "starting short",
    "cooling": "a fill that cooled",
    "consumption": "breathing more than usual",
    "profile": "depth and time",
    "none": "no single cause",
}

WATCH_WORDS: dict[str, str] = {
    "thin": "Runs thin",
    "watch": "To be watched",
    "comfortable": "No thin dive seen",
    "too_few": "Too few margins known to say",
}

CONDITION_WORDS: dict[str, str] = {
    "depth": "Mean depth, 10 m more",
    "cold": "Water 10 °C colder",
    "dry_suit": "Dry suit instead of a wet suit",
    "semidry_suit": "Semidry suit instead of a wet suit",
    "duration": "10 minutes longer",
}
