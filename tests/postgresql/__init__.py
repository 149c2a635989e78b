"""A private PostgreSQL server for the tests, started from the system's own programs."""
