#!/usr/bin/env python3
"""Ask a deployment for one plan and show it, with Python only.

    client.py BASE-URL REQUEST.json

Written from what the service publishes: the CapabilityStatement says where $apply is. The
checkpoint that comes with the answer is printed last: keep it, it is your witness.
Exit code 0: a plan; 1: refused, the reason is on standard error; 2: wrong usage or nobody there.
"""

import base64
import json
import sys
import urllib.error
import urllib.request
from decimal import Decimal
from pathlib import Path
from uuid import uuid4


def call(address, body=None, headers=None):
    """Headers and resource of the answer; numbers stay as they are written."""
    asked = urllib.request.Request(address, body, headers or {})  # noqa: S310 - the user's address
    with urllib.request.urlopen(asked, timeout=30) as answer:  # noqa: S310
        return answer.headers, json.loads(answer.read(), parse_float=Decimal)


def apply_address(base):
    """Where the operation `apply` of the one protocol is, as the service says."""
    _, statement = call(f"{base}/fhir/metadata")
    for resource in statement["rest"][0]["resource"]:
        if any(each["name"] == "apply" for each in resource.get("operation", [])):
            kind = resource["type"]
            _, found = call(f"{base}/fhir/{kind}")
            return f"{base}/fhir/{kind}/{found['entry'][0]['resource']['id']}/$apply"
    raise ValueError("the service has no $apply")


def lines(bundle):
    """What a health worker reads first: status, classes, medicines, cautions."""
    for resource in (entry["resource"] for entry in bundle["entry"]):
        kind = resource["resourceType"]
        if kind == "GuidanceResponse":
            yield f"status: {resource['status']}"
            for missing in resource.get("dataRequirement", []):
                yield f"missing: {json.dumps(missing, default=str)}"
        elif kind == "Condition":
            yield f"class: {resource['code']['coding'][0]['code']}"
        elif kind == "MedicationRequest":
            medicine = next(each for each in resource["contained"] if each["id"] == "medication")
            for dosage in resource["dosageInstruction"]:
                yield f"proposed: {medicine['code']['text']}: {dosage['text']}"
        elif kind == "DetectedIssue":
            yield f"caution: {resource['code']['coding'][0]['code']}"


def refusal(error):
    """The words of an OperationOutcome, or of whoever else answered."""
    try:
        issues = json.loads(error.read())["issue"]
        said = [f"{each['details']['text']} {each.get('diagnostics', '')}" for each in issues]
    except (ValueError, LookupError):
        said = ["no OperationOutcome"]
    return f"REFUSED ({error.code}): {'; '.join(said)}"


def main(*arguments):
    if len(arguments) != 2:
        print(__doc__)
        return 2
    base, request = arguments[0].rstrip("/"), Path(arguments[1])
    # A retry with the same key and body is answered from the log, and makes no second entry.
    headers = {"Content-Type": "application/fhir+json", "Idempotency-Key": f'"{uuid4()}"'}
    try:
        found, bundle = call(apply_address(base), request.read_bytes(), headers)
    except urllib.error.HTTPError as error:
        print(refusal(error), file=sys.stderr)
        return 1
    except (OSError, ValueError) as error:
        print(f"NOT ASKED: {error}", file=sys.stderr)
        return 2
    print("Every plan is a proposal for a licensed health worker; national protocol comes first.")
    print(*lines(bundle), sep="\n")
    print(f"decision: {found['Cds-Decision-Id']}, entry {found['Cds-Log-Index']} of the log")
    print(base64.b64decode(found["Cds-Log-Checkpoint"]).decode(), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
