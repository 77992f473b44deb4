"""Settings: command line over environment over one TOML file over safe defaults."""

import difflib
import ipaddress
import os
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any, Literal, get_args
from urllib.parse import urlsplit

from pydantic import BaseModel, Field, ValidationError, field_validator, model_validator

from dicom_service.anatomy.model import Section
from dicom_service.base import Frozen
from dicom_service.bucket_settings import BucketSettings
from dicom_service.errors import SetupError
from dicom_service.setting_errors import sentence
from dicom_service.setting_values import ae_title, listed, networks
from dicom_service.site_settings import SiteSettings, check_sites, whole_order

PREFIX = "SESAMOID_"
FILE_NAME = "sesamoid.toml"

PLUGIN = Path(__file__).parent.parent / "viewer_plugin"
"""The panel's files, beside this package. It is a folder without Python in it, which
`importlib.resources` cannot find in an editable installation."""


class Peer(Frozen):
    """Another application entity."""

    name: str = Field(min_length=1, max_length=64)
    ae_title: str = Field(min_length=1, max_length=16)
    host: str = Field(default="127.0.0.1", min_length=1, max_length=253)
    port: int = Field(ge=1, le=65535)
    commitment: bool = True
    retrieve: Literal["none", "get", "move"] = "none"
    tls: bool = False
    addresses: tuple[str, ...] = ()
    certificate: str = ""
    site: str = ""

    @field_validator("name")
    @classmethod
    def _on_one_line(cls, name: str) -> str:
        if not name.isprintable() or not name.strip() or "/" in name:
            raise ValueError("a name is printable text without '/'")
        return name.strip()

    @field_validator("ae_title")
    @classmethod
    def _ascii_title(cls, title: str) -> str:
        return ae_title(title)

    @field_validator("host")
    @classmethod
    def _host(cls, host: str) -> str:
        if not re.fullmatch(r"[\w.:%-]+", host, re.ASCII):
            raise ValueError("a host is a name such as archive.clinic.example, or an address")
        return host

    @field_validator("addresses")
    @classmethod
    def _networks(cls, addresses: tuple[str, ...]) -> tuple[str, ...]:
        return networks(addresses)

    @field_validator("certificate")
    @classmethod
    def _fingerprint_or_name(cls, text: str) -> str:
        plain = text.replace(":", "").lower()
        if re.fullmatch("[0-9a-f]{64}", plain):
            return plain
        if text and not re.fullmatch(r"CN=.{1,64}", text):
            raise ValueError(
                "it is the SHA-256 fingerprint of the peer's certificate (64 hexadecimal digits), "
                "or CN= and the common name in it"
            )
        return text


class Tls(Frozen):
    """The secure port, and what we show and ask for when we call a peer with `tls`."""

    listen: bool = False
    only: bool = False
    port: int = Field(default=2762, ge=0, le=65535)
    certificate: str = ""
    key: str = ""
    authority: str = ""
    revoked: str = ""


_Seconds = Annotated[float, Field(gt=0, le=7 * 24 * 3600, allow_inf_nan=False)]


Role = Literal["receive", "settle", "send", "web"]


class Oidc(Frozen):
    """Sign-in through an OpenID Connect provider."""

    issuer: str = ""
    client_id: str = ""
    client_secret: str = ""
    client_secret_file: str = ""
    label: str = "Single sign-on"
    scopes: str = "openid profile email"
    name_claim: str = Field(default="preferred_username", min_length=1)
    roles_claim: str = "groups"
    readers: tuple[str, ...] = ()
    administrators: tuple[str, ...] = ()
    make_accounts: bool = False

    @field_validator("readers", "administrators", mode="before")
    @classmethod
    def _listed(cls, given: object) -> object:
        return listed(given)

    @model_validator(mode="after")
    def _whole(self) -> "Oidc":
        if not self.issuer:
            return self
        if not self.client_id:
            raise ValueError("a provider needs the client_id that it gave to this node")
        if not is_safe(self.issuer):
            raise ValueError("the issuer must be an https address")
        if "openid" not in self.scopes.split():
            raise ValueError("scopes must have openid among them")
        if self.make_accounts and not (self.roles_claim and (self.readers or self.administrators)):
            raise ValueError("make_accounts needs a roles_claim and who are readers")
        return self


def is_safe(address: str) -> bool:
    """Whether secrets may go to this web address: over TLS, or to this machine."""
    parts = urlsplit(address)
    at_home = parts.scheme == "http" and parts.hostname in ("127.0.0.1", "::1", "localhost")
    return bool(parts.hostname) and (parts.scheme == "https" or at_home)


class Settings(Frozen):
    """All settings of a node; `sesamoid.toml` beside this module says what each is for."""

    ae_title: str = Field(default="SESAMOID", min_length=1, max_length=16)
    dimse_host: str = "127.0.0.1"
    dimse_port: int = Field(default=11113, ge=0, le=65535)
    http_host: str = "127.0.0.1"
    http_port: int = Field(default=8480, ge=0, le=65535)
    data_folder: Path = Path("sesamoid-data")
    roles: tuple[Role, ...] = Field(default=get_args(Role), min_length=1)
    index_url: str = Field(default="", pattern=r"^(postgres(ql)?(\+psycopg)?://.+)?$")
    low_water_mb: int = Field(default=512, ge=0)
    journal_below_kb: int = Field(default=1024, ge=0, le=16384)
    drop_images_days: int = Field(default=0, ge=0)
    settle_seconds: _Seconds = 10.0
    lease_seconds: _Seconds = 120.0
    peers_only: bool = False
    balancers: tuple[str, ...] = ()
    store_templates: bool = False
    send_pdf: bool = True
    send_key_images: bool = True
    send_presentation_states: bool = False
    institution: str = ""
    anatomy_folder: str = ""
    section_order: tuple[Section, ...] = get_args(Section)
    archive: str = ""
    commitment_seconds: _Seconds = 60.0
    peer_timeout_seconds: _Seconds = 30.0
    retry_first_seconds: _Seconds = 5.0
    retry_longest_seconds: _Seconds = 900.0
    priors_studies: int = Field(default=6, ge=1, le=100)
    http_tls_certificate: str = ""
    http_tls_key: str = ""
    trusted_proxy: str = "127.0.0.1"
    requests_per_second: int = Field(default=200, ge=1)
    metrics_token: str = ""
    audit_syslog: str = ""
    audit_syslog_ca: str = ""
    language: Literal["", "en", "de"] = ""
    session_hours: float = Field(default=12.0, gt=0, le=8784, allow_inf_nan=False)
    log_level: Literal["DEBUG", "INFO", "WARNING", "ERROR"] = "INFO"
    log_format: Literal["text", "json"] = "text"
    drain_seconds: float = Field(default=0.0, ge=0, le=3600, allow_inf_nan=False)
    user_identity: bool = False
    tls: Tls = Tls()
    oidc: Oidc = Oidc()
    bucket: BucketSettings = BucketSettings()
    peers: tuple[Peer, ...] = ()
    sites: tuple[SiteSettings, ...] = ()

    @field_validator("ae_title")
    @classmethod
    def _ascii_title(cls, title: str) -> str:
        return ae_title(title)

    @field_validator("section_order", "balancers", "roles", mode="before")
    @classmethod
    def _listed(cls, given: object) -> object:
        return listed(given)

    @field_validator("balancers")
    @classmethod
    def _balancer_networks(cls, addresses: tuple[str, ...]) -> tuple[str, ...]:
        return networks(addresses)

    @field_validator("data_folder", mode="before")
    @classmethod
    def _named(cls, folder: object) -> object:
        if folder == "":
            raise ValueError("it is empty; name the folder that everything is kept in")
        return folder

    @field_validator("trusted_proxy")
    @classmethod
    def _one_address(cls, address: str) -> str:
        if address and not _is_address(address):
            raise ValueError(f"'{address}' is no address such as 127.0.0.1")
        return address

    @field_validator("metrics_token")
    @classmethod
    def _one_word(cls, token: str) -> str:
        if not token.isascii() or any(c <= " " for c in token):
            raise ValueError("a token is ASCII without spaces")
        return token

    @field_validator("section_order")
    @classmethod
    def _each_once(cls, order: tuple[Section, ...]) -> tuple[Section, ...]:
        return whole_order(order)

    @model_validator(mode="after")
    def _peers_fit(self) -> "Settings":
        named = [(peer.site, peer.name) for peer in self.peers]
        check_sites(self.sites, self.ae_title, named, self.archive)
        bound = next((peer.name for peer in self.peers if peer.certificate), None)
        if bound and not self.tls.listen:
            raise ValueError(
                f"The peer '{bound}' is to show a certificate, which needs listen = true in [tls]"
            )
        return self

    @model_validator(mode="after")
    def _fit_together(self) -> "Settings":
        if set(self.roles) != set(get_args(Role)) and not self.index_url:
            raise ValueError("roles apart from each other need an index that they share: index_url")
        if self.bucket.name and self.index_url and self.bucket.spool_mb:
            raise ValueError(
                "with index_url other nodes read what this one takes, so nothing may wait in its "
                "spool: spool_mb = 0 in [bucket]"
            )
        archives = [self.archive, *(site.archive for site in self.sites)]
        if self.drop_images_days and not any(archives):
            raise ValueError("drop_images_days needs an archive that has the images")
        if self.tls.only and not self.tls.listen:
            raise ValueError("only in [tls] closes the plain port: it needs listen = true")
        if self.http_tls_key and not self.http_tls_certificate:
            raise ValueError(
                "http_tls_key is set but http_tls_certificate is not: "
                "the web pages would not be encrypted"
            )
        if self.retry_longest_seconds < self.retry_first_seconds:
            raise ValueError("retry_longest_seconds must not be less than retry_first_seconds")
        ports = [("dimse_port", self.dimse_port), ("http_port", self.http_port)]
        ports += [("port in [tls]", self.tls.port)] if self.tls.listen else []
        for number, (name, port) in enumerate(ports):
            for other, same in ports[:number]:
                if port and port == same:
                    raise ValueError(f"{other} and {name} are both {port}; each needs its own")
        return self

    def peer(self, name: str) -> Peer | None:
        """The peer called `name`, or None; one of a site is called SITE/NAME."""
        named = ((f"{p.site}/{p.name}" if p.site else p.name, p) for p in self.peers)
        return next((peer for full, peer in named if full == name), None)

    def at(self, site: str) -> "Settings":
        """The settings as they are for one site; for the unnamed one of a node without others,
        these themselves.
        """
        if not self.sites:
            return self
        peers = tuple(peer for peer in self.peers if peer.site == site)
        own = next((one for one in self.sites if one.id == site), None)
        if own is None:
            return self.model_copy(update={"peers": peers})
        return self.model_copy(
            update={
                "peers": peers,
                "ae_title": own.ae_titles[0],
                "archive": own.archive,
                "institution": own.institution or own.name,
                "section_order": own.section_order or self.section_order,
            }
        )

    @property
    def dimse_ports(self) -> tuple[int, int]:
        """The plain and the secure DICOM port, 0 for none."""
        plain = 0 if self.tls.only else self.dimse_port
        return plain, self.tls.port if self.tls.listen else 0

    @property
    def site_ids(self) -> tuple[str, ...]:
        """Of the sites with a name."""
        return tuple(one.id for one in self.sites)

    def site_called(self, title: str) -> str | None:
        """Which site is called under an AE title; None: no site is.

        Without sites the node has one title, and whoever is connected has called it.
        """
        if title == self.ae_title or not self.sites:
            return ""
        return next((one.id for one in self.sites if title in one.ae_titles), None)


_TABLES: dict[str, type[BaseModel]] = {"tls": Tls, "oidc": Oidc, "bucket": BucketSettings}
_BLOCKS: dict[str, type[BaseModel]] = {"peers": Peer, "sites": SiteSettings}
"""Tables of which there may be several; only the file has them."""


def _is_address(text: str) -> bool:
    try:
        ipaddress.ip_address(text)
    except ValueError:
        return False
    return True


def load(
    file: Path | None = None,
    environment: Mapping[str, str] | None = None,
    **options: Any,
) -> Settings:
    """Read the settings.

    Parameters
    ----------
    file
        The TOML file; None: SESAMOID_CONFIG, then `sesamoid.toml` in the working directory if
        it is there.
    environment
        Variables to use; None: those of the process.
    **options
        Values that win over all others; None means not given.

    Raises
    ------
    SetupError
        The file cannot be read or a value is wrong; the sentence names the setting.
    """
    environment = os.environ if environment is None else environment
    _refuse_misspelt(environment)
    values = _from_file(file, environment)
    for name in Settings.model_fields:
        if name not in (*_BLOCKS, *_TABLES) and PREFIX + name.upper() in environment:
            values[name] = environment[PREFIX + name.upper()]
    for name, table in _TABLES.items():
        for field in table.model_fields:
            variable = f"{PREFIX}{name.upper()}_{field.upper()}"
            if variable in environment:
                values[name] = values.get(name, {}) | {field: environment[variable]}
    values.update({name: value for name, value in options.items() if value is not None})
    try:
        return Settings(**values)
    except ValidationError as error:
        raise SetupError(sentence(error, Settings, values)) from error


def _refuse_misspelt(environment: Mapping[str, str]) -> None:
    """A variable that nearly names a setting would be ignored without a word."""
    known = [PREFIX + name.upper() for name in Settings.model_fields]
    for name, table in _TABLES.items():
        known += [f"{PREFIX}{name.upper()}_{field.upper()}" for field in table.model_fields]
    for name in environment:
        if name.startswith(PREFIX) and name not in known:
            alike = difflib.get_close_matches(name, known, 1, 0.9)
            if alike:
                raise SetupError(
                    f"The environment variable {name} sets nothing. Did you mean {alike[0]}?"
                )


def _from_file(file: Path | None, environment: Mapping[str, str]) -> dict[str, Any]:
    if file is None and PREFIX + "CONFIG" in environment:
        file = Path(environment[PREFIX + "CONFIG"])
    if file is None:
        file = Path(FILE_NAME)
        if not file.is_file():
            return {}
    try:
        return tomllib.loads(file.read_text("utf-8"))
    except OSError as error:
        raise SetupError(f"The settings file {file} cannot be read: {error.strerror}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise SetupError(f"The settings file {file} is not valid TOML: {error}.") from error
