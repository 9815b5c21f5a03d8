"""Folders past this machine that fsspec reads and writes: `s3://bucket/place`, `file:///media/usb/copy` and others.

Keys come from the environment or from the library's own files, as each library does it; never from an address.
"""

import contextlib
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fsspec import AbstractFileSystem

#: the extra that has the library for s3://
EXTRA = "coldfill[address]"
#: on these a file that is being written is there by halves; it is written aside and then renamed
_WRITTEN_IN_PLACE = ("file", "local", "sftp", "ssh")
#: what is written aside
ASIDE = ".new"
#: of an S3 store that does not answer; the libraries' own patience is many minutes
_SECONDS_TO_CONNECT, _SECONDS_TO_READ, _TRIES = 10, 20, 3
#: errors of libraries that mean keys, by their names: the libraries may not be installed
_OF_KEYS: tuple[str, ...] = ("NoCredentialsError", "PartialCredentialsError", "ProfileNotFound")
_OF_KEYS += ("DefaultCredentialsError",)
_OF_KEYS += ("ClientAuthenticationError", "AuthenticationException", "UnauthorizedSSOTokenError", "TokenRetrievalError")


class AddressTrouble(RuntimeError):
    """An address cannot be used now: what is wrong, and what to do."""


def is_address(text: str) -> bool:
    """Whether this names a place by its kind, as `s3://…`, and not a folder of this machine."""
    return re.match(r"[A-Za-z][A-Za-z0-9+.-]+://", text) is not None


def what_is_wrong(address: str) -> tuple[str, str]:
    """What an address may not be, and how to write it; two empty texts where it may be used."""
    good = 'As "s3://bucket/folder".'
    if not is_address(address) or re.search(r"\s", address):
        return "is no address", good
    if re.search(r"[*?\[\]#]|::", address):
        return "holds a character with a meaning of its own (* ? [ ] # ::)", good
    if re.match(r"[^:]+://[^/@]*:[^/@]*@", address):
        return "holds a password", "Keys stand in the environment or in the library's own files, never here."
    if re.match(r"https?://", address):
        return "cannot be written to", good
    if not re.sub(r"^[^:]+://", "", address).strip("/"):
        return "names no folder", good
    return "", ""


class Place:
    """A folder at an address. Names are below it, with `/`. Whatever goes wrong is an `AddressTrouble`."""

    def __init__(self, address: str):
        self.address = address.rstrip("/")
        with self._in_words():
            import fsspec

            protocol = self.address.partition("://")[0]
            made, root = fsspec.core.url_to_fs(self.address, **_options(protocol))
            if protocol in ("s3", "s3a"):
                made.retries = 1  # tried again below it already
            self._system: AbstractFileSystem = made
            self._root = root.rstrip("/")
        self._aside = protocol in _WRITTEN_IN_PLACE

    @property
    def folder(self) -> Path | None:
        """The folder, where it is one of this machine."""
        return Path(self._root) if self.address.partition("://")[0] in ("file", "local") else None

    def read(self, name: str) -> bytes | None:
        """The bytes of a file, or None where there is none."""
        with self._in_words():
            try:
                return self._system.cat_file(self._at(name))
            except (FileNotFoundError, IsADirectoryError, NotADirectoryError):
                return None

    def read_many(self, names: Iterable[str]) -> dict[str, bytes]:
        """The bytes of files, by name, read side by side where the library can; what is not there is left out."""
        wanted = {self._at(name): name for name in names}
        if not wanted:
            return {}
        with self._in_words():
            found = {}
            for path, data in self._system.cat(list(wanted), on_error="return").items():
                if isinstance(data, (FileNotFoundError, IsADirectoryError, NotADirectoryError)):
                    continue
                if isinstance(data, BaseException):
                    raise data
                found[wanted[path]] = data
            return found

    def sizes(self, folder: str) -> dict[str, int]:
        """What lies below a folder: name → bytes; also what is half written."""
        with self._in_words():
            self._system.invalidate_cache()
            try:
                found = self._system.find(self._at(folder), detail=True)
            except (FileNotFoundError, NotADirectoryError):
                return {}
            return {path[len(self._root) + 1 :]: int(info["size"] or 0) for path, info in found.items()}

    def write(self, name: str, data: bytes) -> None:
        """Write a file: whoever reads finds all of it, or what was there before."""
        self.write_many({name: data})

    def write_many(self, files: Mapping[str, bytes]) -> None:
        """Write files side by side where the library can, each as `write` does."""
        with self._in_words():
            ending = ASIDE if self._aside else ""
            self._system.pipe({f"{self._at(name)}{ending}": bytes(data) for name, data in files.items()})
            for name in files if self._aside else ():
                self._system.mv(f"{self._at(name)}{ending}", self._at(name))

    def remove(self, names: Iterable[str]) -> None:
        """Remove files; one that is gone is no matter."""
        paths = [self._at(name) for name in names]
        if paths:
            with self._in_words(), contextlib.suppress(FileNotFoundError):
                self._system.rm(paths)

    def _at(self, name: str) -> str:
        return f"{self._root}/{name}"

    @contextlib.contextmanager
    def _in_words(self) -> Iterator[None]:
        """Any library may be at work here, so any of its errors is one of the address."""
        try:
            yield
        except AddressTrouble:
            raise
        except Exception as error:
            raise AddressTrouble(_words(self.address, error)) from error


def _options(protocol: str) -> dict[str, Any]:
    """How a file system is opened: nothing remembered from an earlier look, and no waiting for ever."""
    options: dict[str, Any] = {"skip_instance_cache": True, "use_listings_cache": False}
    if protocol in ("file", "local"):
        options["auto_mkdir"] = True
    if protocol in ("s3", "s3a"):
        from fsspec.config import conf

        ours: dict[str, Any] = {"connect_timeout": _SECONDS_TO_CONNECT, "read_timeout": _SECONDS_TO_READ}
        ours |= {"retries": {"max_attempts": _TRIES, "mode": "standard"}}
        options["config_kwargs"] = ours | conf.get(protocol, {}).get("config_kwargs", {})
    return options


def _words(address: str, error: BaseException) -> str:
    """An error of a library as a sentence with what to do."""
    kinds = {type(e).__name__ for e in (error, error.__cause__, error.__context__) if e is not None}
    said = " ".join(str(error).split())[:200] or type(error).__name__
    if isinstance(error, ImportError):
        way = f"pip install '{EXTRA}'" if address.startswith(("s3://", "s3a://")) else "Install that library"
        return f"{address} needs a library that is not installed: {said}. {way} beside coldfill."
    if isinstance(error, ValueError) and "Protocol not known" in said:
        return f"{address}: no library knows this kind of address. As s3://bucket/folder."
    if isinstance(error, PermissionError) or kinds & set(_OF_KEYS):
        return (
            f"{address} does not take the keys of this account, or there are none ({said}). coldfill reads none from "
            "station.toml: set them where the library looks for them, for s3:// AWS_ACCESS_KEY_ID and "
            "AWS_SECRET_ACCESS_KEY in the environment or a profile, for the account that runs coldfill. They must "
            "allow to list, read, write and remove there."
        )
    if isinstance(error, FileNotFoundError):
        return f"{address} is not there ({said}). Make its bucket or folder, plug its drive in, or correct the address."
    return f"{address} cannot be reached or used ({type(error).__name__}: {said}). See the network and the address."
