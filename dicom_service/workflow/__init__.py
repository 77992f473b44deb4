"""What happens to a study, step by step: prepare, open, save, sign, add an addendum.

Joins the pure core to the store; knows nothing of DIMSE or HTTP.
"""

from dicom_service.workflow.desk import Desk
from dicom_service.workflow.model import Correction, OpenReading, Preview, Saved

__all__ = ["Correction", "Desk", "OpenReading", "Preview", "Saved"]
