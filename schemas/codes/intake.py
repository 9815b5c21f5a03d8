"""Codes of intake: why a file, a row or a value was not taken, and flags on what was taken all the same.

A sentence says what was found; the fix says what to do. Both may hold named fields.
"""

from schemas.codes import Code, time_taken
from schemas.codes.files import NOTICES
from schemas.codes.uddf import UDDF

_REREAD = "after a change of layout the next run rereads the file, and asks first where accepted rows would change"

#: a file refused whole: one reject without a row
FILE = [
    Code("empty_file", "The file is empty.", "Save it again with its header row, and drop it again."),
    Code(
        "unknown_source",
        "The name does not begin with the name of a source.",
        'Rename it (for instance fills-may.csv), or add a pattern: [sources.fills] names = ["{value}"].',
    ),
    Code(
        "layouts_overlap",
        "More than one layout matches the file: {found}.",
        "Change the patterns under files in station.toml so that one of them matches; " + _REREAD + ".",
    ),
    Code(
        "unsupported_file",
        "This kind of file is not read: {found}.",
        "Save the sheet as CSV (UTF-8) or XLSX, or export the dives as UDDF, and drop that.",
    ),
    Code(
        "not_what_its_name_says",
        "The name ends in {suffix}, but the content is {found}.",
        "Save the sheet as CSV (UTF-8) or XLSX, give the copy its true ending and drop it again.",
    ),
    Code(
        "not_utf8",
        "Byte {byte} on line {line} is not {read_as} text.",
        "Save as 'CSV UTF-8', or name the encoding in station.toml: [sources.{source}] encoding = \"{looks_like}\"; "
        + _REREAD
        + ".",
    ),
    Code(
        "too_large",
        "The file is larger than what is read at once: {found}, at most {limit}.",
        "Split it and drop the parts.",
    ),
    Code(
        "ended_the_pass",
        "Reading this file ended coldfill {found} times before it was done, perhaps for lack of memory. It is set "
        "aside and not read again until it changes.",
        "Split it and drop the parts, or save it in another form (CSV, XLSX).",
    ),
    Code(
        "unsafe_workbook",
        "The workbook is built in a way that could harm: {found}.",
        "Copy the values into a new workbook, or save the sheet as CSV (UTF-8).",
    ),
    Code(
        "broken_workbook",
        "The workbook cannot be opened: {found}.",
        "Open it, save it again as XLSX without a password, and drop it again.",
    ),
    Code(
        "sheet_not_found",
        "There is no sheet named {value}; the sheets are {found}.",
        "Correct [sources.{source}] sheet in station.toml.",
    ),
    Code(
        "missing_column",
        "A required column is missing: {column}. The headers found are: {found}.",
        "Name the file's header in station.toml: "
        '[sources.{source}.headers] {column} = "…"; or, for what the log never '
        "holds, state it: [sources.{source}.stated]; " + _REREAD + ".",
    ),
    Code("header_twice", "The header {value} stands over two columns.", "Rename one of them.", of_header=True),
    Code(
        "header_missing",
        "There is no header row.",
        "Put the column names in the first row, or say where they are: [sources.{source}] header_row = 3.",
    ),
    Code(
        "too_many_columns",
        "There are {found} columns; at most {limit} are read.",
        "Delete the columns that hold nothing.",
    ),
    Code(
        "too_many_problems",
        "More than {limit} rows cannot be read, the first for this reason: {found}.",
        "This looks like a mapping that does not fit: look at the first rows with `coldfill check`.",
    ),
    Code(
        "unreadable",
        "The file cannot be opened: {found}.",
        "Close it elsewhere, or give the right to read it; it is tried again each run.",
    ),
    Code(
        "reader_failed",
        "coldfill could not read this file, and the fault is its own: {found}.",
        "Tell us, with the file; run with --debug to see where. Saved in another form (CSV, XLSX) it may load.",
    ),
    Code(
        "no_dives",
        "No dive was found in this file: it holds none, or not where UDDF has them (profiledata, repetitiongroup, "
        "dive, in one namespace).",
        "Nothing, if it holds none; else export it again as UDDF.",
    ),
    Code("no_rows", "The file has headers and no rows.", "Nothing, if that is meant."),
    Code(
        "too_costly",
        "Reading it took more than {limit}: it was set aside, and is not read again until it changes.",
        "Is it what it should be? Then split it into smaller files; else delete it.",
    ),
    Code(
        "broken_quotes",
        "A quoted text that begins on line {line} never ends, or goes on after its end.",
        "Close the quotation mark, or save the file again; it may have been cut.",
    ),
]

#: rows and values of tables
CELL = [
    Code(
        "wrong_cell_count",
        "The row has {found} cells, the header has {limit}.",
        "Quote cells that hold the separator, or correct the row.",
    ),
    Code(
        "rows_in_one_cell",
        "A quoted cell holds the end of line {first}, whole rows, and the beginning of line {last}: a quotation mark "
        "is not closed, and none of these rows was taken.",
        "Close the quotation mark or delete it, and drop the file again; if it is one cell, write it on one line.",
    ),
    Code("cell_too_long", "The cell holds {found} characters; at most {limit} are read.", "Shorten it."),
    Code(
        "unknown_header",
        "The column is not known, so its values are not read.{guess}",
        'Pass it over in station.toml: [sources.{source}] ignore = ["{value}"]; '
        'or name what it is: [sources.{source}.headers] {near} = "{value}".',
        of_header=True,
    ),
    Code(
        "unit_in_header",
        "The header gives another unit than {near}.",
        'Map both in station.toml: [sources.{source}.headers] {near} = "{value}" '
        'and [sources.{source}.units] {near} = "{found}".',
        of_header=True,
    ),
    Code("not_a_number", "Not a number.", "Write the number alone, with a decimal point."),
    Code("not_a_whole_number", "Not a whole number.", "Write a whole number."),
    Code("not_finite", "Not a finite number.", "Leave it empty if it is not known."),
    Code(
        "decimal_comma",
        "A comma in a number: a decimal comma or thousands?",
        'Say so in station.toml: [sources.{source}] decimal = ","; or write a decimal point; ' + _REREAD + ".",
    ),
    Code(
        "decimal_point",
        "A point in a number, although the mapping says that this source writes a decimal comma.",
        'Take decimal = "," out of [sources.{source}], or write a comma; for thousands set thousands = ".".',
    ),
    Code(
        "thousands_separator",
        "The number seems to hold a separator of thousands.",
        'Write it without, or say so in station.toml: [sources.{source}] thousands = "{found}".',
    ),
    Code(
        "thousands_or_decimal",
        "A mark before three digits: {thousands}, or {decimal}?",
        "Write it without a mark ({thousands}), or with another number of decimals; if the comma is the decimal mark "
        'throughout, say what parts thousands: [sources.{source}] thousands = "."; ' + _REREAD + ".",
    ),
    Code(
        "share_not_per_cent",
        "Between 0 and 1: a share, not per cent? Did you mean {meant}?",
        "Write per cent; or, if the whole column holds shares, say so: "
        '[sources.{source}.units] {column} = "fraction"; ' + _REREAD + ".",
    ),
    Code(
        "unit_in_cell",
        "A unit stands in the cell: {found}.",
        "Write the number alone; or name the unit of the column, "
        '[sources.{source}.units] {column} = "{found}", and cells may repeat it.',
    ),
    Code(
        "not_exact",
        "A limit or an estimate ({found}) is no reading.",
        "Write the number that was read; for a laboratory's '<' state "
        '[sources.{source}] less_than = "limit" to take the limit itself.',
    ),
    Code(
        "cell_error", "The cell holds an error of the spreadsheet.", "Correct the formula and save the workbook again."
    ),
    Code("formula_in_cell", "The cell holds a formula as text.", "Write the value."),
    Code(
        "formula_without_value",
        "The cell holds a formula whose result was not saved, so it is taken as empty.",
        "Open the workbook in a spreadsheet, save it and drop it again; or paste the values.",
    ),
    Code(
        "merged_cell",
        "The cell is merged with others ({found}); only the first of them holds a value.",
        "Unmerge it and fill in each cell.",
    ),
    Code(
        "not_true_or_false",
        "Neither true nor false.",
        'Write true or false; or translate the word: [sources.{source}.words.{column}] "{value}" = "true".',
    ),
    Code(
        "not_a_choice",
        "Not one of: {limit}.",
        'Write one of these; or translate the word: [sources.{source}.words.{column}] "{value}" = "…".',
    ),
    Code(
        "not_a_time",
        "Not a date and time.",
        "Write it as 2031-05-20 14:30, with Z or +02:00 if it is not in the station's zone.",
    ),
    Code("not_a_date", "Not a date.", "Write it as 2031-05-20."),
    Code(
        "day_unclear",
        "The stamp gives a zone, and the day there is another than the day here.",
        "Write the day alone, as 2031-05-20.",
    ),
    Code(
        "date_order_unclear",
        "The order of day and month is not certain.",
        'Write 2031-05-20, or say how the source writes: [sources.{source}.formats] {column} = "DD/MM/YYYY hh:mm"; '
        + _REREAD
        + ".",
    ),
    Code(
        "not_in_its_format",
        "Not written as the mapping says ({limit}).",
        "Correct the cell, or the format in [sources.{source}.formats].",
    ),
    Code("impossible_date", "There is no such day or time.", "Correct it."),
    Code(
        "date_is_number",
        "A bare number stands where a date is due.",
        "Format the cells as dates in the spreadsheet; or, for its day numbers, "
        '[sources.{source}.formats] {column} = "day_number".',
    ),
    Code("control_character", "The text holds characters that cannot be printed.", "Type it again."),
    Code(
        "key_incomplete",
        "A part of the key is empty: {column}.",
        "Fill it in, or build the key from other columns: [sources.{source}] key.",
    ),
    Code("example_row", "This is the example row of the workbook.", "Delete the example row; nothing else is needed."),
    Code(
        "stated_not_for_this_gas",
        "Oxygen may be stated for air only, and nothing says that this fill was air.",
        'Give fill_method, or state it too: [sources.{source}.stated] fill_method = "air".',
    ),
    Code(
        "unknown_channel",
        "The readings of {value} are not asked for.",
        'Name its column in station.toml, [sources.{source}.channels] "{value}" = "…", or leave it.',
    ),
    Code(
        "samples_conflict",
        "Two rows of one moment disagree about {column}.",
        "Keep one of them.",
    ),
]

#: rules applied once a row has been read
ROW = [
    Code(
        "missing_value",
        "A required cell is empty.",
        "Fill it in and drop the file again; what the log never holds can be stated in station.toml.",
    ),
    Code("out_of_bounds", "The value cannot have been.", "Correct the row and drop the file again."),
    Code(
        "in_the_future",
        "The time lies after tomorrow.",
        "Correct the date, the clock of the device or the zone in station.toml; or `today` there, if it names a day.",
    ),
    Code(
        "key_conflict",
        "The same key stands twice in the file with different values.",
        "Keep the right row, delete the other and drop the file again.",
    ),
    Code(
        "fractions_over_100",
        "The parts of the gas add up to more than 100 %.",
        "Correct the row and drop the file again.",
    ),
    Code(
        "member_is_another",
        "It names another member than the one who has handed it in.",
        "Hand in own dives alone; leave member_id empty, it is filled in. Who runs the station can take in the rest.",
    ),
    Code(
        "not_handed_in_by_members",
        "Members hand in dives, their tanks and samples, or a dive computer's export, and nothing else.",
        "Give the file to who runs the station.",
    ),
    Code("nothing_read", "The row reads nothing.", "Give what was read, or take the row out."),
    Code(
        "reading_incomplete",
        "A figure stands without the one it goes with: {column}.",
        "Give the figure that was read, or leave out what goes with it.",
    ),
    Code("ends_before_start", "The end lies before the start.", "Correct the row and drop the file again."),
    Code(
        "working_above_test",
        "The working pressure is above the test pressure.",
        "Read the stamps again: are the two columns swapped? Correct the row and drop the file again.",
    ),
    Code(
        "ratings_contradict",
        "The same is given in two units, and the two differ.",
        "Read the stamps again, correct the one that is wrong, or give one of the two alone.",
    ),
    Code(
        "buoyancy_contradicts",
        "The suit's buoyancy at depth, {other} kg, is above that at the surface, {value} kg: both were left out.",
        "A suit loses buoyancy with depth. Correct the two (are they swapped?) and drop the file again.",
    ),
    Code(
        "step_above_span",
        "The gauge's smallest step, {other} bar, is above its span of {value} bar: both were left out.",
        "Correct the two (are they swapped?) and drop the file again.",
    ),
    Code(
        "mean_above_greatest",
        "The mean depth, {other} m, is above the greatest, {value} m: both were left out.",
        "Correct the two and drop the file again.",
    ),
    Code(
        "pumped_down",
        "A timed run ends at {value} bar, below its start at {other}: both were left out.",
        "Correct the two (are they swapped?) and drop the file again.",
    ),
    Code(
        "due_before_out",
        "Due back on {value}, before it was lent on {other}: the day it is due was left out.",
        "Correct it and drop the file again.",
    ),
    Code(
        "unknown_reference",
        "{column} {value} is not known.",
        "Add it to the register ({found}) or correct it; the row waits and loads by itself.",
    ),
    Code(
        "dive_ambiguous",
        "Several members have a dive of this name.",
        "Add a column member_id, or put the file in dives/MEMBER_ID/.",
    ),
    Code(
        "refers_to_withdrawn",
        "{column} {value} was withdrawn, so the row does not count.",
        "Nothing, if that is meant. It counts again once {found} is brought back: coldfill reinstate.",
    ),
    Code(
        "withdraws_unknown",
        "{value} names nothing that is known in {found}, so nothing is withdrawn yet.",
        "Write {parts}; `coldfill history KEY` shows keys as they are known. The row waits and takes effect by itself.",
    ),
    Code(
        "withdraws_of_no_source",
        "{value} is no source.",
        "Write the source of the row, as fills; withdrawals to bring something back; files; or problems.",
    ),
    Code(
        "set_not_joined",
        "The set is not manifolded: its cylinders are filled and dived as two ({found}).",
        "Write the cylinder instead of the set.",
    ),
]

#: on rows that were taken
FLAGS = [
    time_taken("date_without_time", "No time of day was given: noon is taken."),
    time_taken("month_without_day", "Only the month was given: its first day is taken."),
    time_taken("time_left_out", "A time of day stood where a day is due: the day as written is taken."),
    time_taken("time_ambiguous", "The clocks went back: this hour came twice, the first is taken."),
    time_taken("time_not_existing", "The clocks went forward: there was no such time, the next hour is taken."),
    Code("value_assumed", "A value was stated for the whole log, not read."),
    Code("below_limit_of_detection", "The laboratory gave only an upper limit: that limit is taken."),
    Code("zone_assumed", "No zone was given: the source's, else the station's, is taken."),
    Code("pressures_taken_as_gauge", "Tank pressures of the file are taken as gauge readings."),
    Code("end_from_samples", "The pressure at the end is that of the last sample."),
    Code("surface_depth_zeroed", "Depths a little above the surface are kept as 0."),
    Code("air_assumed", "No gas was given: air is taken."),
    Code("gas_from_switch", "The gas is that of the first switch."),
    Code("summary_differs", "The summary of the export differs from its samples."),
]

CODES: list[Code] = FILE + CELL + ROW + NOTICES + UDDF + FLAGS
