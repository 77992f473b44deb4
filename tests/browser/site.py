"""One address for all nodes that are not there, so that a browser loads the panel's files once."""

import threading
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from flask import Flask, Response, send_from_directory
from playwright.sync_api import Page
from werkzeug.serving import make_server

ROOT = Path(__file__).parents[2]
FILES_LAST_SECONDS = 3600


class Site:
    """The panel's files, and for everything else the node of the test that runs."""

    def __init__(self) -> None:
        self.files = file_routes()
        self.node: Flask | None = None
        self.address = ""

    def __call__(self, environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        here = self.node if environ["PATH_INFO"].startswith("/api") else None
        return (here or self.files)(environ, start)


def file_routes() -> Flask:
    app = Flask("files")

    @app.get("/plugin/<path:name>")
    def plugin(name: str) -> Response:
        return send_from_directory(ROOT / "viewer_plugin", name, max_age=FILES_LAST_SECONDS)

    @app.get("/panel")
    def page() -> Response:
        return send_from_directory(Path(__file__).parent, "fake_host.html")

    @app.get("/empty")
    def empty() -> Response:
        return Response("<!doctype html><title>Nothing</title>", mimetype="text/html")

    return app


@contextmanager
def serving() -> Iterator[Site]:
    site = Site()
    server = make_server("127.0.0.1", 0, site, threaded=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    site.address = f"http://127.0.0.1:{server.server_port}"
    try:
        yield site
    finally:
        server.shutdown()
        thread.join()
        server.server_close()


def fresh_page(opener: Page) -> Page:
    """A page with nothing of an earlier test but the files that the browser has loaded.

    Opened by another page it needs no process of its own, which is most of what a page costs.
    """
    opener.context.clear_cookies()
    opener.evaluate("localStorage.clear()")
    with opener.expect_popup() as opened:
        opener.evaluate("() => { open('/empty'); }")
    opened.value.wait_for_load_state()
    return opened.value
