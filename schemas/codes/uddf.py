"""Codes of what is wrong in UDDF files, each with what to do."""

from schemas.codes import Code

UDDF = [
    Code(
        "uddf_broken", "The file is not well-formed XML: {found}.", "Export it again; a copy may have been cut short."
    ),
    Code("uddf_wrong_root", "The outermost element is {found}, not uddf.", "Export the dives as UDDF."),
    Code(
        "uddf_doctype_entities",
        "The file declares entities, which is not accepted.",
        "Export it again without a DOCTYPE.",
    ),
    Code("uddf_too_deep", "Elements are nested deeper than {limit}.", "Export it again."),
    Code("uddf_too_many_dives", "The file holds more than {limit} dives.", "Export it in parts."),
    Code(
        "uddf_too_many_waypoints",
        "The dive holds more than {limit} waypoints.",
        "Export it with a longer sample interval.",
    ),
    Code(
        "uddf_no_member",
        "Nothing says whose dives these are: the owner {value} is neither a member nor linked.",
        "Put the file in dives/MEMBER_ID/, or add to links: source_ref {value}, kind member.",
    ),
    Code(
        "uddf_datetime_incomplete",
        "The start of the dive lacks day, hour or minute.",
        "Correct the start in the software the dive comes from and export again.",
    ),
    Code("uddf_not_a_number", "Not a number.", 'Export it again; for a decimal comma set [uddf] decimal = ",".'),
    Code(
        "uddf_not_kelvin",
        "{column} {value} is no temperature in kelvin{guess}.",
        "Ask the maker of the export; the value was left out.",
    ),
    Code(
        "uddf_not_pascal",
        "{column} {value} is no pressure in pascal{guess}.",
        "Ask the maker of the export; the value was left out.",
    ),
    Code(
        "uddf_not_m3",
        "{column} {value} is no volume in cubic metres.",
        "Ask the maker of the export; give the capacity in the register.",
    ),
    Code(
        "uddf_not_fraction",
        "The fractions of the mix {value} do not make 1{guess}.",
        "Correct the mix and export again.",
    ),
    Code("uddf_not_kg_m3", "{column} {value} is no density of water in kg/m³.", "Correct the site and export again."),
    Code(
        "uddf_unit_conflict",
        "The samples and the summary differ as if one were in another unit: {found}.",
        "Ask the maker of the export.",
    ),
    Code("uddf_time_falls", "The times of the samples run backwards.", "Export the dive again."),
    Code("uddf_same_time", "Two samples of one time were merged; the later value counts.", ""),
    Code("uddf_no_depth", "The sample lacks depth or time.", "Export the dive again."),
    Code("uddf_negative_depth", "A depth of {value} m cannot be.", "Check the depth sensor's zero."),
    Code("uddf_duplicate_id", "The id {value} stands twice in the file.", "Export it again."),
    Code("uddf_dangling_ref", "The reference {value} leads nowhere.", "Export it again."),
    Code("uddf_ref_conflict", "The reading names two tanks: {value}.", "Export it again."),
    Code(
        "uddf_tank_unclear",
        "The dive has several tanks and the reading names none.",
        "Export it with the reference to its tank.",
    ),
    Code("uddf_too_many_tanks", "The dive has more than {limit} tanks.", "Split the record."),
    Code(
        "uddf_role_unknown",
        "Nothing says what the tank {value} was used for.",
        "Say so on the page Inbox, or add to links: source_ref {value}, kind role, target_id back (or stage, deco, "
        'bailout, suit, oxygen, diluent); or in station.toml: [uddf.roles] "{value}" = "back".',
    ),
    Code("uddf_no_start_pressure", "The tank has no pressure at the start.", "Correct it and export again."),
    Code("uddf_dive_rejected", "Its dive was rejected. Rows that went with it: {rows}.", "Fix the dive."),
]
