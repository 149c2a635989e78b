"""References within one Bundle (FHIR R4 Bundle, "Resolving references in bundles")."""

from dataclasses import dataclass, field
from typing import Any

from msgspec import UNSET

from cds_service.fhir.facts import R_co, Sent
from cds_service.fhir.wire import Resource


def unversioned(reference: str) -> str:
    """The reference without its version.

    >>> unversioned("Patient/1/_history/3")
    'Patient/1'
    """
    return reference.partition("/_history/")[0]


def base_of(full_url: str) -> str:
    """The server of a RESTful address; "" for another address or none.

    >>> base_of("http://tolm-ford.example/fhir/Patient/1"), base_of("urn:uuid:1")
    ('http://tolm-ford.example/fhir', '')
    """
    return full_url.rsplit("/", 2)[0] if full_url.startswith("http") else ""


def points_at(reference: str, full_url: str, target: Sent[R_co]) -> bool:
    """Whether a reference in the entry `full_url` means `target`.

    An absolute one must equal the target's fullUrl, a relative one its `Type/id` on the same
    server. A contained (`#`) reference means no entry.
    """
    reference = unversioned(reference)
    if ":" in reference:
        return reference == target.full_url
    if reference != target.own or not reference:
        return False
    here, there = base_of(full_url), base_of(target.full_url)
    return not here or not there or here == there


def names(text: str, target: Sent[R_co], kind: str) -> bool:
    """Whether a parameter means `target`: a reference, or a bare id."""
    relative = text if "/" in text or ":" in text else f"{kind}/{text}"
    return points_at(relative, "", target)


@dataclass(slots=True)
class Subject:
    """The one patient, as other resources refer to it."""

    patient: Sent[Resource]
    _answers: dict[tuple[str, str], bool] = field(default_factory=dict)

    def why_not(self, sent: Sent[Any]) -> str:
        """The reason why a resource may not be used for this patient; "" when it may."""
        resource, full_url = sent.resource, sent.full_url
        reference = resource.subject
        if reference is UNSET or reference.reference is UNSET:
            return "subject-missing"
        # Nearly every entry of a Bundle refers to the patient in the same words.
        key = reference.reference, full_url.rpartition("/")[0]
        answer = self._answers.get(key)
        if answer is None:
            answer = self._answers[key] = points_at(reference.reference, full_url, self.patient)
        if not answer:
            # A copy inside the resource does not say whose it is.
            return "subject-missing" if reference.reference[0] == "#" else "subject-other"
        if resource.modifier_extension is UNSET and resource.implicit_rules is UNSET:
            return ""
        return "modifier-extension"
