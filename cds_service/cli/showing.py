"""settings: what is in force, as an operator asks for it; nothing secret is shown."""

import argparse
from typing import Any

from cds_service.cli.arguments import command
from cds_service.settings import Settings


def add(commands: Any) -> None:
    """Declare the command."""
    command(commands, "settings", _show, "show the settings in force, without secrets")


def _show(_: argparse.Namespace) -> int:
    settings = Settings.read()
    given = settings.model_fields_set
    for name, field in Settings.model_fields.items():
        value = getattr(settings, name)
        if name == "database_url" and settings.in_postgresql:
            value = settings.log  # without its password
        where = "" if name in given else "   (default)"
        print(f"CDS_{name.upper()}={value}{where}")
        print(f"    {field.description}")
    return 0
