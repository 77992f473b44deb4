"""Password hashes (argon2id with the library's current parameters)."""

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from dicom_service.errors import NotAllowed

_HASHER = PasswordHasher()
_NOBODY = _HASHER.hash("nobody has this password")


class WrongPassword(NotAllowed):
    """A signature with another password than the signer's."""


def hash_password(password: str) -> str:
    """Hash a password for storing.

    Raises
    ------
    ValueError
        The password has fewer than 8 characters.
    """
    if len(password) < 8:
        raise ValueError("A password needs at least 8 characters.")
    return _HASHER.hash(password)


def password_fits(stored: str | None, password: str) -> bool:
    """Whether `password` belongs to the stored hash.

    Takes as long for an unknown user (None) and for an account without a password ("").
    """
    try:
        _HASHER.verify(stored or _NOBODY, password)
    except (VerifyMismatchError, InvalidHashError):
        return False
    return bool(stored)
