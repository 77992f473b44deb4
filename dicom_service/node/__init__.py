"""The node's DICOM services: receiving, settling, sending, storage commitment.

`Node` joins them; each part is a module of its own. Nothing here knows what a study means.
"""

from pynetdicom import _config
from pynetdicom.transport import AssociationSocket

from dicom_service.node.echo import echo
from dicom_service.node.node import Node
from dicom_service.node.transport import close_socket

# The library's own handlers write every PDU, with the peer's text in it, to the log.
_config.LOG_HANDLER_LEVEL = "none"
AssociationSocket._shutdown_socket = close_socket  # type: ignore[method-assign]

__all__ = ["Node", "echo"]
