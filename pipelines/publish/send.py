"""Send the morning sheet where a station has said so: by mail as a page, to a web address as counts without names."""

import json
import os
import smtplib
import ssl
import urllib.error
import urllib.request
from email.message import EmailMessage
from typing import Any

import pandas as pd

from pipelines.publish.reports import Reports
from pipelines.publish.snapshot import write_durably
from pipelines.station.mail import Mail
from pipelines.station.settings import Station
from schemas.snapshot import last_held
from schemas.words import plural

PASSWORD = "COLDFILL_MAIL_PASSWORD"
#: beside the reports: the local day on which the sheet was last sent
SENT = ".morning_sent.json"
_SECONDS = 30.0


class NotSent(RuntimeError):
    """The sheet could not be sent; the message says why and what to do."""


def counts(sheet: dict[str, Any]) -> list[str]:
    """The sheet in lines without a name, worst first; what is unknown is counted as such, never left out."""
    failed = [s["source_id"] for s in sheet["sources"] if s["why"]]
    unsure = [s["source_id"] for s in sheet["sources"] if not s["why"] and not s["passed"]]
    nothing = "none" if sheet["sources"] else "all, for none is in the register"
    return [
        f"Do not hand over: {len(sheet['holds'])}",
        f"Fills to call back: {len(sheet['recall'])}",
        f"Do not fill from, its air failed: {', '.join(failed) or 'none known'}",
        f"Sources whose air is not known to be good: {', '.join(unsure) or nothing}",
        f"May not be filled: {len(sheet['barred'])}",
        f"Due within {sheet['due_soon_days']} days: {len(sheet['due'])}",
        f"Open problems of the files: {sheet['problems']}",
    ]


def send_morning(station: Station) -> str:
    """Send the morning sheet of what is published now; gives a sentence on where it went.

    Raises
    ------
    NotSent
        Nothing says where to, or a server refused, or could not be reached.
    NothingPublished
    """
    mail = station.mail
    if not mail.is_set:
        raise NotSent("Nothing says where to send it. Fill in [mail] in station.toml: to, sender and host, or webhook.")
    reports = Reports(station)
    sheet = reports.morning()
    lines = [f"As of {reports.as_of}.", *counts(sheet)]
    if held := last_held(station.published):
        lines.append(f"The last run published nothing, these are older figures. {held}")
    went = []
    if mail.to:
        _by_mail(mail, " ".join(sheet["title"].split()), lines, reports.page("morning.html", **sheet))
        went.append(f"to {plural(len(mail.to), 'address', 'addresses')}")
    if mail.webhook:
        _to_web(mail.webhook, {"title": sheet["title"], "as_of": reports.as_of, "lines": lines})
        went.append(f"to {mail.webhook.split('/')[2]}")
    return f"Sent the morning sheet {' and '.join(went)}."


def send_if_due(station: Station, now: pd.Timestamp) -> str:
    """Send it if its time of day has come and it was not sent that day; gives a sentence, or '' if it is not due.

    Raises
    ------
    NotSent
        It is due and could not be sent; it stays due.
    """
    if not (station.mail.is_set and station.mail.at):
        return ""
    local = now.tz_convert(station.time_zone)
    record = station.reports / SENT
    if f"{local:%H:%M}" < station.mail.at or _sent_on(record) == f"{local:%Y-%m-%d}":
        return ""
    said = send_morning(station)
    station.reports.mkdir(exist_ok=True)
    write_durably(record, json.dumps({"sent_on": f"{local:%Y-%m-%d}"}))
    return said


def _sent_on(record) -> str:
    try:
        return str(json.loads(record.read_text(encoding="utf-8"))["sent_on"])
    except (OSError, ValueError, KeyError, TypeError):  # never sent, or the note is damaged: once more does no harm
        return ""


def _by_mail(mail: Mail, title: str, lines: list[str], page: str) -> None:
    message = EmailMessage()
    message["Subject"], message["From"], message["To"] = f"{title}: {lines[1].lower()}", mail.sender, ", ".join(mail.to)
    message.set_content("\n".join(lines) + "\n")
    message.add_alternative(page, subtype="html")
    where = f"{mail.host}, port {mail.port}"
    try:
        with _connected(mail) as server:
            if mail.user:
                password = os.environ.get(PASSWORD, "")
                if not password:
                    raise NotSent(f"{PASSWORD} is not set in the environment; the mail server asks {mail.user} for it.")
                server.login(mail.user, password)
            refused = server.send_message(message)
    except smtplib.SMTPAuthenticationError:
        raise NotSent(f"{where} does not take the password of {mail.user}. Set {PASSWORD} anew.") from None
    except smtplib.SMTPRecipientsRefused as error:
        raise NotSent(f"{where} takes none of the addresses: {', '.join(error.recipients)}.") from None
    except (smtplib.SMTPException, ssl.SSLError, OSError) as error:
        raise NotSent(f"{where} could not be used ({error}). See host, port and security under [mail].") from error
    if refused:
        raise NotSent(f"{where} did not take {', '.join(refused)}; the others have it.")


def _connected(mail: Mail) -> smtplib.SMTP:
    if mail.security == "tls":
        return smtplib.SMTP_SSL(mail.host, mail.port, timeout=_SECONDS, context=ssl.create_default_context())
    server = smtplib.SMTP(mail.host, mail.port, timeout=_SECONDS)
    if mail.security == "starttls":
        server.starttls(context=ssl.create_default_context())
    return server


def _to_web(address: str, said: dict[str, Any]) -> None:
    body = json.dumps(said | {"text": "\n".join([said["title"], *said["lines"]])}).encode()
    request = urllib.request.Request(address, body, {"Content-Type": "application/json"}, method="POST")
    try:
        with urllib.request.urlopen(request, timeout=_SECONDS):
            pass
    except (urllib.error.URLError, OSError, ValueError) as error:
        raise NotSent(f"{address.split('/')[2]} did not take it ({error}). See webhook under [mail].") from error
