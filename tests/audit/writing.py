"""Run by the tests in a process of its own: append entries, print each index once acknowledged.

Usage: writing.py PLACE COUNT; PLACE is a file, or an address postgresql://...
"""

import asyncio
import itertools
import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from cds_service.audit.store import Store
from tests.audit.conftest import entry
from tests.logs import open_any


async def one_client(store: Store, numbers: "itertools.count[int]", last: int) -> None:
    while (number := next(numbers)) < last:
        index = (await store.append(entry(number, 2_000))).index
        os.write(1, b"%d\n" % index)


async def main(place: str, last: int) -> None:
    store = open_any(place)
    numbers = itertools.count()
    await asyncio.gather(*(one_client(store, numbers, last) for _ in range(8)))
    await store.close()


if __name__ == "__main__":
    asyncio.run(main(sys.argv[1], int(sys.argv[2])))
