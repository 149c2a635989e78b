"""Load on one address, by wrk when it is installed, else by a client of our own.

Run as a program it is that client: `load.py ADDRESS FILE CONNECTIONS SECONDS`, where `etag:TAG`
instead of a file stands for a GET by somebody who has that, `etag:` for any other. It shares the
machine with the server and is slower than wrk, so it flatters the slower of two servers.
"""

import asyncio
import json
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import cast
from urllib.parse import urlsplit

WRK = shutil.which("wrk")

_POST = """
wrk.method = "POST"
wrk.headers["Content-Type"] = "application/fhir+json"
local file = io.open("{file}", "rb")
wrk.body = file:read("*a")
"""
_DONE = """
done = function(summary, latency, requests)
    local e = summary.errors
    io.write(string.format(
        '\\nRESULT {"requests": %d, "seconds": %f, "p50": %f, "p99": %f, "failed": %d}\\n',
        summary.requests, summary.duration / 1e6, latency:percentile(50), latency:percentile(99),
        e.connect + e.read + e.write + e.status + e.timeout))
end
"""


@dataclass(frozen=True)
class Result:
    """One run: times in microseconds."""

    requests: int
    seconds: float
    p50: float
    p99: float
    failed: int

    @property
    def rate(self) -> float:
        return self.requests / self.seconds


def run(address: str, file: Path, connections: int, seconds: float) -> Result:
    """POST the file over and over on so many connections."""
    if WRK is None:
        command = [sys.executable, __file__, address, str(file), str(connections), str(seconds)]
        return _result(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    return _by_wrk(WRK, address, _POST.format(file=file), connections, seconds)


def get(address: str, etag: str, connections: int, seconds: float) -> Result:
    """GET over and over; with an ETag the server is told that we have it."""
    if WRK is None:
        command = [sys.executable, __file__, address, f"etag:{etag}", str(connections)]
        done = subprocess.run([*command, str(seconds)], check=True, capture_output=True, text=True)
        return _result(done.stdout)
    known = f"wrk.headers[\"If-None-Match\"] = '{etag}'\n" if etag else ""
    return _by_wrk(WRK, address, known, connections, seconds)


def _by_wrk(wrk: str, address: str, asked: str, connections: int, seconds: float) -> Result:
    with tempfile.NamedTemporaryFile("w", suffix=".lua") as script:
        script.write(asked + _DONE)
        script.flush()
        options = [
            "-t1",
            "--timeout",
            "30s",
            f"-c{connections}",
            f"-d{max(1, round(seconds))}s",
            "-s",
            script.name,
        ]
        command = [wrk, *options, address]
        return _result(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def _result(output: str) -> Result:
    line = next(line for line in output.splitlines() if line.startswith("RESULT "))
    return Result(**json.loads(line.removeprefix("RESULT ")))


class _Client(asyncio.Protocol):
    """One connection that sends the next request when the answer is complete."""

    def __init__(self, request: bytes, until: float, ended: asyncio.Future[None]) -> None:
        self.request, self.until, self.ended = request, until, ended
        self.times: list[float] = []
        self.failed = 0
        self.good = b"HTTP/1.1 304" if b"If-None-Match" in request[:500] else b"HTTP/1.1 200"
        self.buffer = b""
        self.sent = 0.0

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        # uvloop's transport is an asyncio.Transport in all but its class.
        self.transport = cast("asyncio.Transport", transport)
        self.send()

    def send(self) -> None:
        self.sent = time.perf_counter()
        if self.sent < self.until:
            self.transport.write(self.request)
        else:
            self.transport.close()

    def data_received(self, data: bytes) -> None:
        self.buffer += data
        head = self.buffer.find(b"\r\n\r\n")
        if head < 0:
            return
        if not self.buffer.startswith(b"HTTP/1.1 304"):  # which has no body
            at = self.buffer.lower().find(b"content-length: ", 0, head) + len("content-length: ")
            length = int(self.buffer[at : self.buffer.find(b"\r", at)])
            if len(self.buffer) < head + 4 + length:
                return
        self.times.append(time.perf_counter() - self.sent)
        self.failed += not self.buffer.startswith(self.good)
        self.buffer = b""
        self.send()

    def connection_lost(self, error: Exception | None) -> None:
        self.ended.set_result(None)


async def _load(address: str, file: str, connections: int, seconds: float) -> Result:
    url = urlsplit(address)
    if file.startswith("etag:"):
        etag, body = file.removeprefix("etag:"), b""
        known = f"If-None-Match: {etag}\r\n" if etag else ""
        head = f"GET {url.path} HTTP/1.1\r\nHost: {url.netloc}\r\n{known}\r\n"
    else:
        body = Path(file).read_bytes()
        head = (
            f"POST {url.path} HTTP/1.1\r\nHost: {url.netloc}\r\nContent-Length: {len(body)}\r\n"
            "Content-Type: application/fhir+json\r\n\r\n"
        )
    loop = asyncio.get_running_loop()
    start = time.perf_counter()
    clients = []
    for _ in range(connections):
        client = _Client(head.encode() + body, start + seconds, loop.create_future())
        await loop.create_connection(lambda client=client: client, url.hostname, url.port)
        clients.append(client)
    await asyncio.gather(*(client.ended for client in clients))
    took = time.perf_counter() - start
    times = sorted(each for client in clients for each in client.times)
    p50, p99 = (times[int(len(times) * part)] * 1e6 for part in (0.5, 0.99))
    return Result(len(times), took, p50, p99, sum(client.failed for client in clients))


if __name__ == "__main__":
    import uvloop

    _, address, file, connections, seconds = sys.argv
    found = uvloop.run(_load(address, file, int(connections), float(seconds)))
    print("RESULT " + json.dumps(asdict(found)))
