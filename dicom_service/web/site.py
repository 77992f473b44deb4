"""What every request handler may use: one object, kept with the Flask application."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import cast

from flask import current_app

from dicom_service.roster import Roster
from dicom_service.settings import Settings
from dicom_service.store import Seeing, Store
from dicom_service.web.ports import DeskPort
from dicom_service.web.rates import Rates
from dicom_service.web.throttle import Throttle

KEY = "sesamoid"


@dataclass(frozen=True)
class Site:
    """The parts of a running node that its web pages show."""

    settings: Settings
    store: Store
    desk: DeskPort
    clock: Callable[[], datetime]
    throttle: Throttle
    rates: Rates
    seeing: Seeing
    viewer: Path | None
    """Folder with the host viewer's files; None when it is not installed."""
    plugin: Path
    """Folder with the modules of our panel."""
    on_stored: Callable[[], None]
    """Called when an object came in over the web."""
    on_outbox: Callable[[], None]
    """Called when deliveries are to be tried now."""
    on_peers: Callable[[], None]
    """Called when a peer was added, changed or removed."""
    roster: Roster
    """The peers."""
    listening: Callable[[], bool]
    """Whether DICOM peers can call."""
    ports: Callable[[], tuple[int, int]]
    """The plain and the secure port that DICOM peers call; 0 for none."""
    started_at: datetime


def site() -> Site:
    """The site of the application that handles the present request."""
    return cast("Site", current_app.extensions[KEY])
