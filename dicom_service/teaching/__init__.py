"""De-identified teaching cases of signed studies.

`secrets.py` knows what must not come out, `attributes.py` cleans headers (PS3.15 Annex E),
`pixels.py` what is written into the picture, `retold.py` the report, `case.py` joins them,
`folder.py` and `page.py` write the case as DICOM and as a page.
"""

from dicom_service.teaching.case import TeachingCase, teaching_case
from dicom_service.teaching.folder import write_case, zipped

__all__ = ["TeachingCase", "teaching_case", "write_case", "zipped"]
