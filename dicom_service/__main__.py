"""`python -m dicom_service` is the command `sesamoid`."""

import sys

from dicom_service.cli import main

sys.exit(main())
