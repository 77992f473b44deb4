"""Accept headers as clients really write them."""

import pytest

from dicom_service.web.dicomweb.accept import Wanted, parse


@pytest.mark.parametrize(
    ("header", "expected"),
    [
        ("", []),
        ("*/*", [Wanted("*/*", "*/*", "*")]),
        (
            "multipart/related; type=application/octet-stream; transfer-syntax=*",
            [Wanted("multipart/related", "application/octet-stream", "*")],
        ),
        (
            'multipart/related; type="image/jls"; transfer-syntax="1.2", text/html',
            [
                Wanted("multipart/related", "image/jls", "1.2"),
                Wanted("text/html", "text/html", "*"),
            ],
        ),
        ("image/png;q=0.5, image/jpeg", [Wanted("image/jpeg", "image/jpeg", "*"),
                                         Wanted("image/png", "image/png", "*")]),
        ("image/png;q=0, image/jpeg;q=x", []),
        ('multipart/related; type="a,b;c"', [Wanted("multipart/related", "a,b;c", "*")]),
    ],
)  # fmt: skip
def test_an_accept_header_is_read(header, expected):
    assert parse(header) == expected


def test_a_hostile_accept_header_takes_no_time():
    assert parse('a;b="' * 800) is not None
