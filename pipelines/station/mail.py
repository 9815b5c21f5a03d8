"""`[mail]` in `station.toml`: where the morning sheet is sent, and how."""

import re
from typing import Annotated, Any, Self

from pydantic import AfterValidator, model_validator

from pipelines.station.settings_words import Mistake, Mistakes, Table, Texts, number, one_of, wrong

_ADDRESS = re.compile(r"[^@\s,;<>\"]+@[^@\s,;<>\"]+")


def _address(value: str) -> str:
    if value and not _ADDRESS.fullmatch(value):
        raise wrong("must be an address", 'from = "station@quay.example"')
    return value


def _addresses(value: tuple[str, ...]) -> tuple[str, ...]:
    for one in value:
        if not _ADDRESS.fullmatch(one):
            raise wrong(f"{one!r} must be an address", 'to = ["manager@quay.example"]')
    return value


def _web(value: str) -> str:
    if value and not re.match(r"https?://[^\s/]+", value):
        raise wrong("must be a web address", 'webhook = "https://chat.example/hook"')
    return value


def _clock(value: str) -> str:
    if value and not re.fullmatch(r"([01]\d|2[0-3]):[0-5]\d", value):
        raise wrong("must be a time of day", 'at = "07:00"')
    return value


class Mail(Table):
    """Where to send the morning sheet; nothing is sent while it names neither addresses nor a web address."""

    to: Annotated[Texts, AfterValidator(_addresses)] = ()
    sender: Annotated[str, AfterValidator(_address)] = ""
    host: str = ""
    port: Annotated[number(int, 1, 65535), AfterValidator(int)] = 587  # type: ignore[valid-type]
    security: one_of("starttls", "tls", "none") = "starttls"  # type: ignore[valid-type]
    user: str = ""
    webhook: Annotated[str, AfterValidator(_web)] = ""
    at: Annotated[str, AfterValidator(_clock)] = ""

    @property
    def is_set(self) -> bool:
        """Whether there is anywhere to send it."""
        return bool(self.to or self.webhook)

    @model_validator(mode="after")
    def _whole(self) -> Self:
        missing: list[Any] = []
        if self.to and not (self.host and self.sender):
            missing.append(
                Mistake(("to",), list(self.to), "needs host and sender", 'host = "smtp.quay.example" and sender = "…"')
            )
        if self.user and self.security == "none":
            missing.append(
                Mistake(("security",), self.security, "would send the password in clear", 'security = "starttls"')
            )
        if self.at and not self.is_set:
            missing.append(Mistake(("at",), self.at, "has nowhere to send to", "Name to or webhook."))
        if missing:
            raise Mistakes(missing)
        return self
