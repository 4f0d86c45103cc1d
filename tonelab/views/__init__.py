"""Results for people and for programs: terminal, notebook, figures, page, JSON."""

from tonelab.views.document import document, document_schema
from tonelab.views.terminal.summary import summary

__all__ = ["document", "document_schema", "summary"]
