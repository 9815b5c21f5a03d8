"""A form that logs one row: fields begun with what is likely, reasons beside what is refused, saved once.

A form is opened with a token, which names its widgets and its file. What fields are begun with is settled when it is
opened, so that a newer snapshot never changes what somebody is about to save.
"""

import datetime as dt
import hashlib
import math
import threading
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from typing import Any

import pandas as pd
import streamlit as st

from dashboard import entry_door, parts
from dashboard.data import Snapshot
from dashboard.unit_field import FIGURES, read_figure
from schemas import reading_units, typed_day, words
from schemas.entries import NotSaved, new_token, nth_token
from schemas.fields import Field
from schemas.typed_number import NotANumber, as_typed

#: a form that has stood open for longer is shown once more before it is saved
_OPEN_TOO_LONG = pd.Timedelta(hours=3)
_WIDTH = 148
_DAY_WIDTH = 208
#: days that are listed; any other is typed
_DAYS_BACK, _DAYS_AHEAD = 60, 120
#: a press that is lost on its way leaves the page as it is
NOT_YET = "Nothing is saved until this page says 'Saved'. If it does not, press again: it makes one row."
#: by which a typed time may run ahead of the clock
_AHEAD = pd.Timedelta(minutes=2)
#: who logged last in this browser
_WHO = "logged_by"
_SAVED = "forms_saved"
_ONE_SAVES = threading.Lock()


def who_field(snapshot: Snapshot) -> None:
    """Who puts things right on a page of several small forms, asked once."""
    begun = snapshot.viewer.named or st.session_state.get(_WHO, "")
    parts.show(parts.note(NOT_YET))
    typed = st.text_input("Who you are", begun, key="who_for_all", placeholder="name or initials", width=260)
    st.session_state[_WHO] = typed


def who_logs() -> str:
    """Who was typed there, or logged last in this browser."""
    return st.session_state.get(_WHO, "")


def just_saved(*about: str) -> list[str]:
    """Kinds of forms about any of these that were saved since this was last asked."""
    saved = st.session_state.get(_SAVED, {})
    return [kind for each in dict.fromkeys(about) for kind in saved.pop(each, [])]


def open_anew(kind: str, about: str) -> None:
    """Let go of what stands in an open form: what it is about has changed."""
    for units in reading_units.CHOICES:
        st.session_state.pop(_place(kind, about, units), None)


def _place(kind: str, about: str, units: str) -> str:
    return f"form_{kind}_{about}_{units}"


class EntryForm:
    """One open form, by what it is about; opened `anew` it forgets what it was begun with.

    Its fields go inside an `st.form`; `submitted` is the last of it.
    """

    def __init__(self, snapshot: Snapshot, kind: str, source: str, about: str, page: str, *, anew: bool = False):
        self.snapshot, self.kind, self.source, self.page = snapshot, kind, source, page
        #: figures are typed in these; whoever turns to others opens another form
        self.units = reading_units.current()
        self._about = about
        self._place = _place(kind, about, self.units)
        if anew or self._place not in st.session_state:
            st.session_state[self._place] = {"token": new_token(entry_door.now()), "begun": {}, "reasons": {}}
            entry_door.expect_entry(snapshot, kind)
        self._open: dict[str, Any] = st.session_state[self._place]
        self.token: str = self._open["token"]
        self.row: dict[str, Any] = {}
        #: rows of other sources that are saved with it
        self.also: list[tuple[str, dict[str, Any]]] = []
        self.by = ""
        self._slots: dict[str, Any] = {}
        self._moments: dict[str, tuple[dt.date | None, dt.time | None]] = {}
        #: why what was typed cannot be a day, or a figure
        self._unread: dict[str, list[str]] = {}
        #: how a question ends → given the row with its moments, the question or nothing; each asked once
        self.doubts: dict[str, Callable[[Mapping[str, Any]], str]] = {}
        #: columns whose several values make an entry each, all saved by one press
        self.each: dict[str, Sequence[str]] = {}

    @property
    def key(self) -> str:
        """What identifies a row that has no name of its own: by the moment the form was opened."""
        return f"{self.token[:8]}-{self.token[9:13]}-{self.token[-4:]}"

    def begun(self, name: str, value: Any) -> Any:
        """What a field was begun with when the form was opened."""
        return self._open["begun"].setdefault(name, value)

    # --- fields -------------------------------------------------------------------------------
    def number(self, label: str, field: Field, value: float | None = None) -> float | None:
        """A figure; beyond its bounds, or where it could be two, it is refused with its reason, not cut.

        Label and value are metric; it is asked for, and held in the row, in the reader's unit.
        """
        how = reading_units.shown(reading_units.unit_of(field.name))
        begun = self.begun(field.name, None if value is None else as_typed(_to_type(float(value), how)))
        with self._field(field.name):
            # a browser's own field for numbers keeps from us what was typed, and with it a mark of thousands
            text = st.text_input(reading_units.label(label), begun, key=self._key(field.name), autocomplete=FIGURES)
        self.row[field.name] = None
        try:
            self.row[field.name] = read_figure(text, field)
        except NotANumber as why:
            self._unread[field.name] = [str(why)]
        return self.row[field.name]

    def text(self, label: str, field: Field, value: str = "", width: int = _WIDTH) -> str:
        """A text."""
        with self._field(field.name, width):
            typed = st.text_input(label, self.begun(field.name, value), key=self._key(field.name))
        self.row[field.name] = typed
        return typed

    def choice(
        self,
        label: str,
        field: Field,
        choices: Sequence[str],
        value: str | None = None,
        *,
        said: Mapping[str, str] | None = None,
        other: bool = False,
        width: int = _WIDTH,
    ) -> str | None:
        """One of several; with `other` also a new one."""
        begun = self.begun(field.name, value)
        listed = self.begun(f"{field.name} choices", list(dict.fromkeys([*choices, *([begun] if begun else [])])))
        with self._field(field.name, width):
            chosen = st.selectbox(
                label,
                listed,
                listed.index(begun) if begun in listed else None,
                format_func=parts.label(said or {}),
                key=self._key(field.name),
                placeholder="choose" if not other else "choose or type",
                accept_new_options=other,
            )
        self.row[field.name] = chosen
        return chosen

    def moment(self, field: Field) -> None:
        """A moment at the station; left empty it is the moment of saving."""
        with self._field(field.name, _DAY_WIDTH + _WIDTH + 24), st.container(horizontal=True):
            day = self._day("Day, if not today", field.name, None, f"{field.name}_day")
            hour = st.time_input(
                "Time, if not just now", None, key=self._key(f"{field.name}_hour"), step=60, width=_WIDTH
            )
        self._moments[field.name] = (day, hour)

    def at_saving(self, field: Field) -> None:
        """A moment that nobody types: that of saving."""
        self._moments[field.name] = (None, None)

    def day(
        self,
        label: str,
        field: Field,
        value: dt.date | None = None,
        *,
        ahead: bool = False,
        month_will_do: bool = False,
        may_be_recent: bool = True,
    ) -> None:
        """A day, chosen or typed as people say it; `ahead`: one that is to come.

        `month_will_do`: a month alone is its first day; without `may_be_recent` no days are listed to choose from.
        """
        with self._field(field.name, _DAY_WIDTH):
            self.row[field.name] = self._day(
                label,
                field.name,
                self.begun(field.name, value),
                field.name,
                ahead=ahead,
                month_will_do=month_will_do,
                may_be_recent=may_be_recent,
            )

    def _day(
        self,
        label: str,
        column: str,
        begun: dt.date | None,
        key: str,
        *,
        ahead: bool = False,
        month_will_do: bool = False,
        may_be_recent: bool = True,
    ) -> dt.date | None:
        today = self.begun("today", entry_door.today(self.snapshot))
        most = _DAYS_AHEAD if ahead else _DAYS_BACK if may_be_recent else 0
        listed = [today + dt.timedelta(n if ahead else -n) for n in range(most)]
        listed = sorted({*listed, *([begun] if begun else [])}, reverse=not ahead)
        chosen = st.selectbox(
            label,
            listed,
            listed.index(begun) if begun else None,
            format_func=lambda day: typed_day.said(day, today) if isinstance(day, dt.date) else str(day),
            key=self._key(key),
            placeholder="pick, or type 3 May" if not month_will_do else "May 2019 will do",
            accept_new_options=True,
            filter_mode="prefix",
            width=_DAY_WIDTH,
        )
        self._unread.pop(column, None)
        if not isinstance(chosen, str):
            return chosen
        try:
            return typed_day.typed_day(chosen, today, ahead=ahead, month_will_do=month_will_do)
        except typed_day.NotADay as why:
            self._unread[column] = [str(why)]
            return None

    def who(self, label: str, column: Field | None = None) -> None:
        """Who logs it; also into `column`, where the row says it too."""
        with self._field("entered_by"):
            begun = self.begun("entered_by", self.snapshot.viewer.named or st.session_state.get(_WHO, ""))
            self.by = st.text_input(label, begun, key=self._key("entered_by"), placeholder="name or initials")
        if column is not None:
            self.row[column.name] = self.by

    def _field(self, name: str, width: int = _WIDTH) -> Any:
        box = st.container(width=width, gap=None)
        with box:
            inside = st.container()
            self._slots[name] = st.empty()
        return inside

    def _key(self, name: str) -> str:
        return f"{self.token}_{name}"

    def unread(self, field: Field) -> list[str]:
        """Why what stands in a field now cannot be read."""
        return self._unread.get(field.name, [])

    def refused(self, names: Iterable[str]) -> bool:
        """Whether one of these was refused when it was last tried."""
        return any(name in self._open["reasons"] for name in names)

    @property
    def was_refused(self) -> bool:
        """Whether the last try was not saved."""
        return bool(self._open.get("said"))

    # --- saving -------------------------------------------------------------------------------
    def submitted(self, label: str, *, reminds: bool = True, folded: Collection[str] = ()) -> None:
        """The button that saves; then what was said of the last try stands beside its fields.

        `reminds`: say that nothing is saved before the page says so, for a press may be lost on its way.
        `folded`: fields that may be folded away, of which the reason stands at the button too.
        """
        pressed = st.form_submit_button(label, type="primary", key=self._key("save"))
        below = st.empty()
        if reminds:
            parts.show(parts.note(NOT_YET))
        if pressed:
            self._try(label)
        for name, reasons in self._open["reasons"].items():
            if name in self._slots:
                self._slots[name].html(parts.refusal(reasons))
        if said := self._open.get("said"):
            away = [rs for n, rs in self._open["reasons"].items() if n not in self._slots or n in folded]
            elsewhere = [reason for reasons in away for reason in reasons]
            below.html(parts.bar(said, 4, parts.lines(*elsewhere)))

    def _try(self, label: str) -> None:
        self._open["reasons"], self._open["said"] = {}, ""
        moment = entry_door.now()
        opened = pd.Timestamp(self.token[:15]).tz_localize("UTC")
        if moment - opened > _OPEN_TOO_LONG and not self._open.get("looked_at"):
            self._open["looked_at"] = True
            self._open.pop("now", None)
            self._open["said"] = (
                f"Not saved yet: this form has stood open since {words.clock(opened, self.snapshot.zone)}. "
                f"Look whether its figures still hold, then press {label!r} again."
            )
            return
        try:
            if self._unread:
                raise NotSaved("look at what is marked.", self._unread)
            # pressed twice, it is the same moment
            self._stamp(self._open.setdefault("now", moment))
            by = self._signed()
            with _ONE_SAVES:  # of two who press in one moment, one sees what the other has saved
                self._ask(label)
                files = {
                    entry_door.save(self.snapshot, self.kind, source, row, by, self.page, token, self.units).file: row
                    for token, source, row in self._entries()
                }
        except NotSaved as why:
            self._open["reasons"] = {n: [_of_a_field(n, r) for r in rs] for n, rs in why.reasons.items()}
            self._open["said"] = str(why)
            self._open.pop("now", None)  # what is saved after a correction happened then
            return
        st.session_state[_WHO] = self.by
        listed, answered = st.session_state.setdefault("saved_entries", []), st.session_state.get("answered_at", {})
        listed[:] = [file for file in listed if file not in answered]  # what was saved now is answered now
        listed += [file for file in files if file not in listed]
        fills = st.session_state.setdefault("saved_fills", {})
        fills |= {file: row["fill_id"] for file, row in files.items() if row.get("fill_id")}
        self._close()

    def _ask(self, label: str) -> None:
        """What may be meant otherwise is asked about before it is saved, and the same question once."""
        asked = self._open.setdefault("asked", [])
        for otherwise, doubt in self.doubts.items():
            if (why := doubt(self.row)) and why not in asked:
                asked.append(why)
                raise NotSaved(f"{why} {otherwise}, press {label!r} again.")

    def _entries(self) -> list[tuple[str, str, dict[str, Any]]]:
        """Each row of a source with a token that follows from the form's, so that a second press makes none anew."""
        own = [(self.token, self.source, self.row)]
        for column, values in self.each.items():
            if values:
                more = [hashlib.sha256(f"{self.token}|{v}".encode()).hexdigest()[:16] for v in values]
                tokens = [self.token, *(f"{self.token[:16]}{m}" for m in more[1:])]
                own = [(t, self.source, self.row | {column: v}) for t, v in zip(tokens, values, strict=True)]
                break
        return own + [(nth_token(self.token, n), source, row) for n, (source, row) in enumerate(self.also, 1)]

    def _close(self) -> None:
        """What was saved stands elsewhere; the next form is a new one."""
        del st.session_state[self._place]
        st.session_state.setdefault(_SAVED, {}).setdefault(self._about, []).append(self.kind)
        st.rerun()

    def _stamp(self, at_once: pd.Timestamp) -> None:
        """Put the moments into the row, those left empty as `at_once`."""
        here = at_once.tz_convert(self.snapshot.zone)
        for name, (day, hour) in self._moments.items():
            if day is None and hour is None:
                self.row[name] = at_once
                continue
            if hour is None:
                raise NotSaved("look at what is marked.", {name: ["Give the time of that day too."]})
            local = pd.Timestamp(dt.datetime.combine(day or here.date(), hour))
            stamped = local.tz_localize(self.snapshot.zone, ambiguous=True, nonexistent="shift_forward")
            if day is None and stamped > at_once + _AHEAD:
                raise NotSaved("look at what is marked.", {name: ["That is later than now: give the day too."]})
            self.row[name] = stamped.tz_convert("UTC").as_unit("us")

    def _signed(self) -> str:
        """Who logs it, and where somebody else has signed in, who that is."""
        own, typed = self.snapshot.viewer.named, self.by.strip()
        return f"{typed} (signed in: {own})" if own and typed and typed != own else typed or own


def _of_a_field(name: str, reason: str) -> str:
    """A reason as it stands beside a field: there are no cells and no columns there."""
    return "Needed: nothing is saved without it." if reason == f"A required cell is empty: {name}." else reason


def _to_type(value: float, how: reading_units.Shown) -> float:
    """A metric figure as a field is begun with it; of a pressure none above what was permitted."""
    if how.unit == "psi":
        return how.down(value)
    if how.unit == "bar":
        return math.floor(10.0 * value + 1e-6) / 10.0
    return round(float(how.of(value)), 2 if how.of(1.0) == 1.0 and how.unit != "°C" else 1)
