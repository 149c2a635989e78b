"""Whether the keys of issuers can be had now: all asked at once, and told in words."""

import socket
import ssl
import threading
from pathlib import Path

import orjson
import pytest

from cds_service.access import fetching
from cds_service.access.fetching import Fetched
from cds_service.access.looking import Looked, looked_at

from .test_fetching import HEAD, answering, certificate, dripping
from .tokens import CLIENT, client, ec_key, key_set, public, server


def told(answer: bytes, url: str = "/jwks.json") -> Looked:
    def say(connection: socket.socket) -> None:
        connection.recv(4096)
        connection.sendall(answer)

    with answering(say) as place:
        (found,) = looked_at([client(keys=None, keys_url=f"http://{place}{url}")])
        return found


def body(said: object) -> bytes:
    return HEAD + b"Connection: close\r\n\r\n" + orjson.dumps(said)


def test_usable_keys_are_counted_wherever_they_are(tmp_path: Path) -> None:
    (tmp_path / "keys.json").write_bytes(orjson.dumps({"keys": [public(ec_key(), "one")]}))
    issuers = [client(), server(keys=None, keys_file=tmp_path / "keys.json")]
    assert [each.keys for each in looked_at(issuers)] == [2, 1]
    assert told(body(key_set()())) == (CLIENT, 2, ())


@pytest.mark.parametrize(
    ("answer", "why"),
    [
        (b"HTTP/1.1 404 Not Found\r\nContent-Length: 0\r\n\r\n", "it answers with status 404"),
        (b"HTTP/1.1 302 Found\r\nLocation: http://127.0.0.1/\r\n\r\n", "with status 302"),
        (b"no HTTP", "gives no keys: BadStatusLine"),
        (body([]), "does not answer with a JWK Set"),
        (HEAD + b"Connection: close\r\n\r\n{", "does not answer with a JWK Set"),
        (body({"keys": [public(ec_key(), "one")] * 2}), "a JWK Set of different keys"),
        (body({"keys": []}), "has no public key for RS384"),
    ],
)
def test_an_address_without_keys_keeps_the_service_from_nothing_but_its_tokens(
    answer: bytes, why: str
) -> None:
    found = told(answer)
    (said,) = found.wrong
    assert found.keys == 0
    assert why in said
    assert "starts all the same, but refuses the tokens of this issuer until" in said


def test_a_certificate_that_nobody_trusts_is_told(tmp_path: Path) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*certificate(tmp_path))

    def answer(connection: socket.socket) -> None:
        context.wrap_socket(connection, server_side=True).close()

    with answering(answer) as place:
        url = f"https://localhost:{place.partition(':')[2]}/jwks.json"
        (found,) = looked_at([client(keys=None, keys_url=url)])
    assert "gives no keys: its certificate is not to be trusted: self" in found.wrong[0]


def test_nobody_there_is_told() -> None:
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    (refused,) = looked_at([client(keys=None, keys_url=f"http://127.0.0.1:{port}/jwks.json")])
    assert "gives no keys: Connection refused" in refused.wrong[0]


def test_all_are_asked_at_once_and_within_their_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fetching, "PATIENCE", 0.4)
    with answering(dripping(HEAD + b"Content-Length: 200000\r\n\r\n{")) as place:
        slow = client(keys=None, keys_url=f"http://{place}/jwks.json")
        (found,) = looked_at([slow])
        assert "gives no keys: " in found.wrong[0]

    together = threading.Barrier(8, timeout=10)

    def get(_: str) -> Fetched:
        together.wait()
        return Fetched(orjson.dumps(key_set()()), 0)

    names = [f"https://{number}.example" for number in range(8)]
    issuers = [client(issuer=name, keys=None, keys_url=f"{name}/keys") for name in names]
    assert [each.issuer for each in looked_at(issuers, get)] == names
