"""Decision support for the sick young infant: FHIR in, a dosed and explained plan out."""

__version__ = "0.1.0"
