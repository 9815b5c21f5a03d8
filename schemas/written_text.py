"""What a text in an input may hold: the rules that files and forms are held to alike."""

import re

LONGEST_CELL = 10_000
#: of what names or identifies something
LONGEST_KEY = 200
#: free words, in which an equals sign may be meant
NOTES = ("note", "reason")
#: a cell that holds it stands in a row of a template that shows how to fill it in
EXAMPLE = "EXAMPLE"
#: sheets of a log workbook that hold no log: the one to print, and what is chosen from
TO_PRINT, TO_CHOOSE = "to print", "to choose from"

#: a note that calls a function or another sheet
CALL = r"^=\s*[-+@(]*([A-Za-z_][A-Za-z0-9_.]*\(|[^=]*!\$?[A-Za-z]{1,3}\$?\d)"
SPREADSHEET_ERROR = r"^#(N/A|REF!|VALUE!|NAME\?|NUM!|DIV/0!|NULL!)$"

_UNPRINTABLE = re.compile("[\x00-\x1f\x7f\u200b-\u200f\u202a-\u202e\u2066-\u2069\ufeff\ufffe\uffff\ufffd\ud800-\udfff]")


def names_something(column: str, key: tuple[str, ...]) -> bool:
    """Whether a text column names or identifies something."""
    return column in key or column.endswith("_id")


def broken_rule(column: str, text: str, *, key: tuple[str, ...]) -> tuple[str, dict] | None:
    """The rule that one text breaks, with the words of its sentence; None for none.

    Parameters
    ----------
    column : str
    text : str
        Without blanks around it and without line breaks.
    key : tuple of str
        The columns that identify a row of its source.
    """
    if len(text) > LONGEST_CELL:
        return "cell_too_long", {"found": len(text), "limit": LONGEST_CELL}
    if text == EXAMPLE:
        return "example_row", {}
    if _UNPRINTABLE.search(text):
        return "control_character", {}
    if names_something(column, key):
        if len(text) > LONGEST_KEY:
            return "cell_too_long", {"found": f"over {LONGEST_KEY}", "limit": LONGEST_KEY}
        if re.search(SPREADSHEET_ERROR, text):
            return "cell_error", {}
    if re.search(CALL if column in NOTES else r"^=", text):
        return "formula_in_cell", {}
    return None
