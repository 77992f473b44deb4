"""An OpenID Connect provider as this node's client sees it: where to send people, whom it means.

Authorization code with PKCE (RFC 7636, S256), state and nonce (OpenID Connect Core 3.1). The token
comes over our own connection to the provider and its signature is checked all the same, with one
of the algorithms below and a key of the provider, never with a secret that both sides know.
"""

import base64
import threading
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import quote_plus

import requests
from authlib.common.errors import AuthlibBaseError
from authlib.common.security import generate_token
from authlib.integrations.requests_client import OAuth2Session
from authlib.oidc.core import CodeIDToken
from joserfc import jwt
from joserfc.errors import InvalidKeyIdError, JoseError
from joserfc.jwk import KeySet

from dicom_service.errors import NotAllowed, PeerAway, SetupError
from dicom_service.settings import Oidc, is_safe

ALGORITHMS = ["RS256", "RS384", "RS512", "PS256", "PS384", "PS512", "ES256", "ES384", "EdDSA"]
CLOCK_SECONDS = 30
"""How far the provider's clock may be from ours."""
_PATIENCE = 10.0
_KNOWN_FOR, _KEYS_AT_MOST_EVERY = 3600.0, 60.0
_ENDPOINTS = ("authorization_endpoint", "token_endpoint", "jwks_uri")


class Going(NamedTuple):
    """Where to send a browser, and what must be remembered until it is back."""

    address: str
    state: str
    nonce: str
    verifier: str


class Provider:
    """The provider of the settings.

    Raises
    ------
    SetupError
        The file with the secret cannot be read.
    """

    def __init__(self, settings: Oidc) -> None:
        self._settings = settings
        self._secret = _secret(settings)
        self._lock = threading.Lock()
        self._known: dict[str, Any] = {}
        self._known_at = self._keys_at = float("-inf")
        self._keys: KeySet | None = None

    def go(self, callback: str, *, again: bool) -> Going:
        """A way to the provider.

        Parameters
        ----------
        callback
            Our address to come back to.
        again
            Whether people have to show who they are even if the provider knows them already.

        Raises
        ------
        PeerAway
            The provider cannot be reached, or is not what the settings say.
        """
        verifier, nonce = generate_token(64), generate_token(43)
        more = {"prompt": "login", "max_age": 0} if again else {}
        endpoint = self._metadata()["authorization_endpoint"]
        with self._session(callback) as session:
            address, state = session.create_authorization_url(
                endpoint, state=generate_token(43), code_verifier=verifier, nonce=nonce, **more
            )
        return Going(address, state, nonce, verifier)

    def come_back(self, callback: str, code: str, nonce: str, verifier: str) -> Mapping[str, Any]:
        """The claims about whoever came back with this code.

        Raises
        ------
        NotAllowed
            The provider does not know the code, or its token is not for us, not now or not its.
        PeerAway
            The provider cannot be reached.
        """
        try:
            with self._session(callback) as session:
                token = session.fetch_token(
                    self._metadata()["token_endpoint"],
                    grant_type="authorization_code",
                    code=code,
                    code_verifier=verifier,
                    timeout=_PATIENCE,
                    allow_redirects=False,
                )
        except requests.RequestException as error:
            raise PeerAway("The sign-in provider does not answer.") from error
        except (AuthlibBaseError, ValueError) as error:
            raise NotAllowed("The sign-in provider did not accept the code.") from error
        if not isinstance(token.get("id_token"), str):
            raise NotAllowed("The sign-in provider does not say who you are.")
        try:
            return self._with_details(self._claims(token, nonce), token)
        except (JoseError, AuthlibBaseError, ValueError, TypeError, KeyError) as error:
            why = getattr(error, "claim_name", None) or type(error).__name__
            raise NotAllowed(f"What the sign-in provider says is not valid ({why}).") from error

    def sign_out(self, back: str) -> str:
        """Where to send a browser that signed out here; "" when the provider has no such place."""
        address = str(self._metadata().get("end_session_endpoint", ""))
        if not is_safe(address):
            return ""
        query = {"client_id": self._settings.client_id, "post_logout_redirect_uri": back}
        return str(requests.Request("GET", address, params=query).prepare().url)

    def _with_details(self, claims: dict[str, Any], token: Mapping[str, Any]) -> Mapping[str, Any]:
        """Claims that only the UserInfo endpoint tells (OpenID Connect Core 5.3)."""
        wanted = {self._settings.name_claim, self._settings.roles_claim} - {""}
        address = str(self._metadata().get("userinfo_endpoint", ""))
        if wanted <= claims.keys() or not is_safe(address) or "access_token" not in token:
            return claims
        more = _fetched(address, Authorization=f"Bearer {token['access_token']}")
        if more.get("sub") != claims["sub"]:
            raise ValueError("the two answers are about different people")
        return more | claims

    def _claims(self, token: Mapping[str, Any], nonce: str) -> dict[str, Any]:
        try:
            decoded = jwt.decode(token["id_token"], self._key_set(), ALGORITHMS)
        except InvalidKeyIdError:  # the provider has new keys
            decoded = jwt.decode(token["id_token"], self._key_set(anew=True), ALGORITHMS)
        must_be = {"iss": self._settings.issuer, "aud": self._settings.client_id, "nonce": nonce}
        claims = CodeIDToken(
            decoded.claims,
            decoded.header,
            {name: {"essential": True, "value": value} for name, value in must_be.items()},
            {
                "client_id": self._settings.client_id,
                "nonce": nonce,
                "access_token": token.get("access_token"),
            },
        )
        claims.validate(leeway=CLOCK_SECONDS)
        if not (isinstance(claims["sub"], str) and 0 < len(claims["sub"]) <= 255):
            raise ValueError("no usable subject")
        return dict(claims)

    def _session(self, callback: str) -> OAuth2Session:
        return OAuth2Session(
            self._settings.client_id,
            self._secret or None,
            scope=self._settings.scopes,
            redirect_uri=callback,
            code_challenge_method="S256",
            token_endpoint_auth_method=_basic if self._secret else "none",
        )

    def _metadata(self) -> dict[str, Any]:
        """What the provider says of itself (OpenID Connect Discovery 4)."""
        with self._lock:
            if time.monotonic() - self._known_at > _KNOWN_FOR:
                issuer = self._settings.issuer
                known = _fetched(f"{issuer.rstrip('/')}/.well-known/openid-configuration")
                if known.get("issuer") != issuer:
                    raise PeerAway(f"The sign-in provider calls itself other than {issuer}.")
                for name in _ENDPOINTS:
                    if not is_safe(str(known.get(name, ""))):
                        raise PeerAway(f"The sign-in provider has no safe {name}.")
                self._known, self._known_at = known, time.monotonic()
            return self._known

    def _key_set(self, anew: bool = False) -> KeySet:
        address = self._metadata()["jwks_uri"]
        with self._lock:
            old = time.monotonic() - self._keys_at
            if self._keys is None or old > _KNOWN_FOR or (anew and old > _KEYS_AT_MOST_EVERY):
                self._keys = KeySet.import_key_set(_fetched(address))  # type: ignore[arg-type]
                self._keys_at = time.monotonic()
            return self._keys


def _basic(
    client: Any, _method: str, uri: str, headers: dict[str, str], body: str
) -> tuple[str, dict[str, str], str]:
    """Form-encoded before base64 (RFC 6749, 2.3.1), which the library leaves out."""
    pair = f"{quote_plus(client.client_id)}:{quote_plus(client.client_secret)}"
    headers["Authorization"] = f"Basic {base64.b64encode(pair.encode()).decode()}"
    return uri, headers, body


def _fetched(address: str, **headers: str) -> dict[str, Any]:
    try:
        answer = requests.get(address, headers=headers, timeout=_PATIENCE, allow_redirects=False)
        answer.raise_for_status()
        found = answer.json()
    except (requests.RequestException, ValueError) as error:
        raise PeerAway("The sign-in provider does not answer.") from error
    if not isinstance(found, dict):
        raise PeerAway("The sign-in provider does not answer with what it should.")
    return found


def _secret(settings: Oidc) -> str:
    if not settings.client_secret_file:
        return settings.client_secret
    try:
        return Path(settings.client_secret_file).read_text("utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise SetupError(
            f"The file {settings.client_secret_file} (client_secret_file in [oidc]) cannot be read."
        ) from error
