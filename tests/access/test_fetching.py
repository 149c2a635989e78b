"""The keys from an address: all of it within a time and a size, whoever answers there."""

import datetime
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import orjson
import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.serialization import Encoding, NoEncryption, PrivateFormat
from cryptography.x509.oid import NameOID

from cds_service.access import fetching
from cds_service.access.fetching import LARGEST, fetch
from cds_service.access.keyring import NOT_BEFORE, Keyring
from cds_service.errors import NotAllowed

from .tokens import client, ec_key, key_set

PATIENCE = 0.4
HEAD = b"HTTP/1.1 200 OK\r\nContent-Type: application/json\r\n"


@pytest.fixture(autouse=True)
def _impatient(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fetching, "PATIENCE", PATIENCE)


@contextmanager
def answering(answer: Callable[[socket.socket], None]) -> Iterator[str]:
    """Somebody who answers as he likes, until he has said all or the other end has gone away."""
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve() -> None:
            with suppress(OSError):
                while True:
                    connection, _ = listener.accept()
                    with connection, suppress(OSError):
                        answer(connection)

        thread = threading.Thread(target=serve)
        thread.start()
        yield f"127.0.0.1:{listener.getsockname()[1]}"
        listener.shutdown(socket.SHUT_RDWR)
    thread.join(10)
    assert not thread.is_alive(), "the connection is still open"


def dripping(before: bytes) -> Callable[[socket.socket], None]:
    """Says this at once, and then a byte every 20 ms for a minute: no step is ever slow."""

    def answer(connection: socket.socket) -> None:
        if not before.startswith(b"\x16"):
            connection.recv(4096)
        connection.sendall(before)
        for _ in range(3000):
            connection.sendall(b" ")
            time.sleep(0.02)

    return answer


DRIPS = {
    "in the head": ("http", b"HTTP/1.1 200 OK\r\nX-Long: "),
    "in a body of a known length": ("http", HEAD + b"Content-Length: 200000\r\n\r\n{"),
    "in a body without a length": ("http", HEAD + b'\r\n{"keys": []}'),
    "in a body in pieces": ("http", HEAD + b"Transfer-Encoding: chunked\r\n\r\n2000\r\n"),
    # A record of type handshake (RFC 8446, 5.1), long enough never to end.
    "in the handshake": ("https", b"\x16\x03\x03\x40\x00"),
}


@pytest.mark.parametrize(("scheme", "before"), DRIPS.values(), ids=DRIPS)
def test_whoever_sends_a_byte_now_and_then_does_not_hold_us(scheme: str, before: bytes) -> None:
    with answering(dripping(before)) as place:
        began = time.monotonic()
        with pytest.raises(OSError, match=r"."):
            fetch(f"{scheme}://{place}/jwks.json")
        assert PATIENCE / 2 < time.monotonic() - began < PATIENCE + 3


def test_the_keys_of_before_count_while_the_address_drips() -> None:
    now = [1000.0]
    good = HEAD + b"Connection: close\r\n\r\n" + orjson.dumps(key_set()())
    says = [good, HEAD + b'\r\n{"keys": ']

    def answer(connection: socket.socket) -> None:
        if (said := says.pop(0)) is good:
            connection.recv(4096)
            connection.sendall(good)
        else:
            dripping(said)(connection)

    with answering(answer) as place:
        url = f"http://{place}/jwks.json"
        ring = Keyring(client(keys=None, keys_url=url), clock=lambda: now[0])
        ring.key("ec", "ES384")
        now[0] += NOT_BEFORE
        with pytest.raises(NotAllowed, match="no such key"):
            ring.key("unknown", "ES384")
        ring.key("ec", "ES384")


def test_of_what_is_too_large_no_end_is_waited_for() -> None:
    def answer(connection: socket.socket) -> None:
        connection.recv(4096)
        connection.sendall(HEAD + b"\r\n" + b" " * (LARGEST + 1))
        time.sleep(PATIENCE / 2)

    with answering(answer) as place:
        assert len(fetch(f"http://{place}/jwks.json").body) == LARGEST + 1


def certificate(folder: Path) -> tuple[Path, Path]:
    """A certificate for localhost that nobody has signed, and its key."""
    key, now = ec_key(), datetime.datetime.now(datetime.UTC)
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "localhost")])
    made = (
        x509.CertificateBuilder(name, name, key.public_key(), x509.random_serial_number())
        .not_valid_before(now - datetime.timedelta(days=1))
        .not_valid_after(now + datetime.timedelta(days=1))
        .add_extension(x509.SubjectAlternativeName([x509.DNSName("localhost")]), critical=False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), critical=True)
        .sign(key, hashes.SHA384())
    )
    (folder / "own.crt").write_bytes(made.public_bytes(Encoding.PEM))
    (folder / "own.key").write_bytes(
        key.private_bytes(Encoding.PEM, PrivateFormat.PKCS8, NoEncryption())
    )
    return folder / "own.crt", folder / "own.key"


def test_over_tls_only_from_whom_the_machine_trusts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fetching, "PATIENCE", 5.0)
    trusted, key = certificate(tmp_path)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(trusted, key)

    def answer(connection: socket.socket) -> None:
        with context.wrap_socket(connection, server_side=True) as secured:
            secured.recv(4096)
            secured.sendall(HEAD + b"Cache-Control: max-age=7\r\nContent-Length: 2\r\n\r\n{}")

    with answering(answer) as place:
        url = f"https://localhost:{place.partition(':')[2]}/jwks.json"
        with pytest.raises(OSError, match="CERTIFICATE_VERIFY_FAILED"):
            fetch(url)
        monkeypatch.setenv("SSL_CERT_FILE", str(trusted))
        assert fetch(url) == (b"{}", 7)
        with pytest.raises(OSError, match="CERTIFICATE_VERIFY_FAILED"):
            fetch(url.replace("localhost", "127.0.0.1"))
