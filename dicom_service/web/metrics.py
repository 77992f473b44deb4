"""Figures for Prometheus, at /metrics: requests as they are answered, the rest from the index."""

import hmac
import ipaddress
import time
from collections.abc import Iterator

from flask import Blueprint, Flask, Response, current_app, g, request
from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import CounterMetricFamily, GaugeMetricFamily, InfoMetricFamily, Metric
from prometheus_client.registry import Collector

from dicom_service import __version__
from dicom_service.errors import NotAllowed
from dicom_service.store import Store
from dicom_service.web.session import caller
from dicom_service.web.site import site

CONTENT_TYPE = "text/plain; version=0.0.4; charset=utf-8"
SECONDS = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 10.0)
_KEY = "sesamoid metrics"
_SIGN_IN = "session.sign_in"

blueprint = Blueprint("metrics", __name__)


class Requests:
    """Counts and times the requests of one application."""

    def __init__(self, store: Store) -> None:
        self.registry = CollectorRegistry()
        labels = ["method", "endpoint"]
        self.answers = Counter(
            "sesamoid_http_requests_total",
            "Requests answered",
            [*labels, "status"],
            registry=self.registry,
        )
        self.seconds = Histogram(
            "sesamoid_http_request_seconds",
            "Seconds until a request was answered",
            labels,
            buckets=SECONDS,
            registry=self.registry,
        )
        self.refused_sign_ins = Counter(
            "sesamoid_sign_ins_refused_total",
            "Sign-ins with a wrong password or too many tries",
            registry=self.registry,
        )
        self.registry.register(_Index(store))

    def count(self, response: Response) -> Response:
        """Take an answer into account."""
        # Endpoints and known methods only: a caller must not be able to make up labels.
        endpoint = request.endpoint or "none"
        method = request.method if request.method in _METHODS else "other"
        self.answers.labels(method, endpoint, str(response.status_code)).inc()
        if "started" in g:
            self.seconds.labels(method, endpoint).observe(time.perf_counter() - g.started)
        if endpoint == _SIGN_IN and method == "POST" and response.status_code in (403, 429):
            self.refused_sign_ins.inc()
        return response


_METHODS = frozenset({"GET", "HEAD", "OPTIONS", "POST", "PUT", "PATCH", "DELETE"})


class _Index(Collector):
    """What the index says at the moment of asking."""

    def __init__(self, store: Store) -> None:
        self._store = store

    def describe(self) -> Iterator[Metric]:
        """Nothing ahead: the index may not be asked before the node has started."""
        return iter(())

    def collect(self) -> Iterator[Metric]:
        """The figures."""
        seen = self._store.overview()
        yield InfoMetricFamily("sesamoid", "The node", value={"version": __version__})
        for name, text, counts in (
            ("studies", "Studies by state", seen.studies),
            ("deliveries", "Deliveries to peers by state", seen.deliveries),
        ):
            family = GaugeMetricFamily(f"sesamoid_{name}", text, labels=["state"])
            for state, number in counts.items():
                family.add_metric([state], number)
            yield family
        if self._store.several_sites:
            yield from self._by_site()
        waiting = self._store.spooled
        waits = (time.time() - seen.oldest_delivery.timestamp()) if seen.oldest_delivery else 0.0
        for name, text, value in (
            ("objects", "Objects stored", seen.objects),
            ("object_bytes", "Bytes of objects stored", seen.object_bytes),
            ("quarantined_objects", "Objects in quarantine", seen.quarantined),
            ("oldest_delivery_seconds", "Age of the oldest open delivery", max(0.0, waits)),
            ("journal_bytes", "Bytes of objects in the journal only", self._store.waiting_bytes),
            ("spool_objects", "Objects that wait here for the bucket", waiting[0]),
            ("spool_bytes", "Bytes of objects that wait here for the bucket", waiting[1]),
            ("bucket_away", "Whether the bucket cannot be used", int(bool(self._store.away))),
            ("disk_free_bytes", "Bytes free on the disk of the data folder", seen.free_bytes),
        ):
            yield GaugeMetricFamily(f"sesamoid_{name}", text, value=value)
        text = "Objects not taken because too much waited for the bucket"
        yield CounterMetricFamily("sesamoid_spool_refused", text, value=self._store.refused)

    def _by_site(self) -> Iterator[Metric]:
        named = ("site_studies", "Studies"), ("site_deliveries", "Deliveries to peers")
        for (name, what), counts in zip(named, self._store.counts_by_site(), strict=True):
            text = f"{what} by site and state; site is empty for the one without a name"
            family = GaugeMetricFamily(f"sesamoid_{name}", text, labels=["site", "state"])
            for labels, number in counts.items():
                family.add_metric(list(labels), number)
            yield family


def install(app: Flask, store: Store) -> None:
    """Count every request of the application."""
    counted = app.extensions[_KEY] = Requests(store)

    def begin() -> None:
        g.started = time.perf_counter()

    app.before_request(begin)
    app.after_request(counted.count)


@blueprint.get("/metrics")
def metrics() -> Response:
    """All figures, without a name of anybody."""
    _may_look()
    counted: Requests = current_app.extensions[_KEY]
    return Response(generate_latest(counted.registry), content_type=CONTENT_TYPE)


def _may_look() -> None:
    token = site().settings.metrics_token
    given = request.headers.get("Authorization", "").removeprefix("Bearer ")
    if token and hmac.compare_digest(given.encode(), token.encode()):
        return
    found = caller()
    if found is not None and "administrator" in found.user.roles:
        return
    if not token and _from_this_machine():
        return
    raise NotAllowed("The figures are for this machine, administrators and holders of the token.")


def _from_this_machine() -> bool:
    """Asked on loopback and not through a proxy, which may speak for anybody."""
    if any(name.lower().startswith(("x-forwarded", "forwarded")) for name, _ in request.headers):
        return False
    try:
        return ipaddress.ip_address(request.remote_addr or "").is_loopback
    except ValueError:
        return False
