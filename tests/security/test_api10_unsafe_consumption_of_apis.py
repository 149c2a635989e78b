"""API10:2023 Unsafe Consumption of APIs (OWASP API Security Top 10, editions/2023/en/0xaa).

One thing is taken from another service: the public keys of an issuer. It is not trusted.
"""

import socket
import threading
from collections.abc import Callable

import orjson
import pytest

from cds_service.access.fetching import Fetched, fetch
from cds_service.service import Service
from tests.access.tokens import APPLY, access, claims, client, key_set, signed
from tests.web.sample import body

from .asking import JSON, Asking, bearer

URL = "https://records.marrow-vale.example/jwks.json"


def answering(service: Service, get: Callable[[str], Fetched]) -> Callable[[], int]:
    issuer = client(keys=None, keys_url=URL)
    asking = Asking.of(service, access=access(issuer, get=get))
    numbers = iter(range(100))

    def ask() -> int:
        sent = bearer(signed(claims(jti=f"n{next(numbers)}")))
        return asking("POST", APPLY, JSON, sent, content=body()).status

    return ask


BAD = {
    "nothing": b"", "no JSON": b"<html>", "a list": b"[]", "no keys": b"{}", "keys that are none":
    b'{"keys": 7}', "nested": b'{"keys":' + b"[" * 100_000, "too large": b" " * 300_000 + b"{}",
    "no UTF-8": b"\xff\xfe", "keys of nothing": b'{"keys": [null, 1, "x", {}, [], {"kty": "oct"}]}',
    "a key of odd parts":
    b'{"keys": [{"kty": "EC", "crv": "P-384", "x": "AA", "y": "AA", "kid": "ec"}]}',
    "a type that is a list": b'{"keys": [{"kty": ["EC"], "kid": "ec"}]}',
    "operations that are a number": b'{"keys": [{"kty": "EC", "kid": "ec", "key_ops": 7}]}',
    "an exponent of nothing": b'{"keys": [{"kty": "RSA", "n": "", "e": "", "kid": "ec"}]}',
}  # fmt: skip


@pytest.mark.parametrize("body", BAD.values(), ids=BAD)
def test_whatever_is_sent_as_keys_nobody_is_let_in_and_nothing_breaks(
    service: Service, body: bytes
) -> None:
    ask = answering(service, lambda _: Fetched(body, 600))
    assert [ask(), ask()] == [401, 401]


@pytest.mark.parametrize("fault", [OSError, TimeoutError, ConnectionResetError, ValueError])
def test_an_address_that_fails_lets_nobody_in(service: Service, fault: type[Exception]) -> None:
    def fail(_: str) -> Fetched:
        raise fault("orla-fenn")

    assert answering(service, fail)() == 401


def test_whoever_does_not_speak_http_is_an_address_that_fails() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def answer() -> None:
            connection, _ = listener.accept()
            with connection:
                connection.recv(4096)
                connection.sendall(b"no HTTP at all\r\n\r\n")

        thread = threading.Thread(target=answer)
        thread.start()
        with pytest.raises(OSError, match="BadStatusLine"):
            fetch(f"http://127.0.0.1:{listener.getsockname()[1]}/jwks.json")
        thread.join()


def test_a_fault_that_nobody_foresaw_lets_nobody_in(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    def fail(_: str) -> Fetched:
        raise RuntimeError("orla-fenn")

    assert answering(service, fail)() == 500
    assert "RuntimeError at" in caplog.text


def test_unknown_keys_do_not_make_us_ask_again_and_again(service: Service) -> None:
    asked = []

    def get(url: str) -> Fetched:
        asked.append(url)
        return Fetched(b'{"keys": []}', 0)

    ask = answering(service, get)
    assert {ask() for _ in range(20)} == {401}
    assert asked == [URL]


def test_good_keys_are_taken(service: Service) -> None:
    ask = answering(service, lambda _: Fetched(orjson.dumps(key_set()()), 600))
    assert ask() == 200
