"""`python -m tests.openapi`: schemathesis asks a real service what its OpenAPI document promises.

Every case must be answered, with a status, content type, headers and body that the document has,
and none with a fault (5xx). Without options the cases are those of CI: the example of each
operation, each parameter and element at and beyond its limits, and some made at random; of the
artefacts three types, for one code serves them all. `--everything --examples 500` asks for all of
them and makes that many at random of each operation. The service has a log of its own, which is
verified afterwards.
"""

import argparse
import os
import re
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.environments import made

HERE = Path(__file__).parent
BUILD = HERE.parent.parent / "build" / "openapi"
CHECKS = (
    "not_a_server_error", "status_code_conformance", "content_type_conformance",
    "response_schema_conformance", "response_headers_conformance", "unsupported_method",
    "allow_header_conformance",
)  # fmt: skip
SAME = (
    "^/fhir/(ActivityDefinition|ConceptMap|Library|OperationDefinition|StructureDefinition"
    "|ValueSet)"
)
"""Artefacts that are served as CodeSystem, PlanDefinition and Questionnaire are."""
FEWEST, FEWEST_PLANS = 5000, 20
"""Cases of CI, and entries that they must leave in the log: else nothing deep was asked."""


@contextmanager
def served(folder: Path) -> Iterator[tuple[str, dict[str, str]]]:
    """The address of the service in a process of its own, and its environment."""
    clean = {name: value for name, value in os.environ.items() if not name.startswith("CDS_")}
    clean["CDS_DATABASE_URL"] = f"sqlite:///{folder}/log.db"
    command = [sys.executable, "-m", "cds_service"]
    service = subprocess.Popen(
        [*command, "serve", "--port", "0"], env=clean, stdout=subprocess.PIPE, text=True
    )
    try:
        assert service.stdout
        address = re.search(r"http://\S+:\d+", service.stdout.readline())
        assert address
        yield address[0], clean
    finally:
        service.terminate()
        service.communicate()
    subprocess.run([*command, "verify-log"], env=clean, check=True)


def asked(address: str, python: Path, options: list[str]) -> tuple[int, int]:
    """The exit code of schemathesis, and how many cases it made.

    One worker: with two, Python 3.11 now and then fails in `ast.parse` (its depth is counted for
    all threads together), which schemathesis tells as an error of an operation.
    """
    command = [
        str(python.with_name("schemathesis")), "run", f"{address}/openapi.json",
        "--checks", ",".join(CHECKS), "--continue-on-failure", "--no-color", "--workers", "1",
        "--warnings", "off", *options,
    ]  # fmt: skip
    hooks = {"SCHEMATHESIS_HOOKS": "hooks", "PYTHONPATH": str(HERE)}
    run = subprocess.run(
        command, cwd=BUILD, env=os.environ | hooks, stdout=subprocess.PIPE, text=True, check=False
    )
    print(run.stdout)
    cases = re.search(r"(\d+) generated", run.stdout)
    return run.returncode, int(cases[1]) if cases else 0


def entries(address: str) -> int:
    """How many entries the log has."""
    import httpx

    return int(httpx.get(f"{address}/log/checkpoint").text.split("\n")[1])


def main() -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.openapi", description=__doc__)
    parser.add_argument("--examples", type=int, default=3, help="random ones of each operation")
    parser.add_argument("--everything", action="store_true", help="artefacts of every type")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    BUILD.mkdir(parents=True, exist_ok=True)
    python = made(BUILD / "environment", HERE / "requirements.txt")
    begun = time.monotonic()
    told = ["--phases", "examples,coverage,fuzzing", "--seed", str(options.seed)]
    told += ["--max-examples", str(options.examples)]
    told += [] if options.everything else ["--exclude-path-regex", SAME]
    with tempfile.TemporaryDirectory() as folder, served(Path(folder)) as (address, _):
        code, cases = asked(address, python, told)
        plans = entries(address)
    took = time.monotonic() - begun
    print(f"{cases} cases in {took:.0f} s, {plans} entries in the log, exit code {code}")
    if cases < FEWEST or plans < FEWEST_PLANS:
        print(f"too few: at least {FEWEST} cases and {FEWEST_PLANS} entries are due")
        return 1
    return code


if __name__ == "__main__":
    sys.exit(main())
