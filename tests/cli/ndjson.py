"""recommend --ndjson as the tests call it, in this process or in one of its own."""

import sys

from cds_service import cli

COMMAND = [sys.executable, "-m", "cds_service", "recommend", "--ndjson"]


def bulk(*arguments: object, code: int = 0) -> None:
    assert cli.main(["recommend", "--ndjson", "--jobs", "1", *map(str, arguments)]) == code
