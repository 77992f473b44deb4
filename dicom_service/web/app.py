"""Making the Flask application."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from flask import Flask

from dicom_service.settings import Settings
from dicom_service.store import Seeing, Store
from dicom_service.web import (
    api,
    pages,
    problems,
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

LARGEST_BODY = 1 << 30
PLUGIN = Path(__file__).parent.parent.parent / "viewer_plugin"


def _utc_now() -> datetime:
    return datetime.now(UTC)


def create_app(
    settings: Settings,
    store: Store,
    desk: DeskPort,
    *,
    viewer: Path | None = None,
    on_stored: Callable[[], None] = lambda: None,
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
    )
    problems.install(app)
    security.install(app)
    blueprints = (session.blueprint, api.blueprint, report_files.blueprint)
    for part in (*blueprints, dicomweb, pages.blueprint):
        app.register_blueprint(part)
    app.register_blueprint(viewer_files.blueprint)
    return app
