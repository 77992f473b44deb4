"""The audit trail outside of the index: as DICOM audit messages, in files and over syslog.

The store writes and seals the events (`store/audit.py`, `store/chain.py`); events.yaml says what
each is in PS3.15 A.5, messages.py writes the XML, syslog.py frames and sends it, forwarding.py
sends every event once, in order, from where it stopped.
"""

from dicom_service.audit.events import Meaning, meanings
from dicom_service.audit.forwarding import Forwarder
from dicom_service.audit.messages import audit_message

__all__ = ["Forwarder", "Meaning", "audit_message", "meanings"]
