"""Alarms of the outside judges that are false, each with the reason: (judge, code, path).

One that is no longer raised fails the run, so that the list never hides more than it must.
"""

_CHOICE = (
    "In JSON value[x] is written with its type in the name (json.html, from memory); "
    "pyrofile finds it so at the top, not in a repeated element below."
)
_REPEATED = (
    "max 1 of an element counts within each one of its repeating parents (profiling.html, "
    "cardinality from memory); pyrofile counts over all of them."
)
_PRIMITIVE = (
    "A primitive's id and extensions are a property with an underscore before its name "
    "(json.html, from memory); pyrofile does not know it on a choice."
)
_PATTERN = (
    "npm fhirpath compiles a pattern with the flag u, where some escapes of the official pattern "
    "are errors: the invariant is not judged."
)
_SYSTEM_TYPE = (
    "The invariant asks whether the answer is Boolean, the type of FHIRPath; it is the boolean of "
    "FHIR, which npm fhirpath tells apart."
)
_max = "profile.element.cardinality.max"

FALSE_ALARMS = {
    ("pyrofile", "cardinality.min", "CodeSystem.concept.property.value[x]"): _CHOICE,
    ("pyrofile", "cardinality.min", "Questionnaire.item.item.answerOption.value[x]"): _CHOICE,
    ("pyrofile", "cardinality.min", "Questionnaire.item.item.enableWhen.answer[x]"): _CHOICE,
    ("pyrofile", "cardinality.min", "CommunicationRequest.payload.content[x]"): _CHOICE,
    ("pyrofile", "cardinality.min", "Medication.ingredient.item[x]"): _CHOICE,
    ("pyrofile", _max, "CodeSystem.concept.property.code"): _REPEATED,
    ("pyrofile", _max, "CodeSystem.concept.property.value[x]"): _REPEATED,
    ("pyrofile", _max, "CodeSystem.concept.designation.language"): _REPEATED,
    ("pyrofile", _max, "CodeSystem.concept.designation.value"): _REPEATED,
    ("pyrofile", _max, "ValueSet.compose.include.concept.code"): _REPEATED,
    ("pyrofile", _max, "ValueSet.compose.include.system"): _REPEATED,
    ("pyrofile", _max, "ConceptMap.group.element.code"): _REPEATED,
    ("pyrofile", _max, "ConceptMap.group.element.target.code"): _REPEATED,
    ("pyrofile", _max, "ConceptMap.group.element.target.equivalence"): _REPEATED,
    ("invariants", "eld-16 cannot be evaluated", "ElementDefinition"): _PATTERN,
    ("invariants", "eld-19 cannot be evaluated", "ElementDefinition"): _PATTERN,
    ("invariants", "que-7", "Questionnaire.item.enableWhen"): _SYSTEM_TYPE,
    (
        "pyrofile", "element.unknown", "CommunicationRequest.payload._contentString",
    ): _PRIMITIVE,
}  # fmt: skip
