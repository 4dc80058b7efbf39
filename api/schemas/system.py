"""The daemon itself."""

from pydantic import Field

from api.schemas.common import Shown


class Alive(Shown):
    """The daemon answers."""

    status: str = Field(description="Always `ok`.")


class Readiness(Shown):
    """Whether the bench can work."""

    ready: bool = Field(description="Whether everything it needs is there.")
    problems: list[str] = Field(description="What stands in the way, in words.")
    free_bytes: int = Field(description="Room left on the disk of the state directory, bytes.")
    programmers: int = Field(description="Programmers, and ports that may have one.")


class Version(Shown):
    """Which versions this is and speaks."""

    name: str = Field(description="Always `romwright`.")
    version: str = Field(description="Version of the daemon.")
    api_version: str = Field(description="Newest version of the API; it is in the path.")
    api_version_min: str = Field(description="Oldest version of the API that still works.")
    bench_id: str = Field(description="Which bench this is; several can share a database.")
