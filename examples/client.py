#!/usr/bin/env python3
"""Ask a deployment for one plan, or for several in one batch, and show them, with Python only.

    client.py BASE-URL REQUEST.json [REQUEST.json ...]

Written from what the service publishes: the CapabilityStatement says where $apply is. The
checkpoint that comes with the answer is printed last: keep it, it is your witness.
Exit code 0: a plan for each; 1: one was refused, the reason is on standard error; 2: wrong usage
or nobody there.
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


def apply_url(base):
    """Where the operation `apply` of the one protocol is below the base, as the service says."""
    _, statement = call(f"{base}/fhir/metadata")
    for resource in statement["rest"][0]["resource"]:
        if any(each["name"] == "apply" for each in resource.get("operation", [])):
            kind = resource["type"]
            _, found = call(f"{base}/fhir/{kind}")
            return f"{kind}/{found['entry'][0]['resource']['id']}/$apply"
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


def refusal(status, text):
    """The words of an OperationOutcome, or of whoever else answered."""
    try:
        issues = json.loads(text)["issue"]
        said = [f"{each['details']['text']} {each.get('diagnostics', '')}" for each in issues]
    except (ValueError, LookupError):
        said = ["no OperationOutcome"]
    return f"REFUSED ({status}): {'; '.join(said)}"


def batch(url, requests):
    """A batch Bundle; each request stands in it as the very bytes that it is."""
    asked = json.dumps({"method": "POST", "url": url}).encode()
    entries = b",".join(b'{"request":%s,"resource":%s}' % (asked, each) for each in requests)
    return b'{"resourceType":"Bundle","type":"batch","entry":[%s]}' % entries


def show(files, entries):
    """The plan of each entry of a batch, or why there is none; whether there is one for each."""
    for file, entry in zip(files, entries, strict=True):
        response = entry["response"]
        print(f"\n{file}, {response.get('location', 'not recorded')}", flush=True)
        if "resource" in entry:
            print(*lines(entry["resource"]), sep="\n")
        else:
            text = json.dumps(response.get("outcome"), default=str)
            print(f"{file}: {refusal(response['status'], text)}", file=sys.stderr)
    return all("resource" in entry for entry in entries)


def main(*arguments):
    if len(arguments) < 2:
        print(__doc__)
        return 2
    base, files = arguments[0].rstrip("/"), arguments[1:]
    # A retry with the same key and body is answered from the log, and makes no second entry.
    headers = {"Content-Type": "application/fhir+json", "Idempotency-Key": f'"{uuid4()}"'}
    try:
        requests, url = [Path(each).read_bytes() for each in files], apply_url(base)
        if len(files) == 1:
            found, bundle = call(f"{base}/fhir/{url}", requests[0], headers)
        else:
            found, bundle = call(f"{base}/fhir", batch(url, requests), headers)
    except urllib.error.HTTPError as error:
        print(refusal(error.code, error.read()), file=sys.stderr)
        return 1
    except (OSError, ValueError) as error:
        print(f"NOT ASKED: {error}", file=sys.stderr)
        return 2
    print("Every plan is a proposal for a licensed health worker; national protocol comes first.")
    if len(files) == 1:
        print(*lines(bundle), sep="\n")
        print(f"decision: {found['Cds-Decision-Id']}, entry {found['Cds-Log-Index']} of the log")
    elif not show(files, bundle["entry"]):
        return 1
    print(base64.b64decode(found["Cds-Log-Checkpoint"]).decode(), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main(*sys.argv[1:]))
