"""What the node offers, written from the tables that it runs on, so that it cannot drift.

conformance.py writes the DICOM Conformance Statement, openapi.py describes the web interface.
"""

from dicom_service.statement.conformance import conformance_statement
from dicom_service.statement.openapi import openapi, openapi_text

__all__ = ["conformance_statement", "openapi", "openapi_text"]
