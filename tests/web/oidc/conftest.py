"""A node whose accounts are with an OpenID Connect provider."""

from datetime import UTC, datetime, timedelta

import pytest

from dicom_service.review.model import Reading
from dicom_service.settings import Settings
from dicom_service.web import create_app
from tests.web.conftest import Buffered, Clock, image
from tests.web.oidc.provider import SECRET, LyingProvider


class OffsetClock(Clock):
    """Runs, from where it was moved to: tokens are made by the real time."""

    def __init__(self) -> None:
        self.ahead = timedelta()

    def __call__(self) -> datetime:
        return datetime.now(UTC) + self.ahead

    def forward(self, **amount: float) -> None:
        self.ahead += timedelta(**amount)


@pytest.fixture
def provider():
    made = LyingProvider()
    yield made
    made.shutdown()
    made.server_close()


@pytest.fixture
def clock():
    return OffsetClock()


@pytest.fixture
def build(tmp_path, store, desk, clock):
    """Makes the pages of a node with a provider."""

    def made(issuer, **options):
        given = {
            "client_id": "node",
            "client_secret": SECRET,
            "readers": ["radiology"],
            "administrators": ["it"],
            "make_accounts": True,
        } | options
        settings = Settings(data_folder=tmp_path / "node", oidc={"issuer": issuer} | given)
        app = create_app(settings, store, desk, clock=clock)
        app.test_client_class = Buffered
        return app

    return made


@pytest.fixture
def app(build, provider, store):
    return build(provider.issuer)


@pytest.fixture
def nia(provider):
    """Somebody whom only the provider knows."""
    provider.person |= {"sub": "s-9", "preferred_username": "nia", "family_name": "Okafor"}
    return provider.person


@pytest.fixture
def study(keep, desk):
    """A study that is here and can be signed."""
    made = image()
    keep(made)
    desk.readings[str(made.StudyInstanceUID)] = (0, Reading())
    return str(made.StudyInstanceUID)
