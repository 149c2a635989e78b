"""schemathesis runs in an environment of its own: pytest cannot import what it reads."""

collect_ignore = ["hooks.py"]
