"""As much of curl as README.md and docs/ use, for a machine without it."""

import argparse
import sys
from pathlib import Path
from urllib.parse import quote

import httpx

FORM = {"content-type": "application/x-www-form-urlencoded"}


def main(arguments: list[str]) -> int:
    """Exit code 22 for an HTTP error, as `curl -f`; 2 for an option that is not known here."""
    asked = _parser().parse_args(arguments)
    headers = dict(each.split(": ", 1) for each in asked.H)
    body = None
    if asked.form:
        name, _, value = asked.form.partition("=")
        headers, body = headers | FORM, f"{name}={quote(value, safe='')}".encode()
    if asked.data:
        body = Path(asked.data.removeprefix("@")).read_bytes()
    method = asked.X or ("GET" if body is None else "POST")
    answer = httpx.request(method, asked.address, content=body, headers=headers)
    if answer.is_error:
        return 22
    if asked.D:
        lines = (f"{name}: {value}\r\n" for name, value in answer.headers.items())
        Path(asked.D).write_text("".join(lines))
    if asked.o:
        Path(asked.o).write_bytes(answer.content)
    else:
        sys.stdout.buffer.write(answer.content)
    return 0


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser("curl", allow_abbrev=False)
    parser.add_argument("-sf", action="store_true")
    parser.add_argument("-H", action="append", default=[])
    for short in ("-X", "-D", "-o"):
        parser.add_argument(short)
    parser.add_argument("--data-binary", dest="data")
    parser.add_argument("--data-urlencode", dest="form")
    parser.add_argument("address")
    return parser


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
