"""Values that several settings have: addresses, AE titles, lists in environment variables."""

import ipaddress


def networks(addresses: tuple[str, ...]) -> tuple[str, ...]:
    """The same addresses and networks; ValueError when one is none."""
    for address in addresses:
        try:
            ipaddress.ip_network(address)
        except ValueError as error:
            raise ValueError(
                f"'{address}' is no address and no network such as 10.1.0.0/16"
            ) from error
    return addresses


def ae_title(title: str) -> str:
    """The same title without spaces around it; ValueError when it is none (PS3.5 6.2, AE)."""
    if not (title.isascii() and title.isprintable() and title.strip()) or "\\" in title:
        raise ValueError("an AE title is 1 to 16 printable ASCII characters without '\\'")
    return title.strip()


def listed(given: object) -> object:
    """An environment variable holds the parts of a list separated by commas."""
    if not isinstance(given, str):
        return given
    return [part.strip() for part in given.split(",") if part.strip()]
