"""The invented infant of the selftest, and what is changed about it."""

import json
from collections.abc import Callable
from importlib.resources import files

from cds_service.cli.selftesting.deployment import Deployment, Json

_BASE = "http://cds-service.example/fhir"
"""Canonical base of the packaged request; a deployment may have another."""


def request(at: Deployment) -> Json:
    """A fresh request about the infant, with the codes that this deployment publishes."""
    text = files(__package__).joinpath("infant.json").read_text(encoding="utf-8")
    return json.loads(text.replace(_BASE, at.once("base", lambda: _published_base(at))))


def _published_base(at: Deployment) -> str:
    url = at.get("/fhir/CodeSystem/finding").good().json()["url"]
    return str(url).removesuffix("/CodeSystem/finding")


def entries(asked: Json) -> list[Json]:
    """The entries of the request's data, to be changed."""
    (data,) = (each["resource"] for each in asked["parameter"] if each["name"] == "data")
    found: list[Json] = data["entry"]
    return found


def changed(at: Deployment, name: str, change: Callable[[Json], object]) -> Json:
    """The request after `change` of the one resource whose id ends so."""
    asked = request(at)
    (one,) = (each["resource"] for each in entries(asked) if each["resource"]["id"].endswith(name))
    change(one)
    return asked


def without(at: Deployment, name: str) -> Json:
    """The request without the one resource whose id ends so."""
    asked = request(at)
    kept = entries(asked)
    kept[:] = [each for each in kept if not each["resource"]["id"].endswith(name)]
    return asked


def visit(at: Deployment) -> Json:
    """The visit as an Encounter that began when the request says."""
    (moment,) = (each for each in request(at)["parameter"] if each["name"] == "asOf")
    return {
        "resourceType": "Encounter",
        "id": "selftest-visit",
        "status": "in-progress",
        "class": {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"},
        "subject": {"reference": "Patient/selftest-infant"},
        "period": {"start": moment["valueDateTime"]},
    }
