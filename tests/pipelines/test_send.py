"""The morning sheet by mail and to a web address: real servers on this machine, and every way in which they refuse."""

import json
import socket
import threading
from dataclasses import replace
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, HTTPServer

import pandas as pd
import pytest
import small_station as s
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import AuthResult

from pipelines.publish.send import PASSWORD, SENT, NotSent, send_if_due, send_morning
from pipelines.station.settings import SettingsError, load_station


@pytest.fixture(scope="module")
def published(tmp_path_factory):
    """A station with a hold on a fill of a member."""
    station = s.make(tmp_path_factory.mktemp("mail"))
    s.drop(station, "members.csv", s.MEMBERS)
    s.drop(station, "cylinders.csv", s.CYLINDERS)
    s.drop(station, "fills.csv", [s.fill(3, member_id="M1", co_ppm="400"), s.fill(4)])
    s.run(station)
    return station


class Received:
    def __init__(self):
        self.mails = []

    async def handle_RCPT(self, server, session, envelope, address, rcpt_options):
        if address.startswith("nobody"):
            return "550 no such address"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server, session, envelope):
        self.mails.append((envelope.rcpt_tos, message_from_bytes(envelope.content, policy=policy.default)))
        return "250 OK"


def started(received: Received, **how) -> Controller:
    """A mail server on a port that was free."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    made = Controller(received, hostname="127.0.0.1", port=port, **how)
    made.start()
    return made


@pytest.fixture
def server():
    received = Received()
    controller = started(received)
    received.port = controller.port
    yield received
    controller.stop()


def mailing(station, port: int, **other):
    """The station with [mail] as a person would write it."""
    settings = {"to": ["manager@quay.example"], "sender": "station@quay.example", "host": "127.0.0.1", "port": port,
                "security": "none"} | other  # fmt: skip
    return replace(station, mail=type(station.mail)(**settings))


def test_the_sheet_comes_as_a_page_with_its_counts_in_plain_words(published, server):
    said = send_morning(mailing(published, server.port, to=["manager@quay.example", "second@quay.example"]))
    assert said == "Sent the morning sheet to 2 addresses."
    ((to, mail),) = server.mails
    assert to == ["manager@quay.example", "second@quay.example"]
    assert "do not hand over: 2" in mail["Subject"] and mail["From"] == "station@quay.example"
    plain = mail.get_body(("plain",)).get_content()
    assert "Do not hand over: 2" in plain and "Ines" not in plain
    assert "air is not known to be good: all, for none is in the register" in plain  # no source is in the register
    page = mail.get_body(("html",)).get_content()
    assert "Ines Vard" in page and "<h2>Do not hand over</h2>" in page


def test_sources_that_nobody_tested_and_figures_that_are_older_are_said(published, server, monkeypatch):
    from pipelines.publish.send import counts

    sources = [
        {"source_id": n, "why": w, "passed": p} for n, w, p in (("K1", "", True), ("K2", "", False), ("K3", "x", False))
    ]
    lines = counts(
        {"holds": [], "recall": [], "barred": [], "due": [], "problems": 0, "due_soon_days": 60, "sources": sources}
    )
    assert "Do not fill from, its air failed: K3" in lines
    assert "Sources whose air is not known to be good: K2" in lines
    monkeypatch.setattr("pipelines.publish.send.last_held", lambda _: "The clock lags.")
    send_morning(mailing(published, server.port))
    assert "published nothing, these are older figures. The clock lags." in str(server.mails[0][1].get_body(("plain",)))


def test_it_is_sent_once_a_day_from_its_hour_on_in_local_time(published, server, tmp_path):
    station = mailing(replace(published, time_zone="Pacific/Auckland"), server.port, at="07:00")
    (station.reports / SENT).unlink(missing_ok=True)
    early, due = pd.Timestamp("2026-03-30 17:59", tz="UTC"), pd.Timestamp("2026-03-30 18:00", tz="UTC")  # 06:59, 07:00
    assert send_if_due(station, early) == "" and server.mails == []
    assert send_if_due(station, due).startswith("Sent")
    assert send_if_due(station, due + pd.Timedelta(hours=3)) == "" and len(server.mails) == 1
    assert send_if_due(station, due + pd.Timedelta(days=1)).startswith("Sent")
    (station.reports / SENT).write_text("rubbish")
    assert send_if_due(station, due + pd.Timedelta(days=1)).startswith("Sent")
    assert send_if_due(mailing(published, server.port), due) == ""  # no hour: by hand alone


def test_what_is_refused_says_why_and_stays_due(published, server, monkeypatch):
    with pytest.raises(NotSent, match=r"takes none of the addresses: nobody@quay\.example"):
        send_morning(mailing(published, server.port, to=["nobody@quay.example"]))
    with pytest.raises(NotSent, match=r"did not take nobody@quay\.example; the others have it"):
        send_morning(mailing(published, server.port, to=["manager@quay.example", "nobody@quay.example"]))
    with pytest.raises(NotSent, match="security under"):  # a server that speaks no TLS is not spoken to in clear
        send_morning(mailing(published, server.port, security="starttls"))
    gone = mailing(published, 9, at="00:00")
    (gone.reports / SENT).unlink(missing_ok=True)
    for _ in range(2):
        with pytest.raises(NotSent, match="port 9 could not be used"):
            send_if_due(gone, pd.Timestamp("2026-03-30 12:00", tz="UTC"))
    with pytest.raises(NotSent, match=r"Nothing says where to send it\. Fill in \[mail\]"):
        send_morning(published)
    monkeypatch.delenv(PASSWORD, raising=False)
    with pytest.raises(NotSent, match=PASSWORD):
        send_morning(replace(published, mail=type(published.mail).model_construct(
            to=("manager@quay.example",), sender="s@quay.example", host="127.0.0.1", port=server.port, security="none",
            user="s@quay.example", webhook="", at="",
        )))  # fmt: skip


def test_a_wrong_password_is_named(published, monkeypatch):
    def refuse(*_):
        return AuthResult(success=False, handled=False)

    controller = started(Received(), authenticator=refuse, auth_require_tls=False)
    try:
        port = controller.port
        monkeypatch.setenv(PASSWORD, "wrong")
        mail = type(published.mail).model_construct(
            to=("manager@quay.example",), sender="s@quay.example", host="127.0.0.1", port=port, security="none",
            user="s@quay.example", webhook="", at="",
        )  # fmt: skip
        with pytest.raises(NotSent, match=r"does not take the password of s@quay\.example"):
            send_morning(replace(published, mail=mail))
    finally:
        controller.stop()


@pytest.mark.parametrize("status", [204, 500])
def test_a_web_address_gets_counts_and_no_name(published, status):
    got = []

    class Hook(BaseHTTPRequestHandler):
        def do_POST(self):
            got.append(json.loads(self.rfile.read(int(self.headers["Content-Length"]))))
            self.send_response(status)
            self.end_headers()

        def log_message(self, *_):
            pass

    web = HTTPServer(("127.0.0.1", 0), Hook)
    threading.Thread(target=web.serve_forever, daemon=True).start()
    address = f"http://127.0.0.1:{web.server_port}/hook"
    station = replace(published, mail=type(published.mail)(webhook=address))
    try:
        if status == 204:
            assert send_morning(station).startswith("Sent the morning sheet to 127.0.0.1")
        else:
            with pytest.raises(NotSent, match="did not take it"):
                send_morning(station)
    finally:
        web.shutdown()
        web.server_close()
    assert "Do not hand over: 2" in got[0]["lines"] and "Ines" not in json.dumps(got)


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ('to = ["manager@quay.example"]', "needs host and sender"),
        ('to = ["manager"]\nhost = "h"\nsender = "s@quay.example"', "must be an address"),
        ('to = ["m@quay.example\\nBcc: x@y.example"]\nhost = "h"\nsender = "s@quay.example"', "must be an address"),
        ('webhook = "file:///etc/passwd"', "must be a web address"),
        ('at = "7 am"\nwebhook = "https://chat.example/x"', "must be a time of day"),
        ('at = "07:00"', "nowhere to send to"),
        ('webhook = "https://chat.example/x"\nport = 0', "port"),
        ('to = ["m@quay.example"]\nhost = "h"\nsender = "s@quay.example"\nuser = "u"\nsecurity = "none"', "in clear"),
        ('webhook = "https://chat.example/x"\npassword = "p"', "password"),  # secrets do not stand in this file
    ],
)
def test_settings_that_could_not_send_are_refused_by_name(tmp_path, wrong, says):
    station = s.make(tmp_path)
    with pytest.raises(SettingsError, match=says):
        s.with_settings(station, f"[mail]\n{wrong}")


def test_the_settings_of_the_example_are_taken(tmp_path):
    text = (s.make(tmp_path).folder / "station.toml").read_text(encoding="utf-8")
    block = text[text.index("# [mail]") : text.index("\n\n", text.index("# [mail]"))]
    lines = [line.removeprefix("# ") for line in block.splitlines()]
    mail = s.with_settings(load_station(tmp_path), "\n".join(lines)).mail
    assert mail.is_set and mail.port == 587 and mail.security == "starttls" and mail.at == "07:00"
