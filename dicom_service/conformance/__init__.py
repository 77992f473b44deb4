"""`sesamoid conformance`: does this peer do what we need? With invented animals only.

`checks.py` has the table of checks; each is a function of a `Run` (run.py: the associations, the
listener, what was sent) that returns a `Finding`. pages.py shows the results as text, JSON,
JUnit and one HTML page.
"""

from dicom_service.conformance.checks import CHECKS, chosen, run_checks
from dicom_service.conformance.model import Result, Target
from dicom_service.conformance.run import Run

__all__ = ["CHECKS", "Result", "Run", "Target", "chosen", "run_checks"]
