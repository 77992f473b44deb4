"""Accounts of people whom an OpenID Connect provider vouches for, and what is under way with it.

A person is the pair of issuer and subject; names may change hands at a provider, so an account is
tied to the pair and only once. Whatever is under way is a row, not memory: any web worker may
answer what another began, and each row is good for one use.
"""

from datetime import datetime

from sqlalchemy import Delete, delete, func, insert, select

from dicom_service.base import Frozen
from dicom_service.errors import Refused, TryLater
from dicom_service.store.index import retried
from dicom_service.store.opening import Shelf
from dicom_service.store.schema_accounts import confirmations, identities, sign_in_steps, users
from dicom_service.store.times import from_us, to_us

MOST_STEPS = 10_000
"""Steps under way at a time: whoever begins and never ends must not fill the index."""


class Step(Frozen):
    """A way to the provider and back that has begun.

    `session` and `study_uid` are empty at sign-in; else the session, by the hash of its token,
    that confirms something about the study.
    """

    browser: str
    nonce: str
    verifier: str
    session: str
    study_uid: str
    user: str
    next: str
    began: datetime
    expires: datetime


class Identities(Shelf):
    """Who is who at the provider; steps under way; what was confirmed."""

    def person(self, issuer: str, subject: str) -> str | None:
        """The account that is tied to this person."""
        query = select(identities.c.user).where(
            identities.c.issuer == issuer, identities.c.subject == subject
        )
        with self._index.read() as connection:
            return connection.execute(query).scalar()

    def identity(self, user: str) -> tuple[str, str] | None:
        """Issuer and subject that an account is tied to."""
        query = select(identities.c.issuer, identities.c.subject).where(identities.c.user == user)
        with self._index.read() as connection:
            row = connection.execute(query).first()
        return None if row is None else (row.issuer, row.subject)

    @retried
    def tie(self, user: str, issuer: str, subject: str) -> None:
        """Tie an account without a password to a person, for good.

        Raises
        ------
        Refused
            The account has a password, or is tied to somebody already.
        """
        with self._index.write("users") as connection:
            row = connection.execute(select(users).where(users.c.name == user)).first()
            tied = select(identities.c.user).where(identities.c.user == user)
            if row is None or row.password_hash or connection.execute(tied).first():
                raise Refused(f"The account {user} is somebody else's.")
            connection.execute(insert(identities).values(issuer=issuer, subject=subject, user=user))

    @retried
    def begin_step(self, state: str, step: Step, now: datetime) -> None:
        """Remember a step by the hash of its state.

        Raises
        ------
        TryLater
            Too many are under way.
        """
        values = step.model_dump(exclude={"began", "expires"})
        values |= {"began": to_us(step.began), "expires": to_us(step.expires)}
        with self._index.write() as connection:
            connection.execute(delete(sign_in_steps).where(sign_in_steps.c.expires <= to_us(now)))
            count = connection.execute(select(func.count()).select_from(sign_in_steps)).scalar()
            if count is not None and count >= MOST_STEPS:
                raise TryLater("Too many people are signing in at this moment.")
            connection.execute(insert(sign_in_steps).values(state=state, **values))

    @retried
    def end_step(self, state: str, now: datetime) -> Step | None:
        """The step of that state, once; None when there is none, or not in time."""
        mine = sign_in_steps.c.state == state
        with self._index.write() as connection:
            row = connection.execute(select(sign_in_steps).where(mine)).first()
            if row is None or not connection.execute(delete(sign_in_steps).where(mine)).rowcount:
                return None
        if row.expires <= to_us(now):
            return None
        values = {name: getattr(row, name) for name in Step.model_fields}
        values |= {"began": from_us(row.began), "expires": from_us(row.expires)}
        return Step(**values)

    @retried
    def confirm(self, session: str, study_uid: str, expires: datetime) -> None:
        """Whoever has this session has just shown again who they are, for this study."""
        with self._index.write() as connection:
            connection.execute(_confirmation(session, study_uid))
            connection.execute(
                insert(confirmations).values(
                    session=session, study_uid=study_uid, expires=to_us(expires)
                )
            )

    @retried
    def take_confirmation(self, session: str, study_uid: str, now: datetime) -> bool:
        """Whether there is one in time; it is used up."""
        with self._index.write() as connection:
            fresh = _confirmation(session, study_uid).where(confirmations.c.expires > to_us(now))
            taken = connection.execute(fresh).rowcount
            connection.execute(delete(confirmations).where(confirmations.c.expires <= to_us(now)))
        return bool(taken)


def _confirmation(session: str, study_uid: str) -> Delete:
    return delete(confirmations).where(
        confirmations.c.session == session, confirmations.c.study_uid == study_uid
    )
