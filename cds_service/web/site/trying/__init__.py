"""The page for integrators: choose an example or answer the questions, see request and answer.

Whatever is asked here goes the way of `$apply` and into the log, under the caller CALLER. What the
page shows of an answer it reads from the FHIR, as whoever received it would.
"""

CALLER = "try-page"
"""Who asked, in the log."""
