"""A small OpenID Connect provider that can also lie, for what honest ones never do."""

import base64
import hashlib
import hmac
import json
import secrets
import threading
import time
from collections.abc import Callable
from functools import cache
from html import escape
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from joserfc import jwt
from joserfc.jwk import RSAKey

SECRET = "the secret of the node"


class LyingProvider(ThreadingHTTPServer):
    """Signs in whoever `person` is, at once; `twist` changes what the token says.

    With `asks` it shows a page first, on which a person presses a button.
    """

    daemon_threads = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.issuer = f"http://127.0.0.1:{self.server_address[1]}"
        self.key = _key()
        self.person: dict[str, Any] = {
            "sub": "s-1",
            "preferred_username": "ida",
            "family_name": "Vreeland",
            "given_name": "Ida",
            "groups": ["radiology", "lunch"],
        }
        self.twist: Callable[[dict[str, Any]], dict[str, Any]] = lambda claims: claims
        self.header: dict[str, Any] = {"alg": "RS256", "kid": "one"}
        self.signing_key: Any = self.key
        self.metadata: dict[str, Any] = {}
        self.honours_login = True
        self.asks = False
        self.ahead = 0.0
        self.asked: list[dict[str, str]] = []
        self._codes: dict[str, dict[str, str]] = {}
        self._signed_in_at = time.time() - 3600
        threading.Thread(target=self.serve_forever, daemon=True).start()

    def authorize(self, query: dict[str, str]) -> str:
        """Where the browser is sent: back, with a code."""
        self.asked.append(query)
        if self.honours_login and query.get("prompt") == "login":
            self._signed_in_at = time.time() + self.ahead
        code = secrets.token_urlsafe(16)
        self._codes[code] = query
        return f"{query['redirect_uri']}?{urlencode({'code': code, 'state': query['state']})}"

    def token(self, form: dict[str, str], authorization: str) -> dict[str, Any] | None:
        """What a code is worth: once, to the node, with the verifier."""
        query = self._codes.pop(form.get("code", ""), None)
        given = base64.b64decode(authorization.removeprefix("Basic ")).decode().split(":")
        digest = hashlib.sha256(form.get("code_verifier", "").encode()).digest()
        challenge = _base64(digest)
        if query is None or given != [query["client_id"], SECRET.replace(" ", "+")]:
            return None
        if query["code_challenge_method"] != "S256" or query["code_challenge"] != challenge:
            return None
        now = int(time.time())
        claims = self.twist(
            {
                **self.person,
                "iss": self.issuer,
                "aud": query["client_id"],
                "nonce": query["nonce"],
                "iat": now,
                "exp": now + 300,
                "auth_time": int(self._signed_in_at),
            }
        )
        return {"access_token": "a", "token_type": "Bearer", "id_token": self._signed(claims)}

    def _signed(self, claims: dict[str, Any]) -> str:
        if self.header["alg"] == "none":
            return (
                ".".join(_base64(json.dumps(part).encode()) for part in (self.header, claims)) + "."
            )
        if self.header["alg"].startswith("HS"):  # the public key taken for a shared secret
            parts = [_base64(json.dumps(part).encode()) for part in (self.header, claims)]
            shared, signed = self.key.as_pem(private=False), ".".join(parts)
            return f"{signed}.{_base64(hmac.digest(shared, signed.encode(), 'sha256'))}"
        return jwt.encode(self.header, claims, self.signing_key, [self.header["alg"]])


@cache
def _key() -> RSAKey:
    return RSAKey.generate_key(2048, {"kid": "one"})


def _base64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


class _Handler(BaseHTTPRequestHandler):
    server: LyingProvider

    def do_GET(self) -> None:
        parts = urlsplit(self.path)
        query = {name: values[0] for name, values in parse_qs(parts.query).items()}
        here = self.server.issuer
        if parts.path == "/authorize" and self.server.asks and "pressed" not in query:
            self._page(f"{self.path}&pressed=1")
        elif parts.path == "/authorize":
            self.send_response(302)
            self.send_header("Location", self.server.authorize(query))
            self.end_headers()
        elif parts.path == "/jwks":
            self._json({"keys": [self.server.key.as_dict(private=False)]})
        else:
            known = {"issuer": here, "jwks_uri": f"{here}/jwks"}
            for name in ("authorization", "token", "end_session"):
                known[f"{name}_endpoint"] = f"{here}/{name.replace('authorization', 'authorize')}"
            self._json(known | self.server.metadata)

    def _page(self, onward: str) -> None:
        self.send_response(200)
        self.send_header("Content-Type", "text/html; charset=utf-8")
        # As large providers have it: the window that opened this one loses sight of it.
        self.send_header("Cross-Origin-Opener-Policy", "same-origin")
        self.end_headers()
        self.wfile.write(
            "<!doctype html><html lang=en><title>Provider</title><h1>Provider</h1>"
            f'<a href="{escape(onward)}">It is me</a>'.encode()
        )

    def do_POST(self) -> None:
        length = int(self.headers["Content-Length"])
        body = parse_qs(self.rfile.read(length).decode())
        form = {name: values[0] for name, values in body.items()}
        answer = self.server.token(form, self.headers.get("Authorization", ""))
        self._json(answer or {"error": "invalid_grant"}, 200 if answer else 400)

    def _json(self, body: dict[str, Any], status: int = 200) -> None:
        self.send_response(status)
        self.send_header("Content-Type", "application/json")
        self.end_headers()
        self.wfile.write(json.dumps(body).encode())

    def log_message(self, *given: Any) -> None:
        """Nothing: tests speak for themselves."""
