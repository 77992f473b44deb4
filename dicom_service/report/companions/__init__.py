"""What goes with a signed report: key images, annotations, PDF, and other systems' formats.

Builders like those of the report itself: data in, data out.
"""

from dicom_service.report.companions.composite import Place
from dicom_service.report.companions.encapsulated import encapsulated_pdf
from dicom_service.report.companions.fhir import fhir_bundle
from dicom_service.report.companions.key_images import key_images, key_views
from dicom_service.report.companions.limb_map import LimbMap
from dicom_service.report.companions.mrrt import mrrt_templates
from dicom_service.report.companions.oru import oru_message
from dicom_service.report.companions.pdf import report_pdf
from dicom_service.report.companions.pdf_body import KeyImage
from dicom_service.report.companions.presentation import annotated_views, presentation_state

__all__ = [
    "KeyImage",
    "LimbMap",
    "Place",
    "annotated_views",
    "encapsulated_pdf",
    "fhir_bundle",
    "key_images",
    "key_views",
    "mrrt_templates",
    "oru_message",
    "presentation_state",
    "report_pdf",
]
