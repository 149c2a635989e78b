"""What a deployment publishes: read without leaving a trace in its log."""

from collections.abc import Callable
from urllib.parse import quote

from cds_service.cli.selftesting.checks import Group
from cds_service.cli.selftesting.deployment import Deployment, Json, expect

PLAN = "/fhir/PlanDefinition/sick-young-infant"
"""The protocol; its operations are below it."""
APPLY = f"{PLAN}/$apply"
TYPES = (
    "ActivityDefinition", "CodeSystem", "ConceptMap", "Library", "OperationDefinition",
    "PlanDefinition", "Questionnaire", "StructureDefinition", "ValueSet",
)  # fmt: skip
"""The types of the artefacts."""

PUBLISHED = Group("What is published")
HEALTH = Group("Health")


def statement(at: Deployment) -> Json:
    """The CapabilityStatement."""
    return at.once("metadata", lambda: at.get("/fhir/metadata").good().json())


def _all_of(kind: str) -> Callable[[Deployment], None]:
    def look(at: Deployment) -> None:
        found = at.get(f"/fhir/{kind}").good().json()
        expect(found["type"] == "searchset" and found["total"] > 0, "nothing is found")
        one = found["entry"][0]["resource"]
        read = at.get(f"/fhir/{kind}/{one['id']}").good().json()
        expect(read == one, "read by its id it is another one")
        expect(read["url"] and read["version"], "it has no url or no version")

    return look


@PUBLISHED.check("the CapabilityStatement is of FHIR 4.0.1")
def _version(at: Deployment) -> None:
    found = statement(at)
    expect(found["resourceType"] == "CapabilityStatement", "it is no CapabilityStatement")
    expect(found["fhirVersion"] == "4.0.1", f"fhirVersion is {found['fhirVersion']}")


@PUBLISHED.check("it promises JSON and no XML")
def _formats(at: Deployment) -> None:
    formats = statement(at)["format"]
    expect("application/fhir+json" in formats, "application/fhir+json is missing")
    expect(not any("xml" in each for each in formats), "XML is promised")


@PUBLISHED.check("it names $apply, and its OperationDefinition can be read")
def _operation(at: Deployment) -> None:
    (rest,) = statement(at)["rest"]
    (plan,) = (each for each in rest["resource"] if each["type"] == "PlanDefinition")
    (named,) = (each for each in plan["operation"] if each["name"] == "apply")
    found = at.get(f"/fhir/OperationDefinition?url={quote(named['definition'], safe='')}").json()
    expect(found["total"] >= 1, "there is no OperationDefinition with its url")


for _kind in TYPES:
    PUBLISHED.check(f"{_kind}: search finds, and read by id gives the same")(_all_of(_kind))


@PUBLISHED.check("the protocol is marked experimental and names its sources")
def _experimental(at: Deployment) -> None:
    plan = at.get(PLAN).good().json()
    expect(plan["experimental"] is True, "it is not marked experimental")
    expect(plan["relatedArtifact"], "it names no source")


@PUBLISHED.check("a url that there is not is not found")
def _no_url(at: Deployment) -> None:
    found = at.get("/fhir/CodeSystem?url=http%3A%2F%2Fnobody.example%2Fnothing").good().json()
    expect(found["total"] == 0, "something is found")


@PUBLISHED.check("an artefact has an ETag, and is not sent again to who has it (304)")
def _etag(at: Deployment) -> None:
    tag = at.get(PLAN).good().headers.get("etag", "")
    expect(tag.startswith('"'), "there is no strong ETag")
    again = at.get(PLAN, If_None_Match=tag).good(304)
    expect(not again.body, "the 304 has a body")


@PUBLISHED.check("with another ETag it is sent")
def _other_etag(at: Deployment) -> None:
    expect(at.get(PLAN, If_None_Match='"other"').good().body, "there is no body")


@PUBLISHED.check("HEAD gives the headers of GET and no body")
def _head(at: Deployment) -> None:
    got, head = at.get(PLAN), at.ask("HEAD", PLAN).good()
    expect(not head.body, "there is a body")
    expect(head.headers.get("etag") == got.headers.get("etag"), "the ETag is another one")


@PUBLISHED.check("_summary=true says that it is a part (SUBSETTED)")
def _summary(at: Deployment) -> None:
    whole, part = at.get(PLAN), at.get(f"{PLAN}?_summary=true").good()
    tags = [each["code"] for each in part.json()["meta"]["tag"]]
    expect("SUBSETTED" in tags, "the tag is missing")
    expect(len(part.body) < len(whole.body), "it is not shorter")


@PUBLISHED.check("_pretty=true has lines, and says the same")
def _pretty(at: Deployment) -> None:
    pretty = at.get(f"{PLAN}?_pretty=true").good()
    expect(pretty.body.count(b"\n") > 1, "it has no lines")
    expect(pretty.json() == at.get(PLAN).json(), "it says something else")


@PUBLISHED.check("_format=json overrules Accept")
def _format(at: Deployment) -> None:
    at.get(f"{PLAN}?_format=json", Accept="application/fhir+xml").good()


@PUBLISHED.check("OpenAPI 3.1 describes $apply")
def _openapi(at: Deployment) -> None:
    found = at.get("/openapi.json").good().json()
    expect(found["openapi"].startswith("3.1"), f"it is OpenAPI {found['openapi']}")
    expect(APPLY in found["paths"], "$apply is not described")


@PUBLISHED.check("OPTIONS says which methods $apply has")
def _options(at: Deployment) -> None:
    allowed = at.ask("OPTIONS", APPLY).headers.get("allow", "")
    expect("POST" in allowed, "Allow does not name POST")


@PUBLISHED.check("X-Request-Id is repeated")
def _request_id(at: Deployment) -> None:
    found = at.get("/fhir/metadata", X_Request_Id="selftest-0001").headers.get("x-request-id")
    expect(found == "selftest-0001", "it is not repeated")


@PUBLISHED.check("an X-Request-Id that is not safe to repeat is replaced")
def _unsafe_id(at: Deployment) -> None:
    found = at.get("/fhir/metadata", X_Request_Id="<b> not safe").headers.get("x-request-id", "")
    expect(found and "<" not in found, "it is repeated, or there is none")


@PUBLISHED.check("a trace (traceparent) goes on in the answer, with another parent")
def _trace(at: Deployment) -> None:
    trace, span = "4bf92f3577b34da6a3ce929d0e0e4736", "00f067aa0ba902b7"
    found = at.get("/fhir/metadata", traceparent=f"00-{trace}-{span}-01").headers["traceparent"]
    expect(trace in found, "it does not go on")
    expect(span not in found, "the parent is the caller himself")


@PUBLISHED.check("a trace that is malformed is not gone on with")
def _no_trace(at: Deployment) -> None:
    zeros = "0" * 32
    found = at.get("/fhir/metadata", traceparent=f"00-{zeros}-00f067aa0ba902b7-01").headers
    expect(zeros not in found["traceparent"], "it goes on")


@PUBLISHED.check("browsers are told not to guess types")
def _nosniff(at: Deployment) -> None:
    found = at.get("/fhir/metadata").headers.get("x-content-type-options")
    expect(found == "nosniff", "X-Content-Type-Options is not nosniff")


@HEALTH.check("the process is alive")
def _alive(at: Deployment) -> None:
    expect(at.get("/health/live").good().json()["status"] == "pass", "status is not pass")


@HEALTH.check("it is ready: the content is loaded and the log takes entries")
def _ready(at: Deployment) -> None:
    found = at.get("/health/ready").good().json()
    expect(found["status"] == "pass", "status is not pass")
    expect({"content", "log"} <= set(found["checks"]), "content or log is not reported")
