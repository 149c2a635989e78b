"""Conformance artefacts made from the content: code systems, value sets, the operation.

All are drafts and experimental (FHIR R4 publication status). `profiles/<id>.json` holds what
this module makes of the packaged protocol, so ids are unique across resource types.
"""

import re
from collections.abc import Iterable, Iterator

import orjson

from cds_service.content.model import Cite, Sign
from cds_service.content.treatment import Protocol
from cds_service.fhir.artefacts_activity import activities
from cds_service.fhir.artefacts_base import head, words
from cds_service.fhir.artefacts_form import questionnaire
from cds_service.fhir.artefacts_given import given
from cds_service.fhir.artefacts_library import library
from cds_service.fhir.artefacts_log import log_artefacts
from cds_service.fhir.artefacts_maps import answer_codes, concept_maps, measure_codes
from cds_service.fhir.artefacts_operation import operations
from cds_service.fhir.artefacts_plan import plan
from cds_service.fhir.artefacts_taken import taken
from cds_service.fhir.artefacts_text import designations
from cds_service.fhir.cards import REASONS, TOPICS
from cds_service.fhir.codes import own_system
from cds_service.fhir.write_json import Json

_WITH_VALUE_SET = ("finding", "classification", "formulation")
_PROPERTIES = (("evidence", "code"), ("source", "code"))
_SIGN_PROPERTIES = (("required", "boolean"), ("required-when", "code"))
# A caution's code is its text's key after the first part; that of a refused dose keeps both.
_CAUTION_TEXTS = {"caution": "", "caution-code": "", "no-dose": "no-dose-"}


def artefacts(protocol: Protocol, base: str) -> dict[tuple[str, str], Json]:
    """Every generated artefact by (resource type, id); made once, and only to be looked at."""
    key = ("artefacts", base)
    known: dict[tuple[str, str], Json] | None = protocol.made.get(key)
    if known is None:
        known = protocol.made[key] = _made(protocol, base)
    return dict(known)


def _made(protocol: Protocol, base: str) -> dict[tuple[str, str], Json]:
    made = edition(protocol, base)
    made += [_value_set(protocol, base, name) for name in _WITH_VALUE_SET]
    made += _of_cards(protocol, base)
    made += operations(protocol, base)
    made += log_artefacts(protocol, base)
    made += [*answer_codes(protocol, base), *measure_codes(protocol, base)]
    made += concept_maps(protocol, base)
    made += [*taken(protocol, base), *given(protocol, base)]
    return {(each["resourceType"], each["id"]): each for each in made}


def edition(protocol: Protocol, base: str) -> list[Json]:
    """What is another in each edition and adaptation: codes, questions, logic, plan."""
    return [
        *_code_systems(protocol, base),
        questionnaire(protocol, base),
        library(protocol, base),
        plan(protocol, base),
        *activities(protocol, base),
    ]


def of_another(protocol: Protocol, base: str) -> dict[tuple[str, str], Json]:
    """The same for an edition that is not the one in use: of the same addresses, other ids."""
    end = _end(protocol)
    told = re.sub("[^A-Za-z0-9]", "_", end)
    made = [
        each | {"id": f"{each['id']}-{end}", "name": f"{each['name']}{told}"}
        for each in edition(protocol, base)
    ]
    return {(each["resourceType"], each["id"]): each for each in made}


def every(
    protocol: Protocol, base: str, others: Iterable[Protocol] = ()
) -> dict[tuple[str, str], Json]:
    """All that is published: the artefacts of the protocol in use, and those of other editions."""
    made = artefacts(protocol, base)
    for other in others:
        if other.name != protocol.name:
            made |= of_another(other, base)
    return made


def files(protocol: Protocol, base: str, others: Iterable[Protocol] = ()) -> dict[str, bytes]:
    """The same by file name, as they lie in `profiles/`; another edition has a folder of its own.

    A reader that knows one version of an address only is given the files of one folder.
    """
    made = {f"{name}.json": each for (_, name), each in artefacts(protocol, base).items()}
    for other in others:
        if other.name != protocol.name:
            found = of_another(other, base)
            made |= {f"{_end(other)}/{name}.json": each for (_, name), each in found.items()}
    indented = orjson.OPT_INDENT_2 | orjson.OPT_APPEND_NEWLINE
    return {name: orjson.dumps(each, option=indented) for name, each in made.items()}


def _end(protocol: Protocol) -> str:
    """The end of an id that tells an edition from others; a plus may not stand in one."""
    return protocol.name.partition("|")[2].replace("+", "-")


def _code_systems(protocol: Protocol, base: str) -> list[Json]:
    concepts = {
        "finding": [_sign(protocol, sign) for sign in protocol.signs],
        "classification": [
            _concept(protocol, f"class.{row.code}", row.cite)
            for table in protocol.tables
            for row in table.rows
        ],
        "formulation": [
            _concept(protocol, f"formulation.{form.code}", form.cite)
            for _, form in protocol.formulations
        ],
        "caution": list(_told(protocol, _CAUTION_TEXTS)),
        "care": list(_told(protocol, {"care": ""})),
    }
    return [_code_system(protocol, base, name, found) for name, found in concepts.items()]


def _of_cards(protocol: Protocol, base: str) -> list[Json]:
    """Codes on the cards of CDS Hooks: of the program, the same in every edition."""
    return [
        _code_system(protocol, base, name, _card_codes(protocol, kind, codes))
        for name, kind, codes in (
            ("override-reason", "override", REASONS),
            ("card-topic", "topic", TOPICS),
        )
    ]


def _code_system(protocol: Protocol, base: str, name: str, concepts: list[Json]) -> Json:
    resource = head(protocol, base, "CodeSystem", name, name) | {
        "caseSensitive": True,
        "content": "complete",
        "count": len(concepts),
    }
    used: tuple[tuple[str, str], ...] = _PROPERTIES if name in _WITH_VALUE_SET else ()
    if name in _WITH_VALUE_SET:
        resource["valueSet"] = f"{base}/ValueSet/{name}-codes"
    if name == "finding":
        used = (*_PROPERTIES, *_SIGN_PROPERTIES)
    if used:
        resource["property"] = [_property(protocol, code, kind) for code, kind in used]
    return resource | {"concept": concepts}


def _property(protocol: Protocol, code: str, kind: str) -> Json:
    return {"code": code, "description": words(protocol, f"artefact.property.{code}"), "type": kind}


def _value_set(protocol: Protocol, base: str, name: str) -> Json:
    version = protocol.name.partition("|")[2]
    compose = {"include": [{"system": own_system(base, name), "version": version}]}
    return head(protocol, base, "ValueSet", f"{name}-codes", name) | {"compose": compose}


def _sign(protocol: Protocol, sign: Sign) -> Json:
    concept = _concept(protocol, f"sign.{sign.code}", sign.cite)
    required = [{"code": "required", "valueBoolean": sign.required}]
    required += [{"code": "required-when", "valueCode": code} for code in sign.required_when]
    concept["property"] += required
    return concept


def _concept(protocol: Protocol, key: str, cite: Cite) -> Json:
    properties = [{"code": "evidence", "valueCode": cite.evidence}]
    properties += [{"code": "source", "valueCode": source} for source in cite.sources]
    code = key.partition(".")[2]
    named = {"code": code, "display": words(protocol, key), **designations(protocol, key)}
    return named | {"property": properties}


def _card_codes(protocol: Protocol, kind: str, codes: tuple[str, ...]) -> list[Json]:
    return [{"code": code, "display": words(protocol, f"hooks.{kind}.{code}")} for code in codes]


def _told(protocol: Protocol, prefixes: dict[str, str]) -> Iterator[Json]:
    """Concepts whose texts have placeholders: the text is the definition, the code the name."""
    for key, text in sorted(protocol.text_by_key.items()):
        prefix, _, rest = key.partition(".")
        if prefix in prefixes:
            code = f"{prefixes[prefix]}{rest}"
            yield {"code": code, "display": code.replace("-", " "), "definition": text}
