"""A draw of mutants: so many of each file, the same ones for the same seed.

The order hangs on the seed and the name alone, so a change elsewhere in the file keeps it. What is
drawn `--after` the first ten has none of those ten: nobody has written a test for it.
"""

import argparse
import hashlib
from collections.abc import Iterable


def add_options(parser: argparse.ArgumentParser) -> None:
    """The options that say which draw is meant."""
    parser.add_argument("--sample", type=int, help="so many of each file, drawn at random")
    parser.add_argument("--seed", default="1", help="of the order in which they are drawn")
    parser.add_argument("--after", type=int, default=0, help="without so many drawn before")


def drawn(names: Iterable[str], options: argparse.Namespace) -> list[str]:
    """Those of a file's mutants that are drawn; all of them without a sample."""
    if options.sample is None:
        return list(names)

    def place(name: str) -> bytes:
        return hashlib.sha256(f"{options.seed} {name}".encode()).digest()

    return sorted(names, key=place)[options.after : options.after + options.sample]
