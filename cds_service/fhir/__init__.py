"""FHIR R4 in and out: the only package that knows what a resource looks like.

`read` turns the bytes of a request into a Case, `write` a Decision into the bytes of an answer,
`outcome` says in FHIR what is wrong with a request.
"""
