"""selftest: whether a deployment does what it publishes, asked over HTTP like any integrator."""

import argparse
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from cds_service.cli.arguments import CANNOT, command, refuse
from cds_service.cli.selftesting.batch import BATCH, PLANS
from cds_service.cli.selftesting.checks import FAILED, Outcome, report, run_all
from cds_service.cli.selftesting.deployment import Deployment, Skipped, Unreachable
from cds_service.cli.selftesting.hooks import CALLS, DISCOVERY
from cds_service.cli.selftesting.logged import LOG, RETRIES
from cds_service.cli.selftesting.plan import MAIN
from cds_service.cli.selftesting.published import HEALTH, PUBLISHED
from cds_service.cli.selftesting.refusals import REFUSALS
from cds_service.cli.selftesting.tokens import from_command, from_file

GROUPS = (HEALTH, PUBLISHED, REFUSALS, BATCH, DISCOVERY, MAIN, PLANS, LOG, RETRIES, CALLS)
"""All checks; the last five groups write."""


def add(commands: Any) -> None:
    """Declare the command."""
    made = command(
        commands, "selftest", _selftest, "check a deployment over HTTP, as an integrator sees it"
    )
    made.add_argument(
        "--base-url",
        required=True,
        metavar="URL",
        help="where the deployment answers, such as http://127.0.0.1:8080",
    )
    made.add_argument(
        "--yes",
        action="store_true",
        help="also the checks that write test entries, about an invented infant, into the log; "
        "they stay there",
    )
    token = made.add_mutually_exclusive_group()
    token.add_argument(
        "--token-file",
        type=Path,
        metavar="FILE",
        help="where callers must be known: a file with the access token",
    )
    token.add_argument(
        "--token-command",
        metavar="COMMAND",
        help="where a token is for one call: a command that is called with the address and prints "
        "a token for it",
    )
    made.add_argument(
        "--timeout",
        type=float,
        default=30,
        metavar="SECONDS",
        help="how long to wait for one answer (default: 30)",
    )


def _selftest(asked: argparse.Namespace) -> int:
    """0: every check that was made passed; 1: one failed; 2: nobody answers there."""
    address = urlsplit(asked.base_url)
    if address.scheme not in ("http", "https") or not address.netloc:
        return refuse("--base-url needs http:// or https:// and a host.", code=CANNOT)
    try:
        at = Deployment(asked.base_url, asked.timeout, _token(asked))
    except ValueError:
        return refuse("--token-command needs a command.", code=CANNOT)
    try:
        at.get("/health/live")
    except Unreachable as error:
        return refuse(f"{asked.base_url}: {error}", code=CANNOT)
    except Skipped:
        pass  # only this address may be closed
    if asked.yes:
        print("Test entries about an invented infant are written into its log, and stay there.")
    failed: list[Outcome] = []
    for line in report(_noting(run_all(at, GROUPS, writing=asked.yes), failed)):
        print(line, flush=True)
    return 1 if failed else 0


def _token(asked: argparse.Namespace) -> Callable[[str], str] | None:
    if asked.token_file is not None:
        return from_file(asked.token_file)
    return from_command(asked.token_command) if asked.token_command is not None else None


def _noting(outcomes: Iterable[Outcome], failed: list[Outcome]) -> Iterator[Outcome]:
    for outcome in outcomes:
        if outcome.state == FAILED:
            failed.append(outcome)
        yield outcome
