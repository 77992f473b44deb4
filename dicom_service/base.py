"""The base of every value object that crosses a border (JSON, database, network)."""

from pydantic import BaseModel, ConfigDict


class Frozen(BaseModel):
    """An immutable, validated value; unknown fields are refused, so typing errors surface."""

    model_config = ConfigDict(frozen=True, extra="forbid")
