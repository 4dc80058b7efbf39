"""Names as a piece of a path of the API."""


def quoted(name: str) -> str:
    """Return a name as one piece of a path, whatever letters it has."""
    from urllib.parse import quote

    return quote(name, safe="")
