"""What a visitor is: a guard's viewer, or a trainee or the instructor of a class of drills."""

from enum import StrEnum

from monitor.attach.endpoint import Kind


class Role(StrEnum):
    """What a visitor is."""

    VIEWER = "viewer"
    TRAINEE = "trainee"
    INSTRUCTOR = "instructor"

    @property
    def of(self) -> Kind:
        """Whose place it is."""
        return Kind.GUARD if self is Role.VIEWER else Kind.CLASS
