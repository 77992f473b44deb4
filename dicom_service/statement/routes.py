"""The addresses of the web interface, as the application itself knows them."""

import re
from collections.abc import Callable
from functools import cache
from typing import Any, NamedTuple

from flask import Flask

from dicom_service.web.app import API
from dicom_service.web.dicomweb import blueprint as dicomweb

_METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")


class Route(NamedTuple):
    """One method of one address."""

    path: str
    """With variables in braces, as OpenAPI writes them."""
    method: str
    endpoint: str
    variables: tuple[str, ...]
    summary: str


@cache
def routes() -> tuple[Route, ...]:
    """Every route below /api and /dicomweb, in the order of their addresses."""
    app = Flask("routes", static_folder=None)
    for part in (*(module.blueprint for module in API), dicomweb):
        app.register_blueprint(part)
    found = [
        Route(
            path=_braced(str(rule.rule)),
            method=method,
            endpoint=rule.endpoint,
            variables=tuple(sorted(rule.arguments, key=str(rule.rule).index)),
            summary=_summary(app.view_functions[rule.endpoint]),
        )
        for rule in app.url_map.iter_rules()
        for method in _METHODS
        if method in (rule.methods or ())
    ]
    return tuple(sorted(found, key=lambda route: (route.path, _METHODS.index(route.method))))


def _braced(rule: str) -> str:
    return re.sub(r"<(?:\w+:)?(\w+)>", r"{\1}", rule)


def _summary(view: Callable[..., Any]) -> str:
    return (view.__doc__ or "").strip().split("\n")[0].rstrip(".:")
