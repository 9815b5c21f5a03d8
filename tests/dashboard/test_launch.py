"""The command that serves the pages: this machine alone unless asked, nothing sent anywhere."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from dashboard import charts, launch
from pipelines.cli import serve


def settings(command: list[str]) -> dict[str, list[str]]:
    made: dict[str, list[str]] = {}
    for part in command[: command.index("--")]:
        if part.startswith("--"):
            name, _, value = part[2:].partition("=")
            made.setdefault(name, []).append(value)
    return made


def test_by_default_only_this_machine_is_served():
    made = settings(launch.command(Path("published"), 8501))
    assert made["server.address"] == ["127.0.0.1"]
    assert made["server.allowedHosts"] == ["localhost", "127.0.0.1"]
    assert made["server.port"] == ["8501"]


def test_the_local_network_is_served_only_when_asked_and_then_without_names():
    command = launch.command(Path("published"), 8501, local_network=True)
    assert settings(command)["server.address"] == ["0.0.0.0"]
    assert "--local-network" in command[command.index("--") :]
    assert "--local-network" not in launch.command(Path("published"), 8501)


@pytest.mark.parametrize(("role", "member"), [("diver", "M-03"), ("operator", ""), ("", ""), ("manager", "M-03")])
def test_the_pages_are_started_in_the_role_and_of_the_member_that_were_asked_for(role, member):
    command = launch.command(Path("published"), 8501, role=role, member_id=member)
    asked = command[command.index("--") + 1 :]
    assert asked[2:] == [*(["--role", role] if role else []), *(["--member", member] if member else [])]


def test_nothing_is_reported_nothing_is_asked_and_no_trace_is_shown():
    made = settings(launch.command(Path("published"), 8501))
    assert made["browser.gatherUsageStats"] == ["false"]
    assert made["server.showEmailPrompt"] == ["false"]
    assert made["server.headless"] == ["true"]
    assert made["client.showErrorDetails"] == ["none"]
    assert made["server.fileWatcherType"] == ["none"]


def test_the_environment_finds_the_packages_and_leaves_what_was_set():
    made = launch.environment({"PYTHONPATH": "elsewhere", "LANG": "C"})
    assert made["LANG"] == "C"
    assert made["PYTHONPATH"].split(launch.os.pathsep) == [str(launch.APP.parent.parent), "elsewhere"]


def test_a_busy_port_is_passed_over():
    import socket

    with socket.socket() as busy:
        busy.bind((launch.LOOPBACK, 0))
        busy.listen()
        assert launch.free_port(busy.getsockname()[1]) != busy.getsockname()[1]


def test_text_of_the_pages_reads_in_daylight():
    """Contrast of at least 7 to 1, the enhanced level of WCAG 2.2, success criterion 1.4.6."""

    def luminance(color: str) -> float:
        parts = [int(color[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    def contrast(one: str, other: str) -> float:
        low, high = sorted((luminance(one), luminance(other)))
        return (high + 0.05) / (low + 0.05)

    style = (launch.APP.parent / "style.css").read_text(encoding="utf-8")

    def colours(place: int) -> dict[str, str]:
        stated = style.split(":root {")[place].split("}")[0].split(";")
        return dict(part.strip().split(": ") for part in stated if part.strip())

    light, dark = colours(1), colours(2)
    assert light.keys() == dark.keys()
    for of, pages in (("light", light), ("dark", dark)):
        theme = launch.THEMES[of]
        for ink in ("--ink", "--quiet", "--mark"):
            assert contrast(pages[ink], theme["backgroundColor"]) >= 7
            assert contrast(pages[ink], theme["secondaryBackgroundColor"]) >= 7
        assert contrast(pages["--mark"], pages["--on-mark"]) >= 7 <= contrast(theme["primaryColor"], pages["--on-mark"])
        assert contrast(theme["textColor"], theme["secondaryBackgroundColor"]) >= 7
    drawn = {name: {"light": name, "dark": other} for name, other in charts.IN_DARK.items()}
    for of in ("light", "dark"):
        paper = drawn[charts.PAPER][of]
        assert paper.upper() == launch.THEMES[of]["backgroundColor"]
        assert contrast(drawn[charts.INK][of], paper) >= 7
        assert min(contrast(drawn[mark][of], paper) for mark in (charts.INDIGO, charts.PLUM, charts.SKY)) >= 3
        assert contrast(drawn[charts.INK][of], drawn[charts.SKY][of]) >= 4.5  # a figure in a bar


SECRETS = """[auth]
redirect_uri = "https://station.example/oauth2callback"
cookie_secret = "0123456789012345678901234567890123456789"
client_id = "the-pages"
client_secret = "given by the provider"
server_metadata_url = "https://provider.example/.well-known/openid-configuration"
"""


def test_with_sign_in_people_come_by_the_address_the_provider_sends_them_back_to(tmp_path):
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS, encoding="utf-8")
    command = launch.command(Path("published"), 8501, secrets=secrets)
    made = settings(command)
    assert made["server.address"] == ["127.0.0.1"]
    assert made["server.allowedHosts"] == ["localhost", "127.0.0.1", "station.example"]
    assert made["secrets.files"] == [str(secrets)]
    assert "--sign-in" in command[command.index("--") :]
    assert not [part for part in command if "given by the provider" in part]


@pytest.mark.parametrize(
    "old, new, named",
    [
        ('client_id = "the-pages"', "", "client_id"),
        ("https://station.example/oauth2callback", "http://station.example/oauth2callback", "https"),
        ("station.example/oauth2callback", "station.example/", "oauth2callback"),
        ("0123456789012345678901234567890123456789", "short", "cookie_secret"),
        ("[auth]", "[auth", "not TOML"),
    ],
)
def test_secrets_that_lack_something_are_refused_before_anything_is_served(tmp_path, old, new, named):
    secrets = tmp_path / "secrets.toml"
    secrets.write_text(SECRETS.replace(old, new), encoding="utf-8")
    with pytest.raises(ValueError, match=named):
        launch.command(Path("published"), 8501, secrets=secrets)


def test_no_secrets_no_sign_in_and_none_for_a_phone_beside_the_compressor(tmp_path):
    with pytest.raises(ValueError, match="does not exist"):
        launch.command(Path("published"), 8501, secrets=tmp_path / "none.toml")
    with pytest.raises(ValueError, match="not both"):
        launch.command(Path("published"), 8501, True, secrets=tmp_path / "none.toml")


def test_the_local_network_is_answered_by_this_machines_own_names_and_numbers_alone():
    """A name that another site lets point here (DNS rebinding) gets no answer."""
    command = launch.command(Path("published"), 8501, local_network=True)
    hosts = [a.partition("=")[2] for a in command if a.startswith("--server.allowedHosts=")]
    assert {"localhost", "127.0.0.1", *launch.own_addresses()} <= set(hosts)
    assert not [h for h in hosts if "*" in h]


@pytest.mark.parametrize("asked", [True, False])
def test_pages_that_were_asked_to_have_people_sign_in_do_or_are_not_served(tmp_path, monkeypatch, asked):
    started: list[list[str]] = []

    class Child:
        def __init__(self, command, env):
            started.append(command)

        def wait(self):
            return 0

        poll = wait

    monkeypatch.setattr(serve, "free_port", lambda port: None)
    monkeypatch.setattr(serve.subprocess, "Popen", Child)
    station = SimpleNamespace(folder=tmp_path, published=tmp_path / "published", name="Quay")
    if asked:
        with pytest.raises(ValueError, match="does not exist"):
            serve.serve(station, 8501, browser=False, sign_in=True)
        (tmp_path / ".streamlit").mkdir()
        (tmp_path / ".streamlit" / "secrets.toml").write_text(SECRETS)
    serve.serve(station, 8501, browser=False, sign_in=asked)
    (command,) = started
    assert ("--sign-in" in command[command.index("--") :]) is asked
