"""Inbox: what came in, what was rejected and how to fix it, how old everything is."""

import pandas as pd
import streamlit as st

from dashboard import hand_in, parts
from dashboard.access import ALONE, DIVER, MANAGER, OPERATOR, may_hand_in, may_log, may_see
from dashboard.data import Snapshot
from dashboard.entry_form import who_field
from dashboard.problems import Cause, causes
from dashboard.rows import Row, each
from dashboard.views import first_steps, inbox_fixes, inbox_schedule, saved
from schemas import words

TITLE = "Inbox"
#: roles that may open this page; what tables each sees stands in access.py
OPEN_TO = (ALONE, DIVER, MANAGER, OPERATOR)

MOST_ROWS = 150
#: places of one cause that are shown at once, causes, and causes with a choice beside them
MOST_PLACES, MOST_CAUSES, MOST_CHOICES = 2, 5, 20
#: from so many problems on one file may be looked at alone
ASK_FOR_FILE = 12
OUTCOMES = {"accepted": "taken", "refused": "refused whole", "partly": "taken in part", "withdrawn": "withdrawn"}


def page(snapshot: Snapshot) -> None:
    files, rejects, notices = (snapshot.table(t) for t in ("ingest_files", "rejects", "notices"))
    unresolved = rejects[rejects["resolved_at"].isna()]
    still_open = unresolved[unresolved["dismissed_at"].isna()]
    dismissed = unresolved[unresolved["dismissed_at"].notna()]
    parts.show(parts.counts(in_short(snapshot, files, still_open, rejects, dismissed)))
    what_was_saved = parts.place()
    if inbox_fixes.may_fix(snapshot):
        who_field(snapshot)
    own = snapshot.viewer.role == DIVER  # who comes to hand in own dives does that first
    if own:
        bring_in(snapshot)
    answered = problems(snapshot, still_open)
    answered = inbox_fixes.tanks(snapshot) or answered
    with what_was_saved:
        saved.show(snapshot, answered=answered)
    if not own:
        bring_in(snapshot)
    if may_see(snapshot.viewer, "withdrawn"):
        taken_out(snapshot)
    left_as_they_are(snapshot, dismissed)
    if len(notices):
        to_know(notices)
    out = snapshot.table("withdrawn") if may_see(snapshot.viewer, "withdrawn") else None
    how_old(snapshot, files, answered_since(files, still_open, out))
    if may_see(snapshot.viewer, "runs"):
        inbox_schedule.show(snapshot)
        passes(snapshot)


def to_know(notices: pd.DataFrame) -> None:
    """What is to be known of the files, a line a kind; the files open below."""
    named = notices["value"].notna() & (notices["value"] != notices["file"])
    notices = notices.assign(file=notices["file"].where(~named, notices["file"] + ": " + notices["value"]))
    by = notices.fillna({"fix": ""}).groupby(["message", "fix"], sort=False)["file"].agg(list).reset_index()
    made = []
    for r in each(by.head(MOST_ROWS)):
        files = r.file[:MOST_ROWS] + ([f"and {len(r.file) - MOST_ROWS} more"] if len(r.file) > MOST_ROWS else [])
        count = words.plural(len(r.file), "file") if len(r.file) > 1 else r.file[0]
        made.append(parts.line(r.message, f"{r.fix} ({count})", files if len(r.file) > 1 else ()))
    title = f"To know: {len(notices)}. Nothing was rejected for these"
    parts.opens(title, "notices_opens", lambda: parts.show(parts.one_by_one(made, MOST_CAUSES)))


def bring_in(snapshot: Snapshot) -> None:
    """Hand in a file; for who keeps the registers also their forms and workbooks."""
    if not may_hand_in(snapshot.viewer):
        return
    parts.show(parts.heading("Hand in a file", 2))
    if may_log(snapshot.viewer, "cylinder"):
        first_steps.registers(snapshot)
    else:
        hand_in.show(snapshot)


def in_short(
    snapshot: Snapshot, files: pd.DataFrame, still_open: pd.DataFrame, rejects: pd.DataFrame, dismissed: pd.DataFrame
) -> list[tuple[str, str, str]]:
    """What is open, what came in, and the last record of each kind against the day the station takes as today."""
    fixed = f"{words.number(rejects['resolved_at'].notna().sum())} fixed"
    left = f", {words.number(len(dismissed))} dismissed" if len(dismissed) else ""
    read, taken, lost = (words.number(files[f"rows_{what}"].sum()) for what in ("read", "accepted", "rejected"))
    found = [
        ("Open problems", words.number(len(still_open)), f"{fixed}{left}."),
        ("Files known", words.number(len(files)), f"Rows read: {read}; {taken} taken, {lost} rejected."),
    ]
    for label, table, column in (
        ("Last fill logged", "fill_quality", "filled_at"),
        ("Last dive", "dive_consumption", "started_at"),
        ("Last air test", "air_quality", "sampled_on"),
        ("Last inspection", "cylinder_health", "last_visual_on"),
    ):
        if not may_see(snapshot.viewer, table):
            continue
        last = snapshot.latest(table, column)
        if words.known(last):
            on = last.tz_convert(snapshot.zone).tz_localize(None).normalize() if last.tz is not None else last
            found.append((label, words.day(on), words.capital(words.days_away((on - snapshot.as_of_on).days)) + "."))
    return found


def problems(snapshot: Snapshot, still_open: pd.DataFrame) -> bool:
    """What is rejected, by cause; gives whether the answer to what was saved last stands among it."""
    parts.show(
        parts.heading(
            f"Rejected, and how to fix it: {len(still_open)}",
            2,
            "By cause. A row waits until it is put right here, logged anew, or its file is fixed and dropped again.",
        )
    )
    if still_open.empty:
        parts.show(parts.bar("Nothing is rejected", 1))
        return False
    counts = still_open["file"].value_counts()
    chosen = ""
    if len(still_open) > ASK_FOR_FILE and len(counts) > 1:
        chosen = st.selectbox(
            "File",
            ["", *counts.index],
            format_func=lambda f: f"{f} ({counts[f]})" if f else f"All files ({len(still_open)})",
            key="reject_file",
        )
    found = causes(still_open[still_open["file"] == chosen] if chosen else still_open)
    mine = inbox_fixes.may_fix(snapshot)
    by_choice = [cause for cause in found if mine and inbox_fixes.can_fix(cause)][:MOST_CHOICES]
    answered = False
    for cause in by_choice:
        parts.show(parts.heading(cause.says, 3), parts.Markup(f"<p>{_where(cause)}</p>"))
        answered = inbox_fixes.fix(snapshot, cause) or answered
    others = [cause for cause in found if cause not in by_choice]
    if others:
        parts.show(parts.one_by_one([_line(cause) for cause in others[:MOST_ROWS]], MOST_CAUSES))
    if len(others) > MOST_ROWS:
        parts.show(parts.note(f"The first {MOST_ROWS} of {len(others)}; `coldfill rejects --to FILE` writes them all."))
    return inbox_fixes.dismissal(snapshot, found) or answered


def _line(cause: Cause) -> parts.Markup:
    """What is wrong and how to fix it; where, and with what number, opens below."""
    said = parts.Markup(f"<strong>{parts.text(cause.says)}</strong>")
    first = cause.rows.iloc[0]
    only, in_files = len(cause.rows) == 1, words.plural(cause.rows["file"].nunique(), "file")
    at = f"{first['file']}, {_place(first)}{_what_stands(first, cause)}" if only else f"in {in_files}"
    return parts.line(said, parts.lines(parts.Markup(f"<br>{parts.text(at)}"), cause.fix), [_where(cause)])


def _where(cause: Cause) -> parts.Markup:
    """The first places, with what stands there; the others fold away."""
    said = [_one(row, cause) for row in each(cause.rows.head(MOST_ROWS))]
    left = len(cause.rows) - MOST_PLACES
    more = [*said[MOST_PLACES:], *([f"and {len(cause.rows) - MOST_ROWS} more"] if len(cause.rows) > MOST_ROWS else [])]
    return parts.Markup(parts.lines(*said[:MOST_PLACES]) + parts.folded(words.plural(left, "more place"), more))


def _one(row: Row, cause: Cause) -> str:
    """'fills-2026-07.csv, line 36: stop_pressure_bar “full”; number b30f314ce8'."""
    number = f"; number {row.problem_id}" if words.known(row.problem_id) else ""
    return f"{row.file}, {_place(row)}{_what_stands(row, cause)}{number}"


def _what_stands(row: Row, cause: Cause) -> str:
    """': stop_pressure_bar “full”', unless the cause says it already."""
    value = f"“{_short(row.value)}”" if words.known(row.value) and not cause.value else ""
    column = str(row.column) if words.known(row.column) and not cause.value else ""
    what = " ".join(word for word in (column, value) if word)
    taken = "; taken without this value" if row.severity == "value" else ""
    return f"{': ' if what else ''}{what}{taken}"


def taken_out(snapshot: Snapshot) -> None:
    """Rows and files that somebody withdrew, by whom and why."""
    out = snapshot.table("withdrawn")
    out = out[out["source"] != "problems"].sort_values("withdrawn_at", ascending=False)
    if out.empty:
        return
    parts.show(
        parts.heading(
            f"Withdrawn: {len(out)}",
            2,
            "Left out of everything computed until it is brought back: `coldfill reinstate`, with what stands first.",
        )
    )
    parts.show(
        parts.table(
            ["What", "Why", "By whom", "Since", "From"],
            [
                (
                    parts.lines(*_what_went(r)),
                    r.reason,
                    r.withdrawn_by,
                    words.clock(r.withdrawn_at, snapshot.zone),
                    parts.lines(
                        *words.listed(r.files),
                        f"given again in {', '.join(again)}: it stays out"
                        if (again := words.listed(r.given_again_in))
                        else "",
                    ),
                )
                for r in each(out.head(MOST_ROWS))
            ],
            says="Withdrawn",
        )
    )


def _what_went(row: Row) -> tuple[str, str]:
    """What was withdrawn, as a command takes it, and how much of it."""
    known = words.known(row.rows_out)
    if row.source == "files":
        return f"files:{str(row.key)[:12]}", words.plural(row.rows_out, "row") if known else ""
    return f"{row.source}:{row.key}", "every version of it" if known and row.rows_out > 1 else ""


def left_as_they_are(snapshot: Snapshot, dismissed: pd.DataFrame) -> None:
    """Problems that somebody decided to leave, and why."""
    if dismissed.empty:
        return
    parts.show(parts.heading(f"Dismissed: {len(dismissed)}", 2, "Rejected as before; somebody decided to leave it so."))
    parts.show(
        parts.table(
            ["Where", "What is wrong", "Why it is left", "By whom", "Since"],
            [
                (
                    parts.lines(r.file, _place(r), f"number: {r.problem_id}"),
                    r.message,
                    r.dismissed_reason,
                    r.dismissed_by,
                    words.clock(r.dismissed_at, snapshot.zone),
                )
                for r in each(dismissed.sort_values("dismissed_at", ascending=False).head(MOST_ROWS))
            ],
            says="Dismissed problems",
        )
    )


def _place(problem) -> str:
    """Where it stands, as a spreadsheet or an editor counts."""
    if words.known(problem.line):
        return f"line {problem.line}"
    return f"row {problem.row_number}" if words.known(problem.row_number) else "the whole file"


def _short(value: str) -> str:
    return value if len(value) <= 60 else value[:57] + "…"


def answered_since(files: pd.DataFrame, still_open: pd.DataFrame, out: pd.DataFrame | None) -> pd.DataFrame:
    """What became of a file's rows since it was read, by its place: taken and withdrawn, rejected and still open.

    The counts of a file say what was found when it was read; what was corrected, settled, dismissed or withdrawn
    later stands beside them.
    """
    open_now = still_open.groupby(["file", "file_sha256"]).size()
    listed = [] if out is None else [row.files for row in each(out) if row.source not in ("files", "problems")]
    gone = pd.Series([name for files_of in listed for name in words.listed(files_of)], dtype="object").value_counts()
    contents = pd.MultiIndex.from_frame(files[["file", "file_sha256"]])
    return pd.DataFrame(
        {
            "open": open_now.reindex(contents).fillna(0).astype(int).to_numpy(),
            "gone": files["file"].map(gone).fillna(0).astype(int).to_numpy(),
        },
        index=files.index,
    )


def _beside(count: int, since: str) -> str:
    return f"{words.number(count)}{f' ({since})' if since else ''}"


def how_old(snapshot: Snapshot, files: pd.DataFrame, since: pd.DataFrame) -> None:
    files = files.assign(still_open=since["open"], gone=since["gone"])
    if files.empty:
        parts.show(parts.heading("What came in, and how old it is", 2))
        parts.show(parts.plain("Nothing yet. Drop files into the station's inbox and run `coldfill run`."))
        return
    by = (
        files.groupby(files["source"].fillna("not recognised"))
        .agg(
            files=("file", "size"),
            read=("rows_read", "sum"),
            taken=("rows_accepted", "sum"),
            rejected=("rows_rejected", "sum"),
            newest=("modified_at", "max"),
            received=("received_at", "max"),
        )
        .reset_index(names="source")
    )
    parts.opens("What came in, and how old it is", "sources_opens", lambda: _by_source(snapshot, by))
    parts.opens(f"All files ({len(files)})", "files_opens", lambda: _each_file(files))


def _by_source(snapshot: Snapshot, by: pd.DataFrame) -> None:
    now = pd.Timestamp.now(tz="UTC")
    parts.show(
        parts.table(
            ["Source", "Files", "Rows read", "Taken", "Rejected", "Newest file of", "Last came in"],
            [
                (
                    r.source.replace("_", " "),
                    words.number(r.files),
                    words.number(r.read),
                    words.number(r.taken),
                    words.number(r.rejected),
                    words.clock(r.newest, snapshot.zone),
                    f"{words.age(r.received, now)} ago" if words.known(r.received) else words.UNKNOWN,
                )
                for r in each(by)
            ],
            figures=(1, 2, 3, 4),
            says="Sources",
        )
    )


def _each_file(files: pd.DataFrame) -> None:
    newest = files.sort_values("received_at", ascending=False)
    parts.show(
        parts.table(
            ["File", "Outcome", "Read", "Taken", "Rejected", "Seen again"],
            [
                (
                    r.file,
                    OUTCOMES.get(r.outcome, r.outcome),
                    words.number(r.rows_read),
                    _beside(r.rows_accepted, f"{words.number(r.gone)} withdrawn since" if r.gone else ""),
                    _beside(r.rows_rejected, _still_open(r)),
                    words.number(r.seen_again),
                )
                for r in each(newest.head(MOST_ROWS))
            ],
            figures=(2, 3, 4, 5),
            says="Files",
        )
    )
    if len(newest) > MOST_ROWS:
        parts.show(parts.note(f"The newest {MOST_ROWS} of {len(newest)}."))


def _still_open(row: Row) -> str:
    """How much of what was rejected is still to be answered."""
    if row.still_open:
        return f"{words.plural(row.still_open, 'problem')} open"
    return "all answered" if words.known(row.rows_rejected) and row.rows_rejected else ""


def passes(snapshot: Snapshot) -> None:
    runs = snapshot.table("runs").sort_values("started_at", ascending=False)
    if runs.empty:
        return
    parts.opens(f"Last runs ({min(len(runs), 8)})", "runs_opens", lambda: _passes(snapshot, runs.head(8)))


def _passes(snapshot: Snapshot, runs: pd.DataFrame) -> None:
    parts.show(
        parts.table(
            ["Began", "Took", "Day taken as today", "Outcome"],
            [
                (
                    words.clock(r.started_at, snapshot.zone),
                    words.number((r.finished_at - r.started_at).total_seconds(), 1, "s")
                    if words.known(r.finished_at)
                    else words.UNKNOWN,
                    words.day(r.as_of_on),
                    r.outcome,
                )
                for r in each(runs)
            ],
            figures=(1,),
            says="Runs",
            kept=True,
        )
    )
