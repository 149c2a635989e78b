"""Where the label and the leaflet of an answer are; they are made when they are fetched."""

from cds_service.content.model import Message
from cds_service.fhir.write_base import start
from cds_service.fhir.write_house import House
from cds_service.fhir.write_json import Json
from cds_service.fhir.write_shape import Item, Shape
from cds_service.fhir.write_template import blank, identity, more
from cds_service.fhir.write_told import language_of

ROLE = "label"
_PDF = "application/pdf"


def label_reference(house: House, shape: Shape) -> Item:
    """The DocumentReference: the leaflet, and the label when there is a medicine to label.

    The addresses are relative to the base of the server that answers (FHIR R4 Attachment.url).
    """
    address = f"GuidanceResponse/{identity('guidance-response')}/label"
    documents = [("label.title", address)] if shape.orders else []
    documents.append(("label.leaflet", f"{address}?paper=a5"))
    resource = {
        **start("DocumentReference", ROLE),
        "status": "current",
        "docStatus": "preliminary",
        "type": {"text": house.title("label.title" if shape.orders else "label.leaflet")},
        more("subject"): None,
        "date": blank("as_of"),
        "description": house.title("write.proposal"),
        "content": [_content(house, key, url) for key, url in documents],
        more("context"): None,
    }
    return Item(ROLE, resource, house.title("label.title"), "", ())


def _content(house: House, key: str, url: str) -> Json:
    language = language_of(house, (Message(key),))
    attachment = {"contentType": _PDF, "language": language, "url": url}
    return {"attachment": {**attachment, "title": house.title(key)}}
