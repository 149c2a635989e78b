"""(a) The bare floor: read the same request, write a constant answer of the same size.

What a Python service that does nothing would need: ASGI, orjson in, orjson out.
"""

import os
from pathlib import Path
from typing import Any

import orjson

HEADERS = [(b"content-type", b"application/fhir+json; charset=utf-8")]


def make_app() -> Any:
    """The ASGI application; the answer is the file named by BENCHMARK_ANSWER."""
    constant = orjson.loads(Path(os.environ["BENCHMARK_ANSWER"]).read_bytes())

    async def app(scope: Any, receive: Any, send: Any) -> None:
        body, more = b"", True
        while more:
            message = await receive()
            body += message.get("body", b"")
            more = message.get("more_body", False)
        orjson.loads(body)
        answer = orjson.dumps(constant)
        length = (b"content-length", str(len(answer)).encode())
        await send({"type": "http.response.start", "status": 200, "headers": [*HEADERS, length]})
        await send({"type": "http.response.body", "body": answer})

    return app
