"""Codes of what is listed about a file that was taken: which rows count, and what was lost or passed over."""

from schemas.codes import Code

NOTICES = [
    Code(
        "folder_unreadable",
        "This folder of the inbox cannot be looked into: nothing in it is read, and its open problems stay open.",
        "Give the right to read it, or bring back the drive it lies on.",
    ),
    Code(
        "link_passed_over",
        "A link that leads out of the inbox, to a folder or nowhere is not followed.",
        "Put the file itself, or a copy of the folder, into the inbox.",
    ),
    Code(
        "folder_passed_over",
        "The folder's name says that a system or a file service keeps it for itself: the tables in it are not read.",
        "If they hold rows that count, put them into another folder.",
    ),
    Code(
        "cells_beyond_headers",
        "The sheet has cells to the right of its last header: they are not read.",
        "Give their column a header, or delete them.",
    ),
    Code(
        "other_sheets_passed_over",
        "The workbook has rows of the same kind on another sheet: only those of the first are read.",
        "Put all rows onto one sheet, or each sheet into a file of its own; or name the sheet in station.toml.",
    ),
    Code(
        "forgotten_left_out",
        "This file holds data of somebody who was forgotten: it was taken without them ({value}). The file in the "
        "inbox still holds them.",
        "Take them out of the file, or run coldfill forget with that member_id again: it rewrites the file.",
        general="This file holds data of somebody who was forgotten: it was taken without them.",
    ),
    Code("not_a_file", "This is no file that can be read.", "Take it out of the inbox."),
    Code(
        "layout_waits",
        "By {layout} as it is now it would be read otherwise: {counts}. {examples}. Until somebody says yes, it stays "
        "as it was accepted.",
        "If the difference is right: coldfill run --accept-layout. If not, take the change out of station.toml.",
        general="By the layout as it is now it would be read otherwise.",
    ),
    Code(
        "layout_does_not_fit",
        "{why} What was accepted stands: {known}.",
        "Correct the layout or its patterns in station.toml; a change of layout never takes back a whole file.",
        general="The layout as it is now does not fit; what was accepted stands.",
    ),
    Code(
        "pattern_without_files",
        "This pattern matches no file that is here or was read.",
        "Correct it in station.toml, or wait for its first file.",
    ),
    Code(
        "breaks_a_step",
        "coldfill cannot compute with this row, and the fault is its own: the step {step} breaks on it ({found}). The "
        "row was set aside and everything else was computed without it.",
        "Look at the row for an odd value and correct it; and tell us, with the row.",
    ),
    Code(
        "older_than_current",
        "The row was passed over, for a newer file holds the same key.",
        "Save the file again if it is the right one, or give it a column revised_at.",
    ),
    Code(
        "no_longer_in_file",
        "The row is no longer in the newer file of the same name; it still counts.",
        "Nothing, if it was only cut. Nothing takes a row back: correct it in a newer file, or, for a cylinder, "
        "set its status in a newer register.",
    ),
    Code(
        "corrects_withdrawn",
        "It gives a row that is withdrawn anew, in place of the one that was taken out; it stays out all the same.",
        "If it is right now, bring it back: coldfill reinstate.",
    ),
    Code(
        "correction_taken_back",
        "This file is newer than {other}, which had corrected it, and says again what it said before: its values count "
        "once more for {value}.",
        "If the correction was right, make it in this file too, or give the rows of the other a column revised_at.",
    ),
    Code(
        "sync_conflict_passed_over",
        "A copy that a file service made of two versions is not read.",
        "If it holds rows that count, rename it and drop it again.",
    ),
    Code(
        "file_time_in_future",
        "The file's own time lies in the future.",
        "Set the clock of the computer that wrote it; more than a day ahead, the file counts as saved when it came in.",
    ),
    Code(
        "saved_again_wins",
        "A known file was saved again without a change: its rows now count before those of files that were newer.",
        "Nothing, if that is meant; else save the file again that should count.",
    ),
    Code(
        "copy_keeps_its_rank",
        "Several known files came with new times at once, as after a copy or a restore: this one keeps the order it "
        "had, and {value} of it still stand back behind newer ones.",
        "Nothing, if it was a copy. To let the file win, save it again alone, or give its rows a column revised_at.",
    ),
    Code(
        "same_time_other_values",
        "Saved at the same time as {other}, which gives other values for {value}: those of {other} count, for its "
        "name comes later.",
        "Save the right file again, alone, or give its rows a column revised_at.",
    ),
    Code(
        "return_without_loan",
        "By the log {value} was not out on loan: its return changes nothing.",
        "Log the loan it came back from, or the right unit.",
        general="A unit came back that by the log was not out on loan: its return changes nothing.",
    ),
    Code(
        "samples_lost",
        "{value} of this file cannot be read any more, neither in the lake nor in the archive: its dives are computed "
        "without them.",
        "Drop the file again, from a copy or from the dive computer.",
    ),
    Code(
        "original_lost",
        "The original of this file is missing from archive/, or not as it came in. Its rows count as before, but "
        "nothing could read them again: a rebuild or a backup would be without it.",
        "Put archive/ back from a backup, or drop the same file into the inbox again.",
    ),
]
