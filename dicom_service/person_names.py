"""Names of people as they may stand in a document."""

from dicom_service.errors import Refused


def check_person_name(name: str) -> None:
    """Refuse a name that cannot stand in a document (PS3.5 6.2, PN).

    Raises
    ------
    Refused
        Longer than 64 characters, more than five parts, or a backslash, "=" or control character.
    """
    wrong = len(name) > 64 or name.count("^") > 4 or any(c in "\\=" or c < " " for c in name)
    if wrong or not name.strip():
        raise Refused(
            f"'{name}' cannot be a name in a report. Write family^given^middle^prefix^suffix, "
            "at most 64 characters, without '=' and backslash."
        )
