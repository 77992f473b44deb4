"""The settings of a bucket for the objects."""

from pathlib import Path
from typing import Literal
from urllib.parse import urlsplit

from pydantic import Field, field_validator, model_validator

from dicom_service.base import Frozen
from dicom_service.errors import SetupError
from dicom_service.store.elsewhere import Elsewhere, Place, Spooling


class BucketSettings(Frozen):
    """Where the objects are when they are not in the data folder."""

    name: str = Field(default="", pattern=r"^([a-z0-9][a-z0-9.-]{1,61}[a-z0-9])?$")
    endpoint: str = ""
    region: str = Field(default="us-east-1", pattern=r"^[a-z0-9-]+$")
    prefix: str = Field(default="", pattern=r"^([A-Za-z0-9_.-]+/)*$")
    access_key: str = ""
    secret_key: str = Field(default="", repr=False)
    secret_key_file: str = ""
    authority: str = ""
    acknowledge: Literal["bucket", "spool"] = "bucket"
    spool_mb: int = Field(default=10240, ge=0)
    cache_mb: int = Field(default=10240, ge=0)
    timeout_seconds: float = Field(default=20.0, gt=0, le=600, allow_inf_nan=False)

    @field_validator("endpoint")
    @classmethod
    def _address(cls, endpoint: str) -> str:
        parts = urlsplit(endpoint)
        whole = parts.scheme in ("http", "https") and parts.hostname
        if endpoint and (not whole or parts.path.strip("/") or parts.username or parts.query):
            raise ValueError("it is an address such as https://objects.example:9000")
        return endpoint.rstrip("/")

    @model_validator(mode="after")
    def _whole(self) -> "BucketSettings":
        secrets = [bool(self.secret_key), bool(self.secret_key_file)]
        if all(secrets):
            raise ValueError("secret_key and secret_key_file in [bucket]: one of them is enough")
        if bool(self.access_key) != any(secrets):
            raise ValueError("access_key in [bucket] goes with secret_key or secret_key_file")
        if not self.name and (self.endpoint or self.prefix or self.access_key):
            raise ValueError("[bucket] needs the name of the bucket")
        if self.acknowledge == "spool" and not self.spool_mb:
            raise ValueError('acknowledge = "spool" in [bucket] needs a spool: spool_mb')
        return self

    def elsewhere(self) -> Elsewhere | None:
        """What the store needs to know; None: the objects are in the data folder.

        Raises
        ------
        SetupError
            A file that is named cannot be read.
        """
        if not self.name:
            return None
        secret = self.secret_key
        if self.secret_key_file:
            secret = _read("secret_key_file", self.secret_key_file).decode().strip()
        place = Place(
            name=self.name,
            endpoint=self.endpoint,
            region=self.region,
            prefix=self.prefix,
            access_key=self.access_key,
            secret_key=secret,
            authority=_read("authority", self.authority) if self.authority else b"",
            timeout_seconds=self.timeout_seconds,
        )
        first = self.acknowledge == "spool"
        return Elsewhere(place, Spooling(first, self.spool_mb << 20, self.cache_mb << 20))


def _read(setting: str, file: str) -> bytes:
    try:
        return Path(file).read_bytes()
    except OSError as error:
        raise SetupError(
            f"The file {file} of {setting} in [bucket] cannot be read: {error.strerror}."
        ) from error
