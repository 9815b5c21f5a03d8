"""Codes of the fleet, its inspections, leaks, air and plan."""

from schemas.codes import Code, attention, note, stop

LEAK_ADVICE = (
    "Find it with soapy water. A leaking burst disc or neck: depressurise slowly, out of service, to an inspector."
)
DECIDES = "Law, the stamp on the cylinder and a competent inspector decide."

CODES: list[Code] = [
    # inspection: why it may not be filled
    stop(
        "condemned",
        "Condemned. It is never filled again.",
        "Mark it, make it unusable as the local code asks, take it off the register.",
        forbids_filling=True,
    ),
    stop(
        "withdrawn",
        "Withdrawn from service by the register.",
        "Set the register to in_service once an inspector has passed it.",
        forbids_filling=True,
    ),
    stop(
        "visual_failed",
        "Failed its visual inspection; no later pass is recorded.",
        "To an inspector; record the pass when it comes.",
        forbids_filling=True,
    ),
    stop(
        "hydrostatic_failed",
        "Failed its hydrostatic test; no later pass is recorded.",
        "To an inspector; record the pass when it comes.",
        forbids_filling=True,
    ),
    stop(
        "eddy_current_failed",
        "Failed its eddy-current test; no later pass is recorded.",
        "To an inspector; record the pass when it comes.",
        forbids_filling=True,
    ),
    stop(
        "ultrasonic_failed",
        "Failed its ultrasonic test; no later pass is recorded.",
        "To an inspector; record the pass when it comes.",
        forbids_filling=True,
    ),
    stop(
        "valve_service_failed",
        "Its valve failed at service; no later pass is recorded.",
        "Have the valve put right; after any valve change a competent person gauges neck and valve threads: "
        "look-alike threads have blown out.",
        forbids_filling=True,
    ),
    stop(
        "visual_out_of_date",
        "Visual inspection out of date: may not be filled.",
        "Send it to the next visit. " + DECIDES,
        forbids_filling=True,
    ),
    stop(
        "hydrostatic_out_of_date",
        "Hydrostatic test out of date: may not be filled.",
        "Send it to the next visit. " + DECIDES,
        forbids_filling=True,
    ),
    stop(
        "eddy_current_out_of_date",
        "Eddy-current test out of date: may not be filled.",
        "Send it to the next visit. " + DECIDES,
        forbids_filling=True,
    ),
    stop(
        "ultrasonic_out_of_date",
        "Ultrasonic test out of date: may not be filled.",
        "Send it to the next visit. " + DECIDES,
        forbids_filling=True,
    ),
    note("inspection_due_soon", "An inspection is due within the station's notice.", "Put it on the next visit."),
    stop(
        "visual_date_unknown",
        "No visual inspection and no date of manufacture is known: not in date.",
        "Read the stamp and enter manufactured_on, or send it to an inspector.",
        forbids_filling=True,
    ),
    stop(
        "hydrostatic_date_unknown",
        "No hydrostatic test and no date of manufacture is known: not in date.",
        "Read the stamp and enter manufactured_on or the last test, or send it to an inspector.",
        forbids_filling=True,
    ),
    stop(
        "eddy_current_date_unknown",
        "No eddy-current test and no date of manufacture is known: not in date.",
        "Read the stamp and enter the last test, or send it to an inspector.",
        forbids_filling=True,
    ),
    stop(
        "ultrasonic_date_unknown",
        "No ultrasonic test and no date of manufacture is known: not in date.",
        "Read the stamp and enter the last test, or send it to an inspector.",
        forbids_filling=True,
    ),
    stop(
        "no_inspection_known",
        "Neither a passed inspection nor a date of manufacture is known: never in date.",
        "Read the stamp and enter manufactured_on and the inspections, or send it to an inspector.",
        forbids_filling=True,
    ),
    stop(
        "not_made_by_then",
        "By the register it had not been made by that day: one of the two dates is wrong, and what is due with it.",
        "Read the stamp and correct manufactured_on, or correct the day.",
        forbids_filling=True,
        inspection_clears=False,
    ),
    stop(
        "service_life_unknown",
        "A composite cylinder without the end of its service life: not in date.",
        "Read the label and enter service_life_ends_on.",
        forbids_filling=True,
        inspection_clears=False,
    ),
    stop(
        "service_life_over",
        "Its service life has ended: may not be filled.",
        "Take it out of service.",
        forbids_filling=True,
        inspection_clears=False,
    ),
    stop(
        "alloy_not_permitted",
        "Its alloy is no longer approved under its rule set: may not be filled.",
        "Ask an inspector.",
        forbids_filling=True,
        inspection_clears=False,
    ),
    stop(
        "rule_set_unknown",
        "It names a rule set that is not known: not in date.",
        "Use one of uk, us, de, fr, au, adr, or leave it empty.",
        forbids_filling=True,
        inspection_clears=False,
    ),
    stop(
        "no_period_for_material",
        "Its rule set states no period for this material (tested as its own permit says): not in date.",
        "Ask an inspector which dates hold and give the cylinder the rule set that states them.",
        forbids_filling=True,
        inspection_clears=False,
    ),
    note(
        "regime_unknown",
        "It names a regime its rule set does not have; the periods without a regime count.",
        "Correct regime in the register.",
    ),
    # loans
    note("loan_overdue", "On loan past the day it was due back.", "Ask for it back."),
    stop(
        "out_of_test_on_loan",
        "Out of test while on loan: may not be filled anywhere.",
        "Call the member and have it back for inspection.",
        forbids_filling=True,
    ),
    attention(
        "inspection_not_taken",
        "A row of its inspections was rejected that does not say it passed: it may have failed.",
        "Look at its marks before it is handed over or filled, and correct the row: Inbox lists it.",
        open_finding=True,
        look_first=True,
    ),
    # leaks and use
    attention(
        "leaks",
        "Loses {leak_bar_per_day:.1f} bar a day while nobody uses it.",
        LEAK_ADVICE,
        "Loses gas while nobody uses it.",
        look_first=True,
    ),
    attention(
        "set_leaks",
        "Its set loses {leak_bar_per_day:.1f} bar a day; which side is not known.",
        LEAK_ADVICE,
        "Its set loses gas; which side is not known.",
        look_first=True,
    ),
    attention("side_leaks", "It is this side of the set that leaks, by its own gauge.", LEAK_ADVICE, look_first=True),
    note(
        "unexplained_use",
        "A large drop with no dive on record: use that nobody logged, or a sudden loss.",
        "Ask who had it; if nobody did, " + LEAK_ADVICE[0].lower() + LEAK_ADVICE[1:],
    ),
    note(
        "often_short",
        "It settles short oftener than the rest of the fleet.",
        "Fill it slower, or top it up once cool.",
        minor=True,
    ),
    # findings
    note(
        "corrosion_again",
        "Corrosion or pitting was found at more than one inspection.",
        "Ask the inspector where the water comes from, and to measure the wall.",
    ),
    note(
        "boot_hides_base",
        "A boot hides the base of a cylinder in which corrosion was found.",
        "Take the boot off and look, and at each visit.",
    ),
    attention(
        "thread_finding",
        "Thread failed at an inspection, and no pass is recorded since.",
        "A competent person gauges neck and valve threads before the next fill: look-alike threads have blown out.",
        open_finding=True,
        look_first=True,
    ),
    attention(
        "thread_finding_in_set",
        "Thread failed on a cylinder that has stood in a set, and no pass is recorded since.",
        "Look at the other side, and at bands and manifold that may strain the neck; have both necks gauged.",
        open_finding=True,
        look_first=True,
    ),
    note(
        "thread_finding_passed",
        "A thread finding is on record; it has passed an inspection since.",
    ),
    attention(
        "mass_lost",
        "Weighed lighter than its stamp by 2 % or more (a common threshold, no source).",
        "To an inspector: the wall may be thinner. Was it weighed without its valve?",
        look_first=True,
    ),
    note("mass_gained", "Weighed heavier than its stamp by 2 % or more.", "Water inside, or weighed with its valve?"),
    attention(
        "permanent_expansion_high",
        "Permanent expansion above 10 % at a hydrostatic test.",
        "Under US rules this condemns it (49 CFR 180.205(i)); elsewhere ask the inspector.",
        open_finding=True,
        look_first=True,
    ),
    note(
        "pass_after_condemned",
        "A pass is recorded after it was condemned; condemned counts.",
        "Correct the inspections if one is wrong.",
    ),
    note(
        "inspection_before_manufacture",
        "An inspection is dated before its manufacture; the earlier date counts.",
        "Correct manufactured_on or the inspection.",
    ),
    note(
        "valve_rating_unknown",
        "The rating of its valve is not known; the working pressure counts.",
        "Read the valve: 232 or 300?",
    ),
    # units
    note(
        "capacity_estimated",
        "Its capacity is worked out from a rating in cubic feet, not stamped.",
        "Enter water_capacity_l if the stamp has it.",
    ),
    note(
        "rating_pressure_unknown",
        "The pressure at which it holds its rated content is not known: capacity within 6 %.",
        "Enter rated_at_psi or water_capacity_l.",
        of_unit=True,
    ),
    note("capacity_unknown", "Its capacity is not known.", "Enter water_capacity_l.", of_unit=True),
    note(
        "plus_mark_not_counted",
        "Plus-marked: the 10 % above the stamped pressure are not counted as permitted.",
        "Where the law and the last retest's stamp allow it, state working_pressure_bar.",
        of_unit=True,
    ),
    note(
        "set_history_assumed",
        "Who belonged to this set when is not recorded; today's register counts for all time.",
        "Give set_members with dates.",
    ),
    note("set_incomplete", "Only one cylinder of this set is registered.", "Register the other side."),
    note("set_over_full", "More than two cylinders stand in this set.", "Correct set_id, or set_members."),
    note(
        "set_material_differs",
        "The cylinders of this set are not of one material.",
        "Correct the register, or take the set apart.",
    ),
    note("set_dissolved", "This set no longer exists; it is shown as it last stood."),
    note("set_kind_unknown", "The register no longer names this set; it is taken as manifolded."),
    note(
        "set_kind_differs",
        "Its cylinders do not agree how the set is joined; it counts as not joined.",
        "Correct set_kind.",
        of_unit=True,
    ),
    note(
        "set_named_like_cylinder",
        "A set bears the name of a cylinder: the name means the cylinder, and the set is passed over.",
        "Give the set a name of its own in set_id, and in set_members.",
        of_unit=True,
    ),
    note(
        "cylinder_in_two_sets",
        "A cylinder stands in two sets at once.",
        "Close one membership with to_on.",
        of_unit=True,
    ),
    # air and compressor
    attention("air_never_tested", "No purity test of this compressor is known.", "Have its air tested."),
    attention("air_test_is_overdue", "The next purity test is overdue.", "Have its air tested."),
    attention(
        "air_test_incomplete",
        "No purity test of it has measured all that the limits name.",
        "Ask the laboratory for all of them.",
    ),
    stop(
        "compressor_air_failed",
        "Its air failed a purity test, and what failed has not been found good since.",
        "Stop. Keep back all fills since the last good test, drain the banks it fed, call the laboratory.",
    ),
    note(
        "air_not_oxygen_compatible",
        "It feeds a source marked oxygen compatible, and its last test found more than 0.1 mg/m³ of oil (from memory: "
        "check the standard).",
        "Do not let it into oxygen-clean cylinders before filter and laboratory were asked.",
    ),
    stop("filter_used_up", "The filter's life is used up.", "Stop and change it before the next fill."),
    attention("filter_nearly_used_up", "Less than a tenth of the filter's life is left.", "Have a cartridge at hand."),
    attention("filter_change_unknown", "No filter change is on record; its life is not known.", "Log the change."),
    note(
        "filter_life_estimated",
        "Filter life corrected for the warmth of the air, an estimate; the maker's own table goes before.",
    ),
    note("filter_life_uncorrected", "Filter life by hours alone: no temperatures on record."),
    attention(
        "delivery_falls",
        "Free air delivery is a tenth or more below what it was or should be.",
        "Look at intake filter, valves and rings.",
    ),
    note("delivery_temperature_assumed", "The last timed run has no ambient temperature; 15 °C was taken."),
    attention("service_due", "The hours between services are used up.", "Have it serviced."),
    attention(
        "service_may_be_due",
        "At its usual use the hours between services are used up by now; no reading says so yet.",
        "Read the hour meter.",
    ),
    attention(
        "service_unknown",
        "No service is on record: how long ago the last one was is not known.",
        "Log its last service with the hours then.",
    ),
    note("service_day_unknown", "Too few readings to say when the next service is due.", "Log the hour meter."),
    attention(
        "filter_life_unknown",
        "The life of its filter is not stated.",
        "Enter filter_life_hours from the maker's papers.",
    ),
    attention(
        "hours_meter_fell",
        "The hour meter fell, or ran ahead of the clock, between readings: what ran since is a least.",
        "Correct the log; after a new meter log the filter change and service hours anew.",
    ),
    attention(
        "hours_reading_left_out",
        "A reading of the hour meter does not fit the ones beside it; it was left out.",
        "Correct it: a slip of the pen, or rows of two compressors exchanged.",
    ),
    attention("hours_not_logged", "No reading of its hour meter is on record.", "Log the hour meter."),
    attention(
        "compressor_log_late",
        "It has filled for two weeks or more since the last reading of its hour meter; hours, filter and service stand "
        "as of then.",
        "Read the hour meter.",
    ),
]
