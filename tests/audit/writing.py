"""Run by the tests in a process of its own: append entries, print each index once acknowledged.

Usage: writing.py FILE COUNT
"""

import asyncio
import itertools
import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from cds_service.audit.sqlite import SqliteStore
from tests.audit.conftest import entry
from tests.logs import open_log


async def one_client(store: SqliteStore, numbers: "itertools.count[int]", last: int) -> None:
    while (number := next(numbers)) < last:
        index = (await store.append(entry(number, 2_000))).index
        os.write(1, b"%d\n" % index)


async def main(path: str, last: int) -> None:
    store = open_log(Path(path))
    numbers = itertools.count()
    await asyncio.gather(*(one_client(store, numbers, last) for _ in range(8)))
    await store.close()


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], int(sys.argv[2])))
