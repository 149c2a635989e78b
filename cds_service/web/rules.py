"""Which role an address needs; what is not named here needs a token that is good for anything.

One table, so that a reader sees at once what is open. Paths are those of the application.
"""

import re
from typing import NamedTuple

from cds_service.access.roles import Role

OPEN: frozenset[Role] = frozenset()
"""No token is needed: it says nothing of any infant, and nothing that is not published anyway."""
ANYONE = frozenset(Role)
_CALL = frozenset({Role.CALL})
_AUDIT = frozenset({Role.AUDIT})
_EITHER = _CALL | _AUDIT


class Rule(NamedTuple):
    """Addresses that match need one of the roles."""

    methods: str
    path: re.Pattern[str]
    needs: frozenset[Role]


def _rule(methods: str, path: str, needs: frozenset[Role]) -> Rule:
    return Rule(methods, re.compile(path, re.ASCII), needs)


_READ = "GET HEAD"
_ANY = "GET HEAD POST PUT PATCH DELETE"
RULES = (
    _rule(_READ, r"/health/(live|ready)", OPEN),
    _rule(_READ, r"/fhir/metadata|/\.well-known/smart-configuration", OPEN),
    _rule(_READ, r"/docs|/openapi\.json|/static(-offline-docs)?/.*", OPEN),
    _rule(_ANY, r"/metrics", frozenset({Role.ADMINISTER})),
    # What became of a recommendation is told by whoever got it, or whoever looks after it.
    _rule(_ANY, r"/fhir/GuidanceResponse(/[^/]+)?/\$feedback", _EITHER),
    _rule(_ANY, r"/fhir/GuidanceResponse/[^/]+/label", _EITHER),
    _rule(_ANY, r"/fhir/(AuditEvent|GuidanceResponse)(/.*)?", _AUDIT),
    _rule(_ANY, r"/records(/.*)?", _AUDIT),
    _rule(_READ, r"/log/(checkpoint|keys|proof(/.*)?)", _EITHER),
    _rule(_ANY, r"/log/.*", _AUDIT),
    _rule(_ANY, r"/cds-services(/.*)?", _CALL),
    _rule("POST", r"/fhir/?|/fhir/PlanDefinition/[^/]+/\$[a-z-]+", _CALL),
    _rule(_ANY, r"/|/try(/.*)?", _CALL),
    # The artefacts: published rules and profiles.
    _rule(_READ, r"/fhir/[A-Z][A-Za-z]+(/[^/]+(/_history/[^/]+)?)?", OPEN),
)


def needed(method: str, path: str) -> frozenset[Role]:
    """The roles of which a caller needs one; none are needed when it is empty.

    >>> sorted(needed("GET", "/fhir/AuditEvent/log-3")), needed("GET", "/fhir/Library/x")
    ([<Role.AUDIT: 'audit'>], frozenset())
    >>> sorted(needed("PUT", "/something")) == sorted(Role)
    True
    """
    if not path.isprintable():  # a line break ends a pattern of the framework's, but not one here
        return ANYONE
    for rule in RULES:
        if method in rule.methods.split() and rule.path.fullmatch(path):
            return rule.needs
    return ANYONE
