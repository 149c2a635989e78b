"""The answer as FHIR R4 (4.0.1): one Bundle of type collection, written once.

Resources are plain dicts; their ids are UUIDv5 of the decision and the resource's role, every
date comes from `as_of`, so the same Decision always has the same bytes. Elements that exist
only in R4B are never written.
"""

import orjson

from cds_service.engine.model import Decision
from cds_service.fhir.write_base import Item, Pen
from cds_service.fhir.write_conditions import condition
from cds_service.fhir.write_group import care_plan, request_group
from cds_service.fhir.write_guidance import guidance_response
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_medicines import medication_request
from cds_service.fhir.write_services import (
    care_request,
    communication_request,
    follow_up_request,
    referral_request,
)
from cds_service.fhir.write_trail import detected_issues, provenance

LANGUAGE = "en"
"""The language of the texts written here (BCP 47)."""


def write(decision: Decision, *, base: str, language: str) -> bytes:
    """The answer Bundle as UTF-8 JSON.

    `base` is the canonical base; `language` what the caller asked for ("" when not said): an
    answer in another language says so.
    """
    pen = Pen.of(decision, base)
    resources = _resources(pen, language)
    resources.append(provenance(pen, resources))
    return orjson.dumps(
        {
            "resourceType": "Bundle",
            "id": pen.id("bundle"),
            "language": LANGUAGE,
            "type": "collection",
            "timestamp": pen.as_of,
            "entry": [_entry(resource) for resource in resources],
        }
    )


def _entry(resource: Json) -> Json:
    resource["language"] = LANGUAGE
    return {"fullUrl": f"urn:uuid:{resource['id']}", "resource": resource}


def _resources(pen: Pen, language: str) -> list[Json]:
    plan, assessment = pen.decision.plan, pen.decision.assessment
    orders = [medication_request(pen, order) for order in plan.orders]
    urgent = [care_request(pen, care) for care in plan.emergency]
    referral = [referral_request(pen, plan.referral)] if plan.referral else []
    care = [care_request(pen, each) for each in plan.care]
    visits = [follow_up_request(pen, each) for each in plan.follow_ups]
    told = [communication_request(pen)] if plan.counselling else []
    group = request_group(pen, urgent, [*referral, *orders, *care, *visits], told)
    written: list[Item] = [*orders, *urgent, *referral, *care, *visits, *told]
    return [
        guidance_response(pen, language),
        care_plan(pen),
        group,
        *(condition(pen, held) for held in assessment.classes),
        *(item.resource for item in written),
        *detected_issues(pen),
    ]
