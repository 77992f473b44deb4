"""Several readers sign at once: each gets the printed report that they would get alone."""

import time
from concurrent.futures import ThreadPoolExecutor
from threading import Barrier
from types import SimpleNamespace

import pytest
from reportlab.pdfbase.ttfonts import TTFontFace

from dicom_service.workflow.companions import printed


@pytest.fixture
def polite(monkeypatch):
    """Whoever has found their place in a typeface lets the others go first, then reads on."""
    seek = TTFontFace.seek

    def seek_and_wait(face: TTFontFace, place: int) -> None:
        seek(face, place)
        time.sleep(1e-6)

    monkeypatch.setattr(TTFontFace, "seek", seek_and_wait)


@pytest.mark.usefixtures("polite")
def test_reports_typeset_at_the_same_moment_are_what_each_is_alone(content):
    desk = SimpleNamespace(store=SimpleNamespace(instances=lambda _: []))
    alone = printed(desk, content)
    together = Barrier(4)

    def typeset(_: int) -> bytes:
        together.wait()
        return printed(desk, content)

    with ThreadPoolExecutor(4) as readers:
        assert set(readers.map(typeset, range(4))) == {alone}
