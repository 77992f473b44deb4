"""Connections to PostgreSQL that wait for an answer only so long.

A machine that lives acknowledges packets for processes that stand still, so the network's own
limits never end. What is given up here closes the connection: nobody knows what became of it.
"""

import select
from typing import Any, TypeVar

import psycopg
from psycopg.abc import PQGen

Result = TypeVar("Result")


class PatientConnection(psycopg.Connection[Any]):
    """A connection with a limit for each wait."""

    patience: float | None = None
    """Seconds; None: for ever."""
    used_at = float("-inf")
    """When somebody gave it back."""

    def spoken_to(self) -> bool:
        """Whether the server has said something that nobody asked for: mostly that this ends."""
        watch = select.poll()
        try:
            watch.register(self.fileno(), select.POLLIN)
        except psycopg.Error:
            return True
        return bool(watch.poll(0))

    def wait(
        self, gen: PQGen[Result], interval: float = 0.1, timeout: float | None = None
    ) -> Result:
        """Wait for what the generator waits for; see the base class."""
        if timeout is not None or self.patience is None:
            return super().wait(gen, interval, timeout)
        try:
            return super().wait(gen, interval, self.patience)
        except psycopg.errors._WaitTimeout as error:
            self.pgconn.finish()
            raise psycopg.OperationalError(
                f"it has not said anything for {self.patience:g} seconds"
            ) from error
