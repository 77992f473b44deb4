"""Making the Flask application."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from flask import Flask

from dicom_service.roster import Roster
from dicom_service.settings import PLUGIN, Settings
from dicom_service.store import Seeing, Store
from dicom_service.web import (
    accounts,
    admin,
    api,
    gate,
    giving,
    health,
    languages,
    measuring,
    metrics,
    oidc,
    pages,
    peers,
    preferences,
    problems,
    quarantine,
    reading_list,
    report_files,
    security,
    session,
    viewer_files,
)
from dicom_service.web.dicomweb import blueprint as dicomweb
from dicom_service.web.ports import DeskPort
from dicom_service.web.rates import Rates
from dicom_service.web.site import KEY, Site
from dicom_service.web.throttle import Throttle

API = (
    session,
    preferences,
    api,
    measuring,
    reading_list,
    health,
    admin,
    accounts,
    peers,
    quarantine,
    giving,
    report_files,
)
"""What answers below /api."""
LARGEST_BODY = 1 << 30


def _utc_now() -> datetime:
    return datetime.now(UTC)


def create_app(
    settings: Settings,
    store: Store,
    desk: DeskPort,
    *,
    viewer: Path | None = None,
    on_stored: Callable[[], None] = lambda: None,
    on_outbox: Callable[[], None] = lambda: None,
    on_peers: Callable[[], None] = lambda: None,
    roster: Roster | None = None,
    listening: Callable[[], bool] = lambda: True,
    ports: Callable[[], tuple[int, int]] | None = None,
    clock: Callable[[], datetime] = _utc_now,
) -> Flask:
    """The web pages of a node.

    Parameters
    ----------
    viewer
        Folder with the host viewer's files (`viewer_install.ensure_viewer`); None: `/read` says
        that it is not installed, all else works.
    on_stored
        Called when an object came in over the web, so that its study is looked after.
    on_outbox
        Called when deliveries are to be tried now.
    on_peers
        Called when a peer was added, changed or removed.
    roster
        The peers; None: those of the settings and of the store.
    listening
        Whether DICOM peers can call; part of being ready.
    ports
        The plain and the secure DICOM port, 0 for none; None: those of the settings.
    clock
        Gives the present moment; tests give their own.
    """
    app = Flask("dicom_service.web", static_folder="static", template_folder="templates")
    app.config["MAX_CONTENT_LENGTH"] = LARGEST_BODY
    app.json.sort_keys = False  # type: ignore[attr-defined]
    app.extensions[KEY] = Site(
        settings=settings,
        store=store,
        desk=desk,
        clock=clock,
        throttle=Throttle(clock),
        rates=Rates(settings.requests_per_second),
        seeing=Seeing(store, clock),
        viewer=viewer.resolve() if viewer else None,
        plugin=PLUGIN,
        on_stored=on_stored,
        on_outbox=on_outbox,
        on_peers=on_peers,
        roster=roster or Roster(settings, store),
        listening=listening,
        ports=ports or (lambda: settings.dimse_ports),
        started_at=clock(),
    )
    problems.install(app)
    languages.install(app)
    metrics.install(app, store)
    security.install(app)
    gate.install(app)
    for part in (*(module.blueprint for module in (*API, pages, metrics)), dicomweb):
        app.register_blueprint(part)
    app.register_blueprint(viewer_files.blueprint)
    oidc.install(app, settings)
    return app
