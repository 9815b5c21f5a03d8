"""Inbox: the runs that begin by themselves: whether their schedule is served, when the next is due, what went wrong."""

import pandas as pd

from dashboard import entry_door, parts
from dashboard.data import Snapshot
from schemas import words
from schemas.schedule_note import ENDED, NEVER, SERVED, UNKNOWN, ScheduledRun, ScheduleNote

#: of its runs so many are listed
MOST_SHOWN = 6
OUTCOMES = {
    "done": "finished",
    "failed": "failed",
    "at work": "at work",
    "broken off": "broken off: it never said that it ended",
    UNKNOWN: "not known whether it has ended",
}


def show(snapshot: Snapshot) -> None:
    """What is known of the schedule, plainly where nothing is."""
    now = entry_door.now()
    said = snapshot.schedule(now)
    at_work = next((run for run in said.runs[:1] if said.outcome(run) == "at work"), None)
    parts.show(parts.heading("Runs that begin by themselves", 2), _state(said, snapshot.zone, now))
    if said.state == SERVED:
        parts.show(
            parts.facts(
                [
                    ("Next run due", words.clock(said.next_due_at, snapshot.zone), f"schedule {said.cron}"),
                    (
                        "At work now",
                        f"since {words.clock(at_work.began_at, snapshot.zone)}" if at_work else "no",
                    ),
                    ("Runs when the inbox changes", "yes" if said.watch else "no"),
                ]
            )
        )
    elif said.state == UNKNOWN:
        parts.show(parts.facts([("Next run due", words.UNKNOWN), ("At work now", words.UNKNOWN)]))
    if said.missing_at is not pd.NaT and not at_work:
        due = words.clock(said.missing_at, snapshot.zone)
        parts.show(parts.bar("A run did not come", 3, f"It was due {due}. coldfill doctor says what is wrong."))
    if said.runs:
        parts.show(
            parts.table(
                ["Began", "Took", "Outcome"],
                [
                    (
                        words.clock(run.began_at, snapshot.zone),
                        _took(run, now) if run.ended_at is not pd.NaT or run is at_work else words.UNKNOWN,
                        parts.lines(OUTCOMES[said.outcome(run)], run.failed),
                    )
                    for run in said.runs[:MOST_SHOWN]
                ],
                figures=(1,),
                says="Runs of the schedule",
            )
        )


def _took(run: ScheduledRun, now: pd.Timestamp) -> str:
    if run.ended_at is pd.NaT:
        return f"{words.age(run.began_at, now)} so far"
    return words.number((run.ended_at - run.began_at).total_seconds(), 1, "s")


def _state(said: ScheduleNote, zone: str, now: pd.Timestamp) -> parts.Markup:
    """Whether anything begins by itself, in a word and a sentence."""
    if said.state == NEVER:
        return parts.bar(
            "Nothing begins by itself",
            1,
            "No schedule has been served here: runs are made by hand, or after an entry. coldfill schedule.",
        )
    if said.state == ENDED:
        at = words.clock(said.ended_at, zone)
        return parts.bar(
            "Ended", 2, f"The schedule was ended {at}; nothing begins by itself since. Start coldfill schedule again."
        )
    if said.state == UNKNOWN:
        heard = (
            f"It last said that it is there {words.clock(said.heard_at, zone)}"
            if words.known(said.heard_at)
            else ("What it says of itself cannot be read")
        )
        return parts.bar(
            "Not known",
            3,
            f"{heard}: it may have ended, or the computer slept. coldfill doctor looks; "
            "coldfill schedule starts it again.",
        )
    last = next((run for run in said.runs if said.outcome(run) in ("done", "failed")), None)
    if last is not None and last.failed:
        return parts.bar("Served, and the last run failed", 3, "The next one tries again; coldfill doctor says more.")
    return parts.bar(
        "Served", 0, f"Since {words.clock(said.since, zone)}, heard of {words.age(said.heard_at, now)} ago."
    )
