"""The bare floor of a read: the same bytes from memory, and 304 for who has them.

What a Python service that does nothing would need: ASGI, the headers looked through once.
"""

import os
from pathlib import Path
from typing import Any


def make_app() -> Any:
    """The ASGI application; what it sends is the file named by BENCHMARK_ANSWER."""
    body = Path(os.environ["BENCHMARK_ANSWER"]).read_bytes()
    etag = (b"etag", b'"constant"')
    kind = (b"content-type", b"application/fhir+json; charset=utf-8")
    whole = [kind, (b"content-length", str(len(body)).encode()), etag]

    async def app(scope: Any, receive: Any, send: Any) -> None:
        known = any(name == b"if-none-match" for name, _ in scope["headers"])
        status, headers, sent = (304, [etag], b"") if known else (200, whole, body)
        await send({"type": "http.response.start", "status": status, "headers": headers})
        await send({"type": "http.response.body", "body": sent})

    return app
