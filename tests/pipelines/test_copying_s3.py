"""The copy on a real S3-compatible server of this machine, through its own library: keys, a store that is away."""

import socket
import threading

import pytest
from test_copying import IDS, NAMES, copy, fills, publish, there, with_people
from test_copying import station as station

from schemas.address import AddressTrouble, Place
from schemas.analysis import open_station

pytestmark = pytest.mark.once
BUCKET = "s3://quay-copies"


@pytest.fixture(scope="module")
def server():
    """A server that knows one account, and refuses every other from then on."""
    pytest.importorskip("s3fs")
    moto = pytest.importorskip("moto.server")
    served = moto.ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    served.start()
    yield "http://{}:{}".format(*served.get_host_and_port())
    served.stop()


@pytest.fixture
def keys(server, monkeypatch):
    """The account of this test; gives what sets others."""

    def use(key="a-key", secret="a-secret", at=server):
        monkeypatch.setenv("AWS_ENDPOINT_URL", at)
        monkeypatch.setenv("AWS_ACCESS_KEY_ID", key)
        monkeypatch.setenv("AWS_SECRET_ACCESS_KEY", secret)
        monkeypatch.setenv("AWS_DEFAULT_REGION", "us-east-1")
        monkeypatch.setenv("AWS_EC2_METADATA_DISABLED", "true")
        for file in ("AWS_CONFIG_FILE", "AWS_SHARED_CREDENTIALS_FILE"):
            monkeypatch.setenv(file, "none-of-this-machine")

    use()
    import s3fs

    s3fs.S3FileSystem(skip_instance_cache=True).mkdirs(BUCKET, exist_ok=True)
    return use


def test_what_is_read_from_the_server_is_what_was_published(station, keys):
    to = f"{BUCKET}/quay"
    station = with_people(station, NAMES, to)
    publish(station, 0, fills(3))
    first = copy(station)
    assert not first.wrong and first.files > 5
    here, far = open_station(station.folder), open_station(to)
    for name in far.tables:
        assert far.table(name).equals(here.table(name)), name
    assert far.samples().equals(here.samples())
    assert far.query("SELECT count(*) AS n FROM fill_quality")["n"].tolist() == [3]
    for hours in (1, 2, 5, 6, 7):
        publish(station, hours, fills(3 + hours))
        assert copy(station, hours).files == 2
    listed = [n for n in there(to) if n.startswith("copies")]
    assert len(listed) == 4 and len(open_station(to).table("fill_quality")) == 10
    assert not copy(with_people(station, IDS, to), 8).wrong
    assert len([n for n in there(to) if n.startswith("copies")]) == 1  # nothing with names stays


def test_a_missing_part_is_sent_again(station, keys):
    station = with_people(station, NAMES, f"{BUCKET}/parts")
    publish(station, 0, fills(3))
    copy(station)
    place = Place(f"{BUCKET}/parts")
    place.remove([open_station(place.address)._copy.tables["people"][0].place])
    publish(station, 1, fills(4))
    assert copy(station, 1).files == 3
    assert len(open_station(place.address).table("people")) == 1


def test_no_keys_no_bucket_and_no_server_are_said_in_words(station, keys, monkeypatch):
    publish(station, 0, fills(1))
    here = with_people(station, NAMES, f"{BUCKET}/words")
    assert "is not there" in copy(with_people(station, NAMES, "s3://no-such-bucket/x")).wrong
    keys(at="http://127.0.0.1:1")
    assert "cannot be reached" in copy(here).wrong
    keys()
    assert not copy(here).wrong
    for name in ("AWS_ACCESS_KEY_ID", "AWS_SECRET_ACCESS_KEY"):
        monkeypatch.delenv(name)
    publish(station, 1, fills(2))
    assert "does not take the keys of this account, or there are none" in copy(here, 1).wrong
    with pytest.raises(AddressTrouble, match="does not take the keys"):
        open_station(f"{BUCKET}/words")
    keys()
    assert not copy(here, 2).wrong and len(open_station(f"{BUCKET}/words").table("fill_quality")) == 2


def test_a_server_that_refuses_the_keys_is_said_in_words(station, keys):
    says = b"<Error><Code>InvalidAccessKeyId</Code><Message>The key is not known here.</Message></Error>"
    head = f"HTTP/1.1 403 Forbidden\r\nContent-Type: application/xml\r\nContent-Length: {len(says)}\r\n\r\n"
    with _answering(head.encode() + says) as at:
        keys(at=at)
        publish(station, 0, fills(1))
        done = copy(with_people(station, NAMES, f"{BUCKET}/refused"))
    assert "does not take the keys of this account" in done.wrong and "a-secret" not in done.wrong


def test_a_server_that_never_answers_is_not_waited_for_for_ever(station, keys, monkeypatch):
    from schemas import address

    monkeypatch.setattr(address, "_SECONDS_TO_READ", 0.2)
    with _answering(b"") as at:
        keys(at=at)
        publish(station, 0, fills(1))
        assert "cannot be reached or used" in copy(with_people(station, NAMES, f"{BUCKET}/silent")).wrong


class _answering:
    """A server that says the same to everything, or nothing."""

    def __init__(self, says: bytes):
        self.says = says

    def __enter__(self) -> str:
        self.listening = socket.create_server(("127.0.0.1", 0))
        self.open: list[socket.socket] = []
        threading.Thread(target=self.serve, daemon=True).start()
        return f"http://127.0.0.1:{self.listening.getsockname()[1]}"

    def serve(self) -> None:
        while True:
            try:
                one, _ = self.listening.accept()
            except OSError:
                return
            self.open.append(one)
            if self.says:
                head, _, _ = self.says.partition(b"\r\n\r\n")
                one.sendall(head + b"\r\n\r\n" if one.recv(65536).startswith(b"HEAD") else self.says)
                one.close()

    def __exit__(self, *_) -> None:
        self.listening.close()
        for one in self.open:
            one.close()
