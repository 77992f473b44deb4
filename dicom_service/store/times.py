"""Times in the index: whole microseconds since 1970 in UTC, so that they sort and compare."""

from datetime import UTC, datetime, timedelta

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)


def to_us(moment: datetime) -> int:
    """Microseconds since 1970 of a timezone-aware time."""
    return (moment - _EPOCH) // _MICROSECOND


def from_us(microseconds: int) -> datetime:
    """The timezone-aware time of `microseconds` since 1970."""
    return _EPOCH + microseconds * _MICROSECOND


def seconds_us(seconds: float) -> int:
    """A duration in microseconds."""
    return round(seconds * 1_000_000)


def now_us() -> int:
    """The present moment."""
    return to_us(datetime.now(UTC))
