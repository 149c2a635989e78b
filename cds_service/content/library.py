"""Contents by their recorded name: editions and adaptations live side by side.

What decided long ago is found again by the name and digest that stand in the log.
"""

from pathlib import Path

from cds_service.content.load import load, packaged
from cds_service.content.treatment import Protocol
from cds_service.errors import ContentError


class Library:
    """The contents of one folder of protocols (None: packaged), each loaded once."""

    def __init__(self, folder: Path | None = None) -> None:
        self._folder = folder
        self._loaded: dict[str, Protocol] = {}

    def named(self, name: str) -> Protocol:
        """The content that "sick-young-infant|2024.1+kestria" names, as it is now.

        Raises ContentError when there is none, or it has findings.
        """
        if name not in self._loaded:
            protocol_id, _, layers = name.partition("|")
            version, _, adaptation = layers.partition("+")
            if self._folder is None and protocol_id not in packaged():
                known = ", ".join(packaged())
                raise ContentError(
                    (f"{protocol_id}: there is no such protocol; there is: {known}",)
                )
            base = load(self._folder, protocol_id)
            edition = "" if version == base.version else version
            self._loaded[name] = (
                base
                if not edition and not adaptation
                else load(self._folder, protocol_id, edition=edition, adaptation=adaptation)
            )
        return self._loaded[name]

    def recorded(self, name: str, digest: str) -> Protocol:
        """The same, only if it is still the very content of that digest; else ContentError."""
        protocol = self.named(name)
        if protocol.digest != digest:
            what = f"{name} has changed since: its digest was {digest[:12]} and is now other"
            raise ContentError((f"{what}; replay with the files of that time",))
        return protocol
