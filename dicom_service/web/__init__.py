"""Web pages, panel API and DICOMweb of the node, over one Flask application.

app.py joins the parts: session.py (sign-in), pages.py (reading list), api.py (panel),
dicomweb/ (images for the viewer), viewer_files.py (the host viewer and our plugin),
security.py (headers, requests from other sites), problems.py (errors), server.py (serving).
"""

from dicom_service.web.app import create_app
from dicom_service.web.ports import DeskPort
from dicom_service.web.server import Server, serve

__all__ = ["DeskPort", "Server", "create_app", "serve"]
