"""The streaming receive path: P-DATA from the socket to the disk, under the library's machinery.

pynetdicom keeps the negotiation, the timers and the state machine. Ours is what happens in Sta6,
data transfer, where neither receiving P-DATA (Evt10, DT-2) nor sending it (Evt9, DT-1) changes
the state: `provider` waits for events instead of polling and takes P-DATA PDUs out of the
library's way, `inlet` holds the bytes, `messages` finds the requests, `command` decodes and
answers them, `file` writes an object and its digest. Only `provider` touches the library's
internals; its tests go through the state table.
"""

from dicom_service.node.stream.file import IncomingFile
from dicom_service.node.stream.messages import Answer
from dicom_service.node.stream.provider import attach

__all__ = ["Answer", "IncomingFile", "attach"]
