"""A measurement for people and for programs."""

from tonelab.show.document import document, document_schema
from tonelab.show.summary import summary

__all__ = ["document", "document_schema", "summary"]
