"""settings: what is in force, as an operator asks for it; nothing secret is shown."""

import argparse
from typing import Any

from cds_service.cli.arguments import command, refuse
from cds_service.settings import Settings


def add(commands: Any) -> None:
    """Declare the command."""
    shown = command(commands, "settings", _settings, "show the settings in force, without secrets")
    shown.add_argument(
        "--check",
        action="store_true",
        help="say instead whether the service would start with them; changes nothing anywhere",
    )


def _settings(asked: argparse.Namespace) -> int:
    return _check() if asked.check else _show()


def _show() -> int:
    settings = Settings.read()
    given = settings.model_fields_set
    for name, field in Settings.model_fields.items():
        value = getattr(settings, name)
        if name == "database_url":
            value = settings.shown_database_url
        where = "" if name in given else "   (default)"
        print(f"CDS_{name.upper()}={value}{where}")
        print(f"    {field.description}")
    return 0


def _check() -> int:
    """0: the service would start and know its callers; 1: something is wrong."""
    from cds_service.settings.checking import parts

    count = wrong = 0
    for part in parts():
        count += 1
        if part.wrong:
            wrong += 1
            refuse(*(f"wrong  {part.name}: {each}" for each in part.wrong))
        else:
            print(f"right  {part.name}: {part.told}", flush=True)
    if wrong:
        return refuse(f"Do not restart the service yet: of {count} parts {wrong} are wrong.")
    print("The service would start with these settings.")
    return 0
