"""`python -m cds_service` is the same as the `cds-service` command."""

from cds_service.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
